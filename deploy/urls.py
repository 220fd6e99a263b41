"""The addresses of the service."""

from django.urls import include, path

urlpatterns = [
    path("api/", include("fleet.api.urls")),
    path("", include("fleet.web.urls")),
]
