"""What every page needs: the navigation, and who is looking."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest

from club import resets
from club.account_models import ResetLink
from club.models import Club
from club.viewer import PROJECTOR, PUBLIC, Viewer

# Said wherever the demo names itself; its people, waters and data are nobody's.
INVENTED = "an invented club"


def _pages(viewer: Viewer) -> list[tuple[str, str]]:
    """Return (label, address) of the pages that this viewer may open."""
    pages = [("Chart", "/")]
    if viewer.is_member:
        pages.append(("Log", "/log/"))
    if viewer.is_checker:
        pages.append(("Proofs", "/proofs/"))
    if viewer.is_member:
        pages.append(("Calls", "/calls/"))
    pages.append(("Season", "/season/"))
    if viewer.is_member:
        pages.append(("Debrief", "/debrief/"))
    pages += [("Events", "/events/"), ("Waters", "/waters/")]
    if viewer.is_member:
        pages += [("Lessons", "/lessons/"), ("Sharing", "/sharing/"), ("Club", "/club/")]
    return pages


def _fresh_resets(request: HttpRequest) -> list[ResetLink]:
    """Return the reset links of these days for whoever looks: told on every page, whoever opened it."""
    member = getattr(request, "member", None)
    if member is None:
        return []
    moment = request.moment  # type: ignore[attr-defined]
    return list(resets.links_of(member).filter(issued_at__gt=moment - resets.FRESH))


def page(request: HttpRequest) -> dict[str, Any]:
    """The context processor of every template."""
    viewer: Viewer = getattr(request, "viewer", PUBLIC)
    club = Club.objects.first()
    here = request.path
    nav = [
        {
            "label": label,
            "url": url,
            "current": here == "/" if url == "/" else here.startswith(url),
            "count": None,
        }
        for label, url in _pages(viewer)
    ]
    return {
        "nav": nav,
        "viewer": viewer,
        "member": getattr(request, "member", None),
        "club_name": club.name + (f" ({INVENTED})" if settings.DEMO else "") if club else "",
        "invented": settings.DEMO,
        # A function, so that it is asked only where a page shows it.
        "fresh_resets": lambda: _fresh_resets(request),
        "moment": getattr(request, "moment", None),
        # A visitor without a cookie has no session to ask.
        "projector": settings.SESSION_COOKIE_NAME in request.COOKIES
        and request.session.get(PROJECTOR, False),
    }
