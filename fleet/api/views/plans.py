"""Plans of return visits, their proposals, wishes."""

from __future__ import annotations

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import PlanFilter, ProposalFilter, WishFilter
from fleet.api.rows import light_jobs_of, light_proposals_of
from fleet.api.serializers.plans import (
    AcceptIn,
    DayIn,
    PlanIn,
    PlanOut,
    ProposalDetailOut,
    ProposalOut,
    WishIn,
    WishOut,
    WordIn,
)
from fleet.api.serializers.visits import VisitOut
from fleet.api.serializers.work import JobOut
from fleet.api.views.base import ListRows, OneRow, Rows, all_named, at, named, taken
from fleet.models import Person, TourPlan, TourProposal, VisitWish
from fleet.queries.plans import last_job
from fleet.queries.whose import (
    aircraft_of,
    operators_of,
    people_of,
    plans_of,
    proposals_of,
    visits_of,
    wishes_of,
)
from fleet.services import plans as services
from fleet.services import wishes as wish_services


def _plans(person: Person) -> QuerySet[TourPlan]:
    return plans_of(person).prefetch_related("words")


class PlanList(ListRows):
    """Plans of return visits (staff and analysts; empty for anybody else)."""

    model = TourPlan
    rows_of = staticmethod(_plans)
    serializer_class = PlanOut
    filterset_class = PlanFilter

    @extend_schema(request=PlanIn, responses={201: PlanOut})
    def post(self, request: Request) -> Response:
        """Make a plan (staff and analysts)."""
        by = rules.allow(rules.may_plan_visits, request.user)
        given = taken(PlanIn, request)
        given["analyst"] = named(people_of(by), given["analyst"], "analyst")
        return self.created(services.make_plan(by=by, **given), "plan-detail")


class PlanDetail(OneRow):
    """One plan with what was said of single aircraft."""

    model = TourPlan
    rows_of = staticmethod(_plans)
    serializer_class = PlanOut


class PlanWords(Rows):
    """The analyst's word on aircraft."""

    model = TourPlan
    rows_of = staticmethod(_plans)
    serializer_class = PlanOut

    @extend_schema(request=WordIn, responses=PlanOut)
    def post(self, request: Request, pk: object) -> Response:
        """Keep aircraft on a day, leave them out, or take that back (staff and analysts).

        A whole stop is moved by naming all its aircraft: it moves whole or not at all.
        """
        plan = self.found()
        by = rules.allow(rules.may_plan_visits, request.user)
        given = taken(WordIn, request)
        fleet = all_named(aircraft_of(by), given["aircraft"], "aircraft")
        if given["word"] == "back":
            services.take_back_all(plan, by=by, fleet=fleet)
        else:
            day = given.get("day")
            services.say_of_all(plan, by=by, fleet=fleet, kind=given["word"], day=day)
        return Response(self.now(plan))


class PlanDays(Rows):
    """The days of a plan that the analyst keeps free of visits."""

    model = TourPlan
    rows_of = staticmethod(_plans)
    serializer_class = PlanOut

    @extend_schema(request=DayIn, responses=PlanOut)
    def post(self, request: Request, pk: object) -> Response:
        """Block a day of the plan, or give it back (staff and analysts)."""
        plan = self.found()
        by = rules.allow(rules.may_plan_visits, request.user)
        services.block_day(plan, by=by, **taken(DayIn, request))
        return Response(self.now(plan))


class PlanProposals(Rows):
    """The proposals of a plan (read them at /proposals/?plan=…)."""

    model = TourPlan
    rows_of = staticmethod(plans_of)
    serializer_class = JobOut

    @extend_schema(request=None, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Ask for tours from everything as it stands (staff and analysts).

        Answers with the job, and in `Location` where to ask how far it is. While a search for
        this plan is under way, that job comes back.
        """
        plan = self.found()
        by = rules.allow(rules.may_plan_visits, request.user)
        job = light_jobs_of(by).get(pk=services.request_proposal(plan, by=by).pk)
        return Response(JobOut(job).data, 202, headers=at("job-detail", job))


class PlanStop(Rows):
    """The end of a search before its time."""

    model = TourPlan
    rows_of = staticmethod(plans_of)
    serializer_class = JobOut

    @extend_schema(request=None, responses={200: JobOut, 204: None})
    def post(self, request: Request, pk: object) -> Response:
        """Stop the search under way and take the best so far (staff and analysts).

        204 where nothing was ever searched for.
        """
        plan = self.found()
        by = rules.allow(rules.may_plan_visits, request.user)
        services.stop_early(plan, by=by)
        last = last_job(plan)
        if last is None:
            return Response(status=204)
        return Response(JobOut(light_jobs_of(by).get(pk=last.pk)).data)


class ProposalList(ListRows):
    """Proposals of tours, without the tours."""

    model = TourProposal
    rows_of = staticmethod(light_proposals_of)
    serializer_class = ProposalOut
    filterset_class = ProposalFilter


class ProposalDetail(OneRow):
    """One proposal with its tours."""

    model = TourProposal
    rows_of = staticmethod(proposals_of)
    serializer_class = ProposalDetailOut


class ProposalVisits(Rows):
    """The visits that a proposal leads to."""

    model = TourProposal
    rows_of = staticmethod(proposals_of)
    serializer_class = VisitOut

    @extend_schema(request=AcceptIn, responses={201: VisitOut})
    def post(self, request: Request, pk: object) -> Response:
        """Plan the visit that a stop proposes (staff and analysts)."""
        proposal = self.found()
        by = rules.allow(rules.may_plan_visits, request.user)
        given = taken(AcceptIn, request)
        given["operator"] = named(operators_of(by), given["operator"], "operator")
        visit = services.accept_stop(proposal, by=by, **given)
        shown = visits_of(by).get(pk=visit.pk)
        return Response(self.get_serializer(shown).data, 201, headers=at("visit-detail", visit))


class WishList(ListRows):
    """Wishes for a visit."""

    model = VisitWish
    rows_of = staticmethod(wishes_of)
    serializer_class = WishOut
    filterset_class = WishFilter

    @extend_schema(request=WishIn, responses={201: WishOut})
    def post(self, request: Request) -> Response:
        """Wish for a visit to an aircraft (staff, analysts, the operator's owner)."""
        by = rules.allow(rules.may_sign_up, request.user)
        given = taken(WishIn, request)
        given["aircraft"] = named(aircraft_of(by), given["aircraft"], "aircraft")
        return self.created(wish_services.wish_for(by=by, **given), "wish-detail")


class WishDetail(OneRow):
    """One wish."""

    model = VisitWish
    rows_of = staticmethod(wishes_of)
    serializer_class = WishOut


class WishBack(Rows):
    """A wish taken back."""

    model = VisitWish
    rows_of = staticmethod(wishes_of)
    serializer_class = WishOut

    @extend_schema(request=None, responses=WishOut)
    def post(self, request: Request, pk: object) -> Response:
        """Take a wish back (staff, analysts, the operator's owner)."""
        wish = self.found()
        by = rules.allow(rules.may_sign_up, request.user)
        wish_services.take_wish_back(wish, by=by)
        return Response(self.now(wish))
