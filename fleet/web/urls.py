"""The pages, gathered from the modules that answer them."""

from django.urls import URLPattern

from fleet.web import account, fleet_pages, office_pages, today_pages

urlpatterns: list[URLPattern] = [
    *account.urlpatterns,
    *today_pages.urlpatterns,
    *fleet_pages.urlpatterns,
    *office_pages.urlpatterns,
]
