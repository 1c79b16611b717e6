"""What every page needs: the navigation, and who is looking."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest

from club.models import Club


def page(request: HttpRequest) -> dict[str, Any]:
    viewer = getattr(request, "viewer", None)
    club = Club.objects.first()
    items = [("Chart", "/")]
    if viewer and viewer.is_member:
        items += [("Log", "/log/")]
        if viewer.is_checker:
            items += [("Proofs", "/proofs/")]
    items += [("Waters", "/waters/")]
    if viewer and viewer.is_member:
        items += [("Import", "/import/"), ("Club", "/club/")]
    here = request.path
    nav = [
        {"label": label, "url": url, "current": here == "/" if url == "/" else here.startswith(url), "count": None}
        for label, url in items
    ]
    return {
        "nav": nav,
        "viewer": viewer,
        "member": getattr(request, "member", None),
        "club": club,
        "is_demo": settings.DEMO,
        "moment": getattr(request, "moment", None),
    }
