"""The records."""

from fleet.models.aircraft import Aircraft, AircraftKind, Manner, SetUp
from fleet.models.base import SealedError
from fleet.models.cards import CardConfirmation, CardPlace, CardRun, CardScan
from fleet.models.people import Operator, Person, Role, UnitSystem
from fleet.models.results import AnalysisRun, Approval, Paper, Withdrawal
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
    "CardConfirmation",
    "CardPlace",
    "CardRun",
    "CardScan",
    "FlightPass",
    "Job",
    "JobState",
    "Manner",
    "Operator",
    "Origin",
    "Overrule",
    "Paper",
    "Person",
    "RawFile",
    "Role",
    "SealedError",
    "SetUp",
    "Test",
    "UnitSystem",
    "Visit",
    "VisitKind",
    "Withdrawal",
]
