from django.apps import AppConfig
from django.db.models.signals import post_migrate


class ObservationsConfig(AppConfig):
    name = "observations"

    def ready(self) -> None:
        from club.rls import apply_after_migrate

        # The last app in the list: when its tables are there, all are.
        post_migrate.connect(apply_after_migrate, sender=self)
