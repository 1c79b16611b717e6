"""The first run of a real club: until somebody can sign in, every page leads to the set-up page."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect

from club.people import needs_set_up

ADDRESS = "/setup/"


class SetUpMiddleware:
    """Lead an empty club's visitors to the set-up page. Stands after `club.viewer.ViewingMiddleware`."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response
        # A club that has been set up stays so: its last organiser cannot leave. Ask until then only.
        self.is_set_up = False

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if not self.is_set_up:
            self.is_set_up = not needs_set_up()
            if not self.is_set_up and request.path != ADDRESS:
                return self._being_set_up(request)
        return self.get_response(request)

    def _being_set_up(self, request: HttpRequest) -> HttpResponse:
        if request.path.startswith("/api/"):
            return JsonResponse({"detail": "This club is being set up."}, status=503)
        return redirect(ADDRESS)
