"""The last step of signing in: a new session, and what its member is told."""

from django.contrib import messages
from django.contrib.auth import login
from django.http import HttpResponse
from django.shortcuts import redirect

from club import resets
from club.known_browsers import remember
from club.models import Member
from club.viewer import ViewedRequest, viewer_of, viewing

BACKEND = "django.contrib.auth.backends.ModelBackend"


def enter(request: ViewedRequest, member: Member, target: str) -> HttpResponse:
    """Start a new session for who has proved to be this member, and tell them of reset links, a junior's too."""
    login(request, member, BACKEND)
    with viewing(viewer_of(member), request.moment):
        # The newer ones stand on every page (club/context.py).
        older = {
            "issued_at__gt": request.moment - resets.TOLD,
            "issued_at__lte": request.moment - resets.FRESH,
        }
        for link in resets.links_of(member).filter(**older):
            messages.warning(request, link.told)
        for link in resets.links_of_wards(member).filter(issued_at__gt=request.moment - resets.TOLD):
            messages.warning(request, link.told_guardian)
    response = redirect(target)
    remember(response, member.username)
    return response
