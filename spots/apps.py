from django.apps import AppConfig


class SpotsConfig(AppConfig):
    name = "spots"
