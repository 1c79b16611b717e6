from django.apps import AppConfig


class SpotsConfig(AppConfig):
    name = "spots"

    def ready(self) -> None:
        from club.viewer import freeze_of
        from spots.cutoffs import frozen_for

        if frozen_for not in freeze_of:
            freeze_of.append(frozen_for)
