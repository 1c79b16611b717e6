"""What gunicorn serves."""

import os

from django.conf import settings
from django.core.checks import Tags, run_checks
from django.core.exceptions import ImproperlyConfigured
from django.core.wsgi import get_wsgi_application
from django.db import connections

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "club.settings")

application = get_wsgi_application()

# A server that row-level security does not bind must not answer a single request.
if settings.DB_ROLE != "web":
    raise ImproperlyConfigured(f"Pages are served as the web role, not as {settings.DB_ROLE}.")
if errors := [
    error for error in run_checks(tags=[Tags.database], databases=["default"]) if error.is_serious()
]:
    raise ImproperlyConfigured(" ".join(f"{error.msg} {error.hint or ''}" for error in errors))
connections.close_all()
