from django.apps import AppConfig


class ClubConfig(AppConfig):
    name = "club"

    def ready(self) -> None:
        # The checks register themselves; the Celery app becomes the one that tasks are sent through.
        from club import celery, checks  # noqa: F401
