"""The pages, gathered from the modules that answer them."""

from django.urls import URLPattern

from fleet.web import account

urlpatterns: list[URLPattern] = [
    *account.urlpatterns,
]
