"""Seasons, memberships, invitations, and imports of members and fleet."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.core.files.uploadedfile import UploadedFile
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import ImportFilter, InvitationFilter, MembershipFilter, SeasonFilter
from fleet.api.parsers import LimitedMultiPartParser
from fleet.api.serializers.season import (
    ApplyIn,
    CarriedOverOut,
    ImportOut,
    ImportPlanOut,
    InvitationNew,
    InvitationOut,
    LetterOut,
    MembershipChange,
    MembershipNew,
    MembershipOut,
    SeasonNew,
    SeasonOut,
)
from fleet.api.serializers.work import JobOut
from fleet.api.views.base import ListRows, OneRow, Rows, at, named, taken
from fleet.importing.rows import MOST_BYTES
from fleet.models import Invitation, Job, Membership, Season, SheetImport
from fleet.queries.members import imports_of, invitations_of, memberships_of, seasons_of
from fleet.queries.whose import operators_of
from fleet.services import imports as import_services
from fleet.services import invitations as invitation_services
from fleet.services import season as services

SHEET = {
    "multipart/form-data": {
        "type": "object",
        "properties": {
            "file": {"type": "string", "format": "binary"},
            "season": {"type": "string", "format": "uuid"},
        },
        "required": ["file"],
    }
}


class SeasonList(ListRows):
    """Programme years."""

    model = Season
    rows_of = staticmethod(seasons_of)
    serializer_class = SeasonOut
    filterset_class = SeasonFilter

    @extend_schema(request=SeasonNew, responses={201: SeasonOut})
    def post(self, request: Request) -> Response:
        """Add a programme year (staff)."""
        by = rules.allow(rules.may_manage_season, request.user)
        added = services.add_season(by=by, **taken(SeasonNew, request))
        return self.created(added, "season-detail")


class SeasonDetail(OneRow):
    """One programme year."""

    model = Season
    rows_of = staticmethod(seasons_of)
    serializer_class = SeasonOut

    @extend_schema(request=SeasonNew, responses=SeasonOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Change a season's name or days (staff)."""
        season = self.found()
        by = rules.allow(rules.may_manage_season, request.user)
        services.change_season(season, by=by, **taken(SeasonNew, request, partial=True))
        return Response(self.now(season))


class SeasonCarryOver(Rows):
    """The members of the season before."""

    model = Season
    rows_of = staticmethod(seasons_of)
    serializer_class = CarriedOverOut

    @extend_schema(request=None, responses={200: CarriedOverOut})
    def post(self, request: Request, pk: object) -> Response:
        """Take the members of the season before into this one (staff). Twice changes nothing."""
        season = self.found()
        by = rules.allow(rules.may_manage_season, request.user)
        return Response(CarriedOverOut(services.carry_over(season, by=by)).data)


class MembershipList(ListRows):
    """Who belongs to which season."""

    model = Membership
    rows_of = staticmethod(memberships_of)
    serializer_class = MembershipOut
    filterset_class = MembershipFilter

    @extend_schema(request=MembershipNew, responses={201: MembershipOut})
    def post(self, request: Request) -> Response:
        """Take an operator in as a member of a season (staff)."""
        by = rules.allow(rules.may_manage_season, request.user)
        given = taken(MembershipNew, request)
        operator = named(operators_of(by), given.pop("operator"), "operator")
        season = named(Season.objects.all(), given.pop("season"), "season")
        joined = services.join(by=by, operator=operator, season=season, **given)
        return self.created(joined, "membership-detail")


class MembershipDetail(OneRow):
    """One membership."""

    model = Membership
    rows_of = staticmethod(memberships_of)
    serializer_class = MembershipOut

    @extend_schema(request=MembershipChange, responses=MembershipOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Change a membership, or say when it lapsed (staff)."""
        membership = self.found()
        by = rules.allow(rules.may_manage_season, request.user)
        changes = taken(MembershipChange, request, partial=True)
        services.change_membership(membership, by=by, **changes)
        return Response(self.now(membership))


class InvitationList(ListRows):
    """Invitations: all of them for staff and analysts, their own operator's for owners."""

    model = Invitation
    rows_of = staticmethod(invitations_of)
    serializer_class = InvitationOut
    filterset_class = InvitationFilter

    @extend_schema(request=InvitationNew, responses={201: LetterOut})
    def post(self, request: Request) -> Response:
        """Invite somebody of an operator by e-mail (staff; owners for their own)."""
        by = rules.allow(rules.may_invite, request.user)
        given = taken(InvitationNew, request)
        key = given.pop("operator", by.operator_id)
        if key is None:
            raise ValidationError({"operator": ["Say whose person it is."]})
        operator = named(operators_of(by), key, "operator")
        letter = invitation_services.invite(by=by, operator=operator, **given)
        where = at("invitation-detail", letter.invitation)
        return Response(LetterOut(letter).data, 201, headers=where)


class InvitationDetail(OneRow):
    """One invitation."""

    model = Invitation
    rows_of = staticmethod(invitations_of)
    serializer_class = InvitationOut


class InvitationSend(Rows):
    """The letter of an invitation."""

    model = Invitation
    rows_of = staticmethod(invitations_of)
    serializer_class = LetterOut

    @extend_schema(request=None, responses={200: LetterOut})
    def post(self, request: Request, pk: object) -> Response:
        """Send it again with a new link; the one before opens nothing any more."""
        invitation = self.found()
        by = rules.allow(rules.may_invite, request.user)
        letter = invitation_services.send_again(invitation, by=by)
        return Response(LetterOut(letter).data)


class InvitationWithdrawal(Rows):
    """The end of an invitation."""

    model = Invitation
    rows_of = staticmethod(invitations_of)
    serializer_class = InvitationOut

    @extend_schema(request=None, responses={200: InvitationOut})
    def post(self, request: Request, pk: object) -> Response:
        """End the link of an invitation that nobody has taken up."""
        invitation = self.found()
        by = rules.allow(rules.may_invite, request.user)
        invitation_services.withdraw(invitation, by=by)
        return Response(self.now(invitation))


class ImportList(ListRows):
    """Spreadsheets of members and fleet (staff)."""

    model = SheetImport
    rows_of = staticmethod(imports_of)
    serializer_class = ImportOut
    filterset_class = ImportFilter
    restricted = True
    parser_classes = [LimitedMultiPartParser]

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Return those that were brought."""
        rules.allow(rules.may_manage_season, request.user)
        return super().get(request, *args, **kwargs)

    @extend_schema(request=SHEET, responses={201: ImportOut})
    def post(self, request: Request) -> Response:
        """Bring a CSV or XLSX file, as a part named `file`; nothing is changed yet (staff).

        A worker reads it: ask for the import again until its state is no longer `reading`. When it
        is `previewed`, ask for its `plan`, and have that carried out with its `mark`.
        """
        by = rules.allow(rules.may_manage_season, request.user)
        unknown = [name for name in request.data if name not in ("file", "season")]
        if unknown:
            raise ValidationError({name: ["Known: file, season."] for name in unknown})
        file: UploadedFile[bytes] | None = request.FILES.get("file")
        if file is None:
            raise ValidationError({"file": ['Send a file, as a part named "file".']})
        if (file.size or 0) > MOST_BYTES:  # not read into memory
            raise ValidationError({"file": [import_services.too_large(file.size or 0)]})
        brought = import_services.bring(
            by=by, name=str(file.name), data=file.read(), for_season=_season(request)
        )
        return self.created(brought, "import-detail")


def _season(request: Request) -> Season | None:
    key = request.data.get("season")
    if not key:
        return None
    try:
        season: Season = named(Season.objects.all(), UUID(str(key)), "season")
    except ValueError:
        raise ValidationError({"season": ["Must be the key of a season."]}) from None
    return season


class ImportDetail(OneRow):
    """One spreadsheet."""

    model = SheetImport
    rows_of = staticmethod(imports_of)
    serializer_class = ImportOut


class ImportPlan(Rows):
    """What a spreadsheet would change, row by row."""

    model = SheetImport
    rows_of = staticmethod(imports_of)
    serializer_class = ImportPlanOut

    @extend_schema(responses=ImportPlanOut)
    def get(self, request: Request, pk: object) -> Response:
        """Return what it would change as of its `looked_at`; once it is done, what it changed."""
        sheet = self.found()
        rules.allow(rules.may_manage_season, request.user)
        if not sheet.plan:
            why = sheet.trouble or "It is not read yet. Ask again in a moment."
            raise ValidationError({"import": [why]})
        return Response(ImportPlanOut({**sheet.plan, "tally": sheet.tally}).data)

    @extend_schema(request=None, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Have it held against the records as they are now (staff)."""
        sheet = self.found()
        by = rules.allow(rules.may_manage_season, request.user)
        return _under_way(import_services.look_again(sheet, by=by))


def _under_way(job: Job) -> Response:
    return Response(JobOut(job).data, 202, headers=at("job-detail", job))


class ImportApply(Rows):
    """Carrying a spreadsheet out."""

    model = SheetImport
    rows_of = staticmethod(imports_of)
    serializer_class = JobOut

    @extend_schema(request=ApplyIn, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Have all of it done, or nothing, as it was looked at (staff).

        When the job has ended, the import says what came of it: `applied`; or `previewed` still,
        with its `trouble`, and the rows of its `plan` that come out otherwise now are `moved`.
        """
        sheet = self.found()
        by = rules.allow(rules.may_manage_season, request.user)
        seen = taken(ApplyIn, request)["mark"]
        return _under_way(import_services.ask_apply(sheet, by=by, seen=seen))


class ImportDiscard(Rows):
    """Throwing a spreadsheet away."""

    model = SheetImport
    rows_of = staticmethod(imports_of)
    serializer_class = ImportOut

    @extend_schema(request=None, responses={200: ImportOut})
    def post(self, request: Request, pk: object) -> Response:
        """Throw a spreadsheet away that was only looked at (staff)."""
        sheet = self.found()
        by = rules.allow(rules.may_manage_season, request.user)
        import_services.discard(sheet, by=by)
        return Response(self.now(sheet))
