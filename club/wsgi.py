"""What gunicorn serves."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "club.settings")

# Before any task is sent: shared tasks belong to the current app.
from club.celery import app  # noqa: F401

application = get_wsgi_application()
