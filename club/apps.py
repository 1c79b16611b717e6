from django.apps import AppConfig


class ClubConfig(AppConfig):
    name = "club"

    def ready(self) -> None:
        from club import checks  # noqa: F401  (registers the system checks)
