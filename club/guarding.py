"""What every answer says to browsers and caches, and what a page of another site may not ask for.

Stands outside everything else. The Content-Security-Policy, the referrer policy and the rest that Django and
django-csp set stand in club/settings.py.
"""

import time
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse

# Of what a browser can do, only what a page here uses: where somebody stands, to log a look.
_PERMISSIONS = (
    "accelerometer=(), camera=(), display-capture=(), geolocation=(self), gyroscope=(), magnetometer=(),"
    " microphone=(), midi=(), payment=(), usb=()"
)
# What a browser says of a request that a page of somewhere else sent. Programs that are no browser say nothing.
_ELSEWHERE = {"cross-site", "same-site"}
REFUSED = "Pages of other sites may not ask here."


class GuardMiddleware:
    """Refuse the API to other sites' pages; keep answers out of caches and out of other sites' pages."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self._refuse(request) or self.get_response(request)
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Permissions-Policy"] = _PERMISSIONS
        # Static files are not ours to judge; they never get as far as to have a viewer.
        if hasattr(request, "viewer") and "no-store" not in response.headers.get("Cache-Control", ""):
            # What the public sees may be kept but not used unasked: it changes at an event's cut-off.
            kept = "no-store" if request.viewer.member_id else "no-cache"
            response.headers["Cache-Control"] = f"private, {kept}"
        return response

    def _refuse(self, request: HttpRequest) -> HttpResponse | None:
        if request.path.startswith("/api/") and request.headers.get("Sec-Fetch-Site") in _ELSEWHERE:
            return JsonResponse({"detail": REFUSED}, status=403)
        return None


class BodyLimitMiddleware:
    """Refuse what is larger than any page takes, by what its sender says of it: before a byte of it is read.

    A request that does not say is read by nobody: Django takes its body for empty.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        length = request.META.get("CONTENT_LENGTH") or "0"
        if length.isdecimal() and int(length) > settings.MOST_BODY_BYTES:
            most = settings.MOST_BODY_BYTES // 1024**2
            rule = f"{int(length) / 1024**2:,.0f} MB were sent; at most {most} MB are taken at once. Nothing was saved."
            return HttpResponse(rule, status=413, content_type="text/plain; charset=utf-8")
        return self.get_response(request)


class EvenNotFoundMiddleware:
    """Let every 404 take a whole number of `NOT_FOUND_TICK_S`, so that its time does not tell what is hidden.

    The policies of a row that is there take a third of a millisecond longer to refuse it than no row at all
    (measured on pictures: tests/leaks/test_timing.py finds it in 150 pairs). Outermost: what it waits for is
    everything, and no transaction is open while it waits.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        began = time.perf_counter()
        response = self.get_response(request)
        tick: float = settings.NOT_FOUND_TICK_S
        if response.status_code == 404 and tick:
            time.sleep(tick - (time.perf_counter() - began) % tick)
        return response
