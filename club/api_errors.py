"""How errors of the API read."""

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.views.defaults import page_not_found
from rest_framework.exceptions import NotFound
from rest_framework.renderers import JSONRenderer
from rest_framework.response import Response
from rest_framework.views import exception_handler as drf_exception_handler


def exception_handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """Answer a missing and a hidden thing with the very same words."""
    return drf_exception_handler(NotFound() if isinstance(error, Http404) else error, context)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer an address of the API that is none, a malformed id for one, as the API answers an id that is none."""
    if not request.path.startswith("/api/"):
        return page_not_found(request, exception)
    body = JSONRenderer().render({"detail": NotFound.default_detail})
    return HttpResponse(body, "application/json", 404)
