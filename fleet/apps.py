"""Django's view of the fleet app."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate

from fleet.seals import reseal


class FleetConfig(AppConfig):
    """The one app with models."""

    name = "fleet"

    def ready(self) -> None:
        """Keep write-once tables sealed after every migration."""
        post_migrate.connect(reseal, sender=self)
