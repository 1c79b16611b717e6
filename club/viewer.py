"""Who is looking, and when: told to PostgreSQL for the length of one transaction.

Row-level security reads three transaction-local settings. `viewing` puts them there and is the only way
in; a query that runs outside it sees no private row.
"""

import json
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.db import connection, transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.crypto import constant_time_compare

from club.models import ApiToken, Member, digest

WEB, WORKER = "tallow_web", "tallow_worker"


@dataclass(frozen=True)
class Viewer:
    """Everything access depends on, fixed for one request.

    `audiences` are the keys that grants, scopes and policies are matched against: `public`, `guest`,
    `members`, `organisers`, `checkers`, `team:<uuid>`, `member:<uuid>`, and `club`, the scope of evidence
    that all members share. A member belongs to the guests and the public too, because signing out must
    never show more.
    """

    member_id: uuid.UUID | None
    audiences: tuple[str, ...]
    team_ids: tuple[uuid.UUID, ...] = ()
    # Whose entries in events freeze a water where somebody is only seen as, and nobody in person is looking.
    seen_as: uuid.UUID | None = None

    @property
    def angler(self) -> uuid.UUID | None:
        """Return whose entries in events count."""
        return self.member_id or self.seen_as

    @property
    def is_member(self) -> bool:
        return "members" in self.audiences

    @property
    def is_organiser(self) -> bool:
        return "organisers" in self.audiences

    @property
    def is_checker(self) -> bool:
        return "checkers" in self.audiences


PUBLIC = Viewer(None, ("public",))


def viewer_of(member: Member | None) -> Viewer:
    """Return the viewer for a member's account; someone inactive or absent is the public."""
    if member is None or not member.is_active:
        return PUBLIC
    if member.role == Member.Role.GUEST:
        return Viewer(member.id, ("public", "guest", f"member:{member.id}"))
    teams = tuple(member.teams.order_by("id").values_list("id", flat=True))
    audiences = [
        "public",
        "guest",
        "members",
        "club",
        f"member:{member.id}",
        *(f"team:{team}" for team in teams),
    ]
    if member.role == Member.Role.ORGANISER:
        audiences.append("organisers")
    if member.is_checker:
        audiences.append("checkers")
    return Viewer(member.id, tuple(audiences), teams)


@dataclass(frozen=True)
class Freeze:
    """Which waters the viewer sees only as they stood at a cut-off (DESIGN §4).

    `waters` maps a water's id to its cut-off. `side` are the audience keys of the viewer's own side, whose
    new work stays visible: the member and the team they are entered with. `kept` are the audiences that
    the viewer belonged to at the cut-off: a team joined or a trust gained later opens nothing there.
    """

    waters: Mapping[str, datetime] = field(default_factory=dict)
    side: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


THAWED = Freeze()
# Events belong to waters, and waters to another app: `spots` says here what is frozen for a viewer.
freeze_of: list[Callable[[Viewer, datetime], Freeze]] = []
_freeze: ContextVar[Freeze] = ContextVar("freeze", default=THAWED)


def current_freeze() -> Freeze:
    """Return what is frozen for the viewer of the innermost `viewing`."""
    return _freeze.get()


_NAMES = ("role", "tallow.member", "tallow.audiences", "tallow.moment", *(
    _FROZEN := ("tallow.frozen", "tallow.side", "tallow.kept")))  # fmt: skip
_READ = "SELECT " + ", ".join(f"current_setting('{name}', true)" for name in _NAMES)
_WRITE = "SELECT " + ", ".join(f"set_config('{name}', %s, true)" for name in _NAMES)
_FREEZE = "SELECT " + ", ".join(f"set_config('{name}', %s, true)" for name in _FROZEN)


@contextmanager
def _acting(role: str, member: str, audiences: str, moment: str) -> Iterator[None]:
    nested = connection.in_atomic_block
    before = None
    with connection.cursor() as cursor:
        if nested:
            cursor.execute(_READ)
            before = cursor.fetchone()
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute(_WRITE, [role, member, audiences, moment, "", "", ""])
        yield
    if before is not None:
        # A released savepoint keeps what was set in it; a rolled-back one has undone it already.
        with connection.cursor() as cursor:
            cursor.execute(_WRITE, [value or "" for value in before])


@contextmanager
def viewing(viewer: Viewer, moment: datetime) -> Iterator[None]:
    """Run the body in one transaction as the web role, seeing what `viewer` may see at `moment`."""
    member = str(viewer.member_id or "")
    with _acting(WEB, member, " ".join(viewer.audiences), moment.isoformat()):
        freeze = next((found for ask in freeze_of if (found := ask(viewer, moment)).waters), THAWED)
        if freeze.waters:
            _tell_freeze(freeze)
        token = _freeze.set(freeze)
        try:
            yield
        finally:
            _freeze.reset(token)


def _tell_freeze(freeze: Freeze) -> None:
    waters = json.dumps({water: at.isoformat() for water, at in sorted(freeze.waters.items())})
    with connection.cursor() as cursor:
        cursor.execute(_FREEZE, [waters, " ".join(freeze.side), " ".join(freeze.kept)])


@contextmanager
def working(moment: datetime) -> Iterator[None]:
    """Run the body in one transaction as the worker role, whose identity is the role itself."""
    with _acting(WORKER, "", "", moment.isoformat()):
        token = _freeze.set(THAWED)
        try:
            yield
        finally:
            _freeze.reset(token)


class ViewedRequest(HttpRequest):
    """What views receive: Django's request with the viewer and the moment on it."""

    viewer: Viewer
    moment: datetime
    member: Member | None
    user: Member


# The session's flag of projector mode (club/projector.py).
PROJECTOR = "projector"


def _shows_public(request: HttpRequest) -> bool:
    """True when the browser that asks is in projector mode: then nobody is looking, whatever else it sends."""
    return settings.SESSION_COOKIE_NAME in request.COOKIES and bool(request.session.get(PROJECTOR))


# Whoever is waiting for a row that another request writes anyway does not wait.
_USED = (
    "UPDATE club_apitoken SET last_used_on = %s WHERE id ="
    " (SELECT id FROM club_apitoken WHERE id = %s FOR UPDATE SKIP LOCKED)"
)
_SEEN = (
    "UPDATE club_signin SET seen_at = %s WHERE id ="
    " (SELECT id FROM club_signin WHERE id = %s AND ended_at IS NULL FOR UPDATE SKIP LOCKED)"
)
_SEEN_TO = timedelta(hours=1)
_SESSION = (
    "SELECT m.*, s.sign_in, s.seen FROM club_signed_in(%s, %s, %s, %s, %s, %s) s"
    " JOIN club_member m ON m.id = s.member_id WHERE m.id = %s"
)


@dataclass(frozen=True)
class _Caller:
    """Who sent a request, and what is to be written down of it."""

    member: Member | None = None
    bad_token: bool = False
    note: tuple[str, tuple[datetime | date, uuid.UUID]] | None = None


def _caller(request: HttpRequest, moment: datetime) -> _Caller:
    """Return the member behind the session or the token, and whether a token was sent that is no good."""
    if _shows_public(request):
        return _Caller()
    header = request.headers.get("Authorization", "")
    if header.startswith("Token "):
        token = (
            ApiToken.objects.select_related("member")
            .filter(token_digest=digest(header[6:].strip()), revoked_at=None, member__is_active=True)
            .first()
        )
        if token is None:
            return _Caller(bad_token=True)
        today = moment.date()
        return _Caller(token.member, note=None if token.last_used_on == today else (_USED, (today, token.pk)))
    member_id = request.session.get(SESSION_KEY)
    if not member_id or BACKEND_SESSION_KEY not in request.session:
        return _Caller()
    limits = [
        int(limit.total_seconds())
        for role in ("member", "organiser")
        for limit in settings.SESSION_LIMITS[role]
    ]
    key = digest(request.session.session_key or "")
    member = next(iter(Member.objects.raw(_SESSION, [key, moment, *limits, member_id])), None)
    if member is None or not constant_time_compare(
        request.session.get(HASH_SESSION_KEY, ""), member.get_session_auth_hash()
    ):
        return _Caller()
    stale = moment - member.seen >= _SEEN_TO  # type: ignore[attr-defined]
    return _Caller(member, note=(_SEEN, (moment, member.sign_in)) if stale else None)  # type: ignore[attr-defined]


class ViewingMiddleware:
    """Wrap the whole response, rendering included, in `viewing`; undo everything when it fails."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        assert isinstance(request, HttpRequest)  # noqa: S101
        moment = timezone.now()
        with transaction.atomic():
            caller = _caller(request, moment)
            member, request.bad_token = caller.member, caller.bad_token  # type: ignore[attr-defined]
            viewer = viewer_of(member)
            with viewing(viewer, moment):
                if caller.note:
                    with connection.cursor() as cursor:
                        cursor.execute(*caller.note)
                request.member = member  # type: ignore[attr-defined]
                request.viewer = viewer  # type: ignore[attr-defined]
                request.moment = moment  # type: ignore[attr-defined]
                response = self.get_response(request)
                if response.status_code >= 500:
                    transaction.set_rollback(True)
        return response
