"""The addresses of the API."""

from django.urls import URLPattern, URLResolver, include, path, re_path
from drf_spectacular.views import SpectacularAPIView

from fleet.api.views import account, aircraft, cards, passes, people, results, visits, work

app_name = "api"

v1: list[URLPattern] = [
    path("sign-in/", account.SignIn.as_view(), name="sign-in"),
    path("sign-out/", account.SignOut.as_view(), name="sign-out"),
    path("me/", account.Me.as_view(), name="me"),
    path("operators/", people.OperatorList.as_view(), name="operator-list"),
    path("operators/<uuid:pk>/", people.OperatorDetail.as_view(), name="operator-detail"),
    path("people/", people.PersonList.as_view(), name="person-list"),
    path("people/<uuid:pk>/", people.PersonDetail.as_view(), name="person-detail"),
    path("aircraft/", aircraft.AircraftList.as_view(), name="aircraft-list"),
    path("aircraft/<uuid:pk>/", aircraft.AircraftDetail.as_view(), name="aircraft-detail"),
    path("aircraft/<uuid:pk>/setups/", aircraft.AircraftSetUps.as_view(), name="aircraft-setups"),
    path("setups/", aircraft.SetUpList.as_view(), name="setup-list"),
    path("setups/<uuid:pk>/", aircraft.SetUpDetail.as_view(), name="setup-detail"),
    path("standings/", aircraft.StandingList.as_view(), name="standing-list"),
    path("visits/", visits.VisitList.as_view(), name="visit-list"),
    path("visits/<uuid:pk>/", visits.VisitDetail.as_view(), name="visit-detail"),
    path("tests/", visits.TestList.as_view(), name="test-list"),
    path("tests/<uuid:pk>/", visits.TestDetail.as_view(), name="test-detail"),
    path("tests/<uuid:pk>/quality/", visits.TestQuality.as_view(), name="test-quality"),
    path("tests/<uuid:pk>/analyses/", visits.TestAnalyses.as_view(), name="test-analyses"),
    path("tests/<uuid:pk>/passes/", passes.TestPasses.as_view(), name="test-passes"),
    path("tests/<uuid:pk>/passes/aborted/", passes.TestAborted.as_view(), name="test-aborted"),
    path("tests/<uuid:pk>/cards/", cards.TestCards.as_view(), name="test-cards"),
    path("tests/<uuid:pk>/card-scans/", cards.TestCardScans.as_view(), name="test-card-scans"),
    path("card-scans/", cards.CardScanList.as_view(), name="card-scan-list"),
    path("card-scans/<uuid:pk>/", cards.CardScanDetail.as_view(), name="card-scan-detail"),
    path("card-scans/<uuid:pk>/file/", cards.CardScanFile.as_view(), name="card-scan-file"),
    path(
        "card-scans/<uuid:pk>/confirmation/",
        cards.CardScanConfirmation.as_view(),
        name="card-scan-confirmation",
    ),
    path("card-scans/<uuid:pk>/places/", cards.CardScanPlaces.as_view(), name="card-scan-places"),
    path(
        "card-scans/<uuid:pk>/measurements/",
        cards.CardScanMeasurements.as_view(),
        name="card-scan-measurements",
    ),
    path("card-measurements/", cards.CardMeasurementList.as_view(), name="card-measurement-list"),
    path(
        "card-measurements/<uuid:pk>/",
        cards.CardMeasurementDetail.as_view(),
        name="card-measurement-detail",
    ),
    path(
        "card-measurements/<uuid:pk>/cards/<int:number>/",
        cards.CardResult.as_view(),
        name="card-measurement-card",
    ),
    path(
        "card-measurements/<uuid:pk>/cards/<int:number>/picture/",
        cards.CardPicture.as_view(),
        name="card-measurement-picture",
    ),
    path("passes/", passes.PassList.as_view(), name="pass-list"),
    path("passes/<uuid:pk>/", passes.PassDetail.as_view(), name="pass-detail"),
    path("passes/<uuid:pk>/overrule/", passes.PassOverrule.as_view(), name="pass-overrule"),
    path("passes/<uuid:pk>/file/", passes.PassFile.as_view(), name="pass-file"),
    path("analyses/", results.AnalysisList.as_view(), name="analysis-list"),
    path("analyses/<uuid:pk>/", results.AnalysisDetail.as_view(), name="analysis-detail"),
    path(
        "analyses/<uuid:pk>/evidence/",
        results.AnalysisEvidence.as_view(),
        name="analysis-evidence",
    ),
    *(
        path(
            f"analyses/<uuid:pk>/charts/{chart}.svg",
            results.AnalysisChart.as_view(chart=chart),
            name=f"analysis-chart-{chart}",
        )
        for chart in ("passes", "cv", "field")
    ),
    path(
        "analyses/<uuid:pk>/approvals/",
        results.AnalysisApprovals.as_view(),
        name="analysis-approvals",
    ),
    path("analyses/<uuid:pk>/papers/", results.AnalysisPapers.as_view(), name="analysis-papers"),
    path("approvals/", results.ApprovalList.as_view(), name="approval-list"),
    path("approvals/<uuid:pk>/", results.ApprovalDetail.as_view(), name="approval-detail"),
    path(
        "approvals/<uuid:pk>/withdrawal/",
        results.ApprovalWithdrawal.as_view(),
        name="approval-withdrawal",
    ),
    path("papers/", results.PaperList.as_view(), name="paper-list"),
    path("papers/<uuid:pk>/", results.PaperDetail.as_view(), name="paper-detail"),
    path("papers/<uuid:pk>/file/", results.PaperFile.as_view(), name="paper-file"),
    path("jobs/", work.JobList.as_view(), name="job-list"),
    path("jobs/<uuid:pk>/", work.JobDetail.as_view(), name="job-detail"),
    path("audit/", work.AuditList.as_view(), name="audit-list"),
]

urlpatterns: list[URLPattern | URLResolver] = [
    path("v1/", include(v1)),
    path("schema/", SpectacularAPIView.as_view(authentication_classes=[]), name="schema"),
    re_path(r"", account.Unknown.as_view(), name="unknown"),
]
