"""The records."""

from fleet.models.aircraft import Aircraft, AircraftKind, Manner, SetUp
from fleet.models.base import SealedError
from fleet.models.cards import (
    CardConfirmation,
    CardPlace,
    CardRun,
    CardScan,
    CardsTogether,
)
from fleet.models.clinics import Gift, GiftKind, SignUp, SignUpState, Supply, SupplyUse
from fleet.models.feeds import CalendarFeed, HookCall, HookEvent, OperatorExport, Webhook
from fleet.models.filings import Filing, FilingStep, Purge, StepKind
from fleet.models.papers import (
    Paper,
    PaperBatch,
    PaperBundle,
    PaperKind,
    PaperSeries,
    PaperSlip,
    PaperVoid,
    PaperWithdrawal,
)
from fleet.models.people import Operator, Person, Role, UnitSystem
from fleet.models.planning import PlanWord, TourPlan, TourProposal, VisitWish, WordKind
from fleet.models.reminders import Reminded, ReminderChoice, ReminderKind, ReminderMail
from fleet.models.requirements import (
    Covers,
    DeadlineUnit,
    Evidence,
    Jurisdiction,
    Requirement,
    RequirementVersion,
    Rhythm,
    Waiver,
    WorksUnder,
)
from fleet.models.results import AnalysisRun, Approval, Withdrawal
from fleet.models.season import (
    ImportState,
    Invitation,
    Membership,
    MembershipKind,
    Season,
    SheetImport,
)
from fleet.models.service_records import ServiceRecord
from fleet.models.trail import AuditRow
from fleet.models.visits import FlightPass, Origin, Overrule, RawFile, Test, Visit, VisitKind
from fleet.models.work import ENDED, Job, JobState

__all__ = [
    "ENDED",
    "Aircraft",
    "AircraftKind",
    "AnalysisRun",
    "Approval",
    "AuditRow",
    "CalendarFeed",
    "CardConfirmation",
    "CardPlace",
    "CardRun",
    "CardScan",
    "CardsTogether",
    "Covers",
    "DeadlineUnit",
    "Evidence",
    "Filing",
    "FilingStep",
    "FlightPass",
    "Gift",
    "GiftKind",
    "HookCall",
    "HookEvent",
    "ImportState",
    "Invitation",
    "Job",
    "JobState",
    "Jurisdiction",
    "Manner",
    "Membership",
    "MembershipKind",
    "Operator",
    "OperatorExport",
    "Origin",
    "Overrule",
    "Paper",
    "PaperBatch",
    "PaperBundle",
    "PaperKind",
    "PaperSeries",
    "PaperSlip",
    "PaperVoid",
    "PaperWithdrawal",
    "Person",
    "PlanWord",
    "Purge",
    "RawFile",
    "Reminded",
    "ReminderChoice",
    "ReminderKind",
    "ReminderMail",
    "Requirement",
    "RequirementVersion",
    "Rhythm",
    "Role",
    "SealedError",
    "Season",
    "ServiceRecord",
    "SetUp",
    "SheetImport",
    "SignUp",
    "SignUpState",
    "StepKind",
    "Supply",
    "SupplyUse",
    "Test",
    "TourPlan",
    "TourProposal",
    "UnitSystem",
    "Visit",
    "VisitKind",
    "VisitWish",
    "Waiver",
    "Webhook",
    "Withdrawal",
    "WordKind",
    "WorksUnder",
]
