from django.apps import AppConfig


class ClubConfig(AppConfig):
    name = "club"

    def ready(self) -> None:
        # The checks and the sessions' receivers register themselves; the Celery app becomes the one that
        # tasks are sent through.
        from club import celery, checks, sessions  # noqa: F401
