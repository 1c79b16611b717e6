"""A browser that its member has signed in on before, known by a cookie that names nobody.

Five wrong passwords make a name wait. So that a stranger cannot keep a member out by sending five every quarter
of an hour, a browser that has signed in under this name before counts its failures on its own.
"""

import secrets

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils.crypto import constant_time_compare, salted_hmac

_AGE_S = 365 * 24 * 3600


def _mark(nonce: str, username: str) -> str:
    value = f"{nonce}:{username.strip().casefold()}"
    return salted_hmac("club.known_browsers", value, algorithm="sha256").hexdigest()


def known_by(request: HttpRequest, username: str) -> str:
    """Return the browser's random mark if somebody of this name has signed in on it before, else ""."""
    nonce, _, mark = request.COOKIES.get(settings.KNOWN_COOKIE_NAME, "").partition(".")
    return nonce if nonce and constant_time_compare(mark, _mark(nonce, username)) else ""


def remember(response: HttpResponse, username: str) -> None:
    """Mark the browser as one on which this name has signed in."""
    nonce = secrets.token_urlsafe(16)
    response.set_cookie(
        settings.KNOWN_COOKIE_NAME,
        f"{nonce}.{_mark(nonce, username)}",
        max_age=_AGE_S,
        httponly=True,
        secure=settings.SESSION_COOKIE_SECURE,
        samesite="Lax",
    )
