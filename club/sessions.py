"""Sessions that their member can see and end, and how long one lasts.

Django's own session holds the cookie's side; a row of ours per session says when it began, when it was last
used (to the hour) and from what kind of browser. Without an open row nobody is signed in.
"""

from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth.signals import user_logged_in, user_logged_out
from django.db.models import Q, QuerySet
from django.dispatch import receiver
from django.http import HttpRequest
from django.utils import timezone

from club.account_models import SignIn
from club.browsers import kind_of_browser
from club.models import Member, digest
from club.viewer import viewer_of, viewing

_KEPT = timedelta(days=90)


def open_sessions(member: Member, moment: datetime) -> QuerySet[SignIn]:
    """Return the sessions that still count, the last used first."""
    idle, absolute = settings.SESSION_LIMITS["organiser" if member.role == "organiser" else "member"]
    return SignIn.objects.filter(
        member=member, ended_at=None, seen_at__gt=moment - idle, started_at__gt=moment - absolute
    )


def record(request: HttpRequest, member: Member) -> None:
    """Write down the session that has just begun under its present key."""
    moment = getattr(request, "moment", None) or timezone.now()
    if not request.session.session_key:
        # Somebody else was signed in here: Django has emptied their session and names the new one later.
        request.session.create()
    with viewing(viewer_of(member), moment):
        old = Q(ended_at__lt=moment - _KEPT) | Q(ended_at=None, seen_at__lt=moment - _KEPT)
        SignIn.objects.filter(old, member=member).delete()
        before = SignIn.objects.filter(key_digest=digest(request.session.session_key or ""))
        if before.exists():
            # The same person has signed in again: Django goes on with the session, we do not.
            before.filter(ended_at=None).update(ended_at=moment)
            request.session.cycle_key()
        SignIn.objects.create(
            member=member,
            key_digest=digest(request.session.session_key or ""),
            started_at=moment,
            seen_at=moment,
            browser=kind_of_browser(request.META.get("HTTP_USER_AGENT", "")),
        )


@receiver(user_logged_in, dispatch_uid="record_session")
def _began(request: HttpRequest, user: Member, **_: Any) -> None:
    record(request, user)


@receiver(user_logged_out, dispatch_uid="end_session")
def _ended(request: HttpRequest, **_: Any) -> None:
    if key := request.session.session_key:
        moment = getattr(request, "moment", None) or timezone.now()
        SignIn.objects.filter(key_digest=digest(key), ended_at=None).update(ended_at=moment)


def is_this(session: SignIn, request: HttpRequest) -> bool:
    return session.key_digest == digest(request.session.session_key or "")


def end(session: SignIn, moment: datetime) -> None:
    SignIn.objects.filter(pk=session.pk, ended_at=None).update(ended_at=moment)
