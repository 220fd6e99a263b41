"""Django's view of the reports app."""

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """Papers and figures for print; it has no models of its own."""

    name = "reports"

    def ready(self) -> None:
        """Register the job kinds that make papers."""
        from reports import bundles, handlers  # noqa: F401, PLC0415 -- apps must be loaded first
