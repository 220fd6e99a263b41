"""The pages, gathered from the modules that answer them."""

from django.urls import URLPattern

from fleet.web import (
    account,
    approval_list,
    approval_pages,
    card_pages,
    day_pages,
    fleet_pages,
    gift_pages,
    import_pages,
    job_pages,
    member_pages,
    office_pages,
    pass_pages,
    people_pages,
    result_pages,
    season_pages,
    test_pages,
    today_pages,
    visit_pages,
)

urlpatterns: list[URLPattern] = [
    *account.urlpatterns,
    *today_pages.urlpatterns,
    *fleet_pages.urlpatterns,
    *office_pages.urlpatterns,
    *visit_pages.urlpatterns,
    *day_pages.urlpatterns,
    *gift_pages.urlpatterns,
    *test_pages.urlpatterns,
    *pass_pages.urlpatterns,
    *card_pages.urlpatterns,
    *job_pages.urlpatterns,
    *result_pages.urlpatterns,
    *approval_pages.urlpatterns,
    *approval_list.urlpatterns,
    *member_pages.urlpatterns,
    *people_pages.urlpatterns,
    *import_pages.urlpatterns,
    *season_pages.urlpatterns,
]
