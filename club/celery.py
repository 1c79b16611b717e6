"""The Celery app. What is due stands in PostgreSQL; a message here only wakes the worker."""

import os

from celery import Celery
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "club.settings")

app = Celery("tallow")
app.config_from_object("django.conf:settings", namespace="CELERY")
# The demo and a real club may use one Redis; their messages never meet.
app.conf.broker_transport_options = {"global_keyprefix": "demo:" if settings.DEMO else "club:"}
app.autodiscover_tasks(related_name="jobs")
