"""How errors of the API read."""

from typing import Any

from django.http import Http404
from rest_framework.exceptions import NotFound
from rest_framework.response import Response
from rest_framework.views import exception_handler as drf_exception_handler


def exception_handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """Answer a missing and a hidden thing with the very same words."""
    return drf_exception_handler(NotFound() if isinstance(error, Http404) else error, context)
