"""Projector mode: on club night a browser shows the public's view until somebody signs in again.

The session stays, but whatever it asks for, by page, API or token, is answered as to somebody signed out
(`club.viewer.ViewingMiddleware`). Only a full sign-in leaves it; signing out leaves it too, to the same view.
"""

from typing import Any

from django.contrib import messages
from django.contrib.auth.signals import user_logged_in
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from club.access import signed_in
from club.viewer import PROJECTOR, ViewedRequest


@require_http_methods(["GET", "HEAD", "POST"])
@signed_in
@never_cache
def projector(request: ViewedRequest) -> HttpResponse:
    """Say what the mode does; enter it."""
    if request.method != "POST":
        return render(request, "club/projector.html")
    # What waits to be told may name a place: it is read here and gone.
    list(messages.get_messages(request))
    request.session[PROJECTOR] = True
    return redirect("/")


@receiver(user_logged_in, dispatch_uid="leave_projector")
def leave_projector(request: HttpRequest, **_: Any) -> None:
    """A full sign-in ends the mode, whichever way of signing in it was."""
    request.session.pop(PROJECTOR, None)
