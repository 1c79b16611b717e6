"""What happens to people: accounts, invitations, roles, teams, tokens, and the first organiser.

Everything here runs in the viewer's transaction; the database refuses what the viewer may not do as well
(club/policies.py). Errors are `ValidationError` with words for the page.
"""

import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import connection
from django.db.models import F, QuerySet
from django.dispatch import Signal
from django.utils.crypto import constant_time_compare

from club.models import ApiToken, Club, Invitation, Member, Team, TeamMembership, digest
from club.viewer import Viewer, viewer_of, viewing

# Sent inside the transaction in which a member leaves, with `member` and `moment`: an app that keeps
# something of theirs hands it over now.
member_left = Signal()


@contextmanager
def holding(token: str) -> Iterator[None]:
    """Tell the database which invitation or set-up key the visitor holds, by its digest."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('tallow.key', %s, true)", [digest(token) if token else ""])
    try:
        yield
    finally:
        if not connection.needs_rollback:
            with connection.cursor() as cursor:
                cursor.execute("SELECT set_config('tallow.key', '', true)")


@dataclass(frozen=True)
class Account:
    """What someone chooses when they get an account."""

    username: str
    name: str
    password: str


def username_taken(username: str) -> bool:
    return Member.objects.filter(username__iexact=username).exists()


def _create(account: Account, **fields: object) -> Member:
    if username_taken(account.username):
        raise ValidationError({"username": f"“{account.username}” is taken. Choose another."})
    member = Member(username=account.username, name=account.name, **fields)
    member.set_password(account.password)
    member.save(force_insert=True)
    return member


# -- the first organiser


def needs_set_up() -> bool:
    """Return whether nobody can sign in yet: the club is being set up."""
    return not Member.objects.filter(is_active=True).exists()


def _has_organiser() -> bool:
    return Member.objects.filter(role=Member.Role.ORGANISER, is_active=True).exists()


def issue_setup_key() -> str | None:
    """Return a new one-time key for the first organiser, or None when the club has one.

    Makes the club's row, so it runs as the database's owner. An older key stops working.
    """
    if _has_organiser():
        return None
    key = secrets.token_urlsafe(24)
    Club.objects.update_or_create(
        id=1,
        defaults={"setup_key_digest": digest(key)},
        create_defaults={"setup_key_digest": digest(key), "name": "A new club"},
    )
    return key


def setup_key_fits(key: str) -> bool:
    club = Club.objects.first()
    stored = club.setup_key_digest if club else ""
    return bool(stored) and constant_time_compare(stored, digest(key)) and not _has_organiser()


def set_up(key: str, club_name: str, account: Account, moment: datetime) -> Member:
    """Name the club, make its first organiser and use up the key. Raises ValidationError for a bad key."""
    club = Club.objects.select_for_update().first()
    if club is None or not setup_key_fits(key):
        raise ValidationError("This key has been used or replaced.")
    with holding(key):
        member = _create(account, role=Member.Role.ORGANISER, joined_at=moment)
    with viewing(viewer_of(member), moment):
        club.name, club.setup_key_digest = club_name, ""
        club.save(update_fields=["name", "setup_key_digest"])
    return member


# -- invitations


def open_invitations(moment: datetime) -> QuerySet[Invitation]:
    return Invitation.objects.filter(used_at=None, expires_at__gt=moment).select_related("team", "created_by")


def find_invitation(token: str, moment: datetime) -> Invitation | None:
    """Return the open invitation of this token; None when unknown, used, expired or withdrawn."""
    with holding(token):
        return open_invitations(moment).filter(token_digest=digest(token)).first()


def accept_invitation(token: str, account: Account, moment: datetime) -> Member:
    """Make the account that an invitation promises, and use it up. Raises Invitation.DoesNotExist."""
    with holding(token):
        # The row lock makes it work once: whoever comes second waits here, then finds it used.
        invitation = (
            Invitation.objects.select_for_update()
            .filter(token_digest=digest(token), used_at=None, expires_at__gt=moment)
            .get()
        )
        member = _create(
            account,
            role=invitation.role,
            is_checker=invitation.is_checker,
            guardian_id=invitation.guardian_id,
            joined_at=moment,
        )
        if invitation.team_id:
            TeamMembership.objects.create(team_id=invitation.team_id, member=member)
        invitation.used_at, invitation.used_by = moment, member
        invitation.save(update_fields=["used_at", "used_by"])
    return member


def withdraw_invitation(invitation: Invitation, moment: datetime) -> None:
    Invitation.objects.filter(pk=invitation.pk, used_at=None, expires_at__gt=moment).update(expires_at=moment)


# -- roles, and leaving


def _lock_club() -> None:
    # Role changes go one after the other: two organisers who step down together must not leave none.
    Club.objects.select_for_update().first()


def _keep_an_organiser(member: Member) -> None:
    if member.role != Member.Role.ORGANISER or not member.is_active:
        return
    others = Member.objects.filter(role=Member.Role.ORGANISER, is_active=True).exclude(pk=member.pk)
    if not others.exists():
        raise ValidationError(f"{member.name} is the only organiser. Make someone else an organiser first.")


def sole_organiser() -> bool:
    """Return whether the club hangs on one person."""
    return Member.objects.filter(role=Member.Role.ORGANISER, is_active=True).count() == 1


def set_role(member: Member, role: str, is_checker: bool, guardian: Member | None = None) -> None:
    """Change what a member may do; a guardian makes them a junior.

    Raises ValidationError for the last organiser, for a checking guest, and for a junior with an office.
    """
    _lock_club()
    if role == Member.Role.GUEST and is_checker:
        raise ValidationError("A guest cannot check proofs. Make them a member, or take the checking away.")
    if guardian and (role == Member.Role.ORGANISER or is_checker):
        raise ValidationError("A junior neither organises nor checks.")
    if guardian and (guardian.guardian_id or guardian.pk == member.pk or not guardian.is_active):
        raise ValidationError("A junior’s guardian is another member, and no junior.")
    if guardian and Member.objects.filter(guardian=member, is_active=True).exists():
        raise ValidationError(f"{member.name} is a guardian, and so no junior.")
    if role != Member.Role.ORGANISER:
        _keep_an_organiser(member)
    member.role, member.is_checker, member.guardian = role, is_checker, guardian
    member.save(update_fields=["role", "is_checker", "guardian"])


def end_membership(member: Member, moment: datetime) -> None:
    """Make someone a former member: sessions, tokens and team places end at once."""
    _lock_club()
    _keep_an_organiser(member)
    end_sessions(member)
    member.tokens.filter(revoked_at=None).update(revoked_at=moment)
    for place in TeamMembership.objects.filter(member=member).select_related("team"):
        _take_out(place)
    member.is_active, member.left_at, member.is_checker = False, moment, False
    member.save(update_fields=["is_active", "left_at", "is_checker"])
    member_left.send(Member, member=member, moment=moment)


def take_back(member: Member) -> None:
    """Let a former member in again, as a member without a team; the old password works."""
    if member.left_at is None:
        raise ValidationError(f"{member.name} has not left.")
    member.is_active, member.left_at = True, None
    member.role = Member.Role.GUEST if member.role == Member.Role.GUEST else Member.Role.MEMBER
    member.save(update_fields=["is_active", "left_at", "role"])


def end_sessions(member: Member) -> None:
    """End all of a member's sessions; whoever asks for their own is signed in anew by the page."""
    Member.objects.filter(pk=member.pk).update(session_epoch=F("session_epoch") + 1)
    member.refresh_from_db(fields=["session_epoch"])


# -- teams


def lets_in(viewer: Viewer, team: Team) -> bool:
    """Return whether the viewer may bring people into a team.

    Its captain says who joins; an organiser may while it has no captain. Whoever is in a team sees its spots.
    """
    captains = set(captains_of(team))
    return viewer.member_id in captains if captains else viewer.is_organiser


def captains_of(team: Team) -> list[object]:
    places = TeamMembership.objects.filter(team=team, is_captain=True)
    return list(places.values_list("member_id", flat=True))


def leads(viewer: Viewer, team: Team) -> bool:
    """Return whether the viewer may open a team's page: its captain, and the organiser."""
    return viewer.is_organiser or viewer.member_id in captains_of(team)


def create_team(name: str) -> Team:
    if Team.objects.filter(name__iexact=name).exists():
        raise ValidationError({"name": f"There is already a team “{name}”."})
    return Team.objects.create(name=name)


def add_to_team(viewer: Viewer, team: Team, member: Member) -> None:
    if not lets_in(viewer, team):
        raise ValidationError(f"The captain of {team} says who joins.")
    if not member.is_active or member.role == Member.Role.GUEST:
        raise ValidationError(f"{member.name} is not a member of the club.")
    TeamMembership.objects.get_or_create(team=team, member=member)


def make_captain(viewer: Viewer, place: TeamMembership) -> None:
    """Hand a team to one of its members. Once it has a captain, only the captain hands it on."""
    if not lets_in(viewer, place.team):
        raise ValidationError(f"Only the captain of {place.team} hands it on.")
    # The new one first: a captain who has stepped down could not appoint anybody.
    TeamMembership.objects.filter(pk=place.pk).update(is_captain=True)
    others = TeamMembership.objects.filter(team=place.team, is_captain=True).exclude(pk=place.pk)
    others.update(is_captain=False)


def remove_from_team(viewer: Viewer, place: TeamMembership) -> None:
    """Take someone out of a team. A captain hands the team on first, unless they are its last member."""
    if place.is_captain and TeamMembership.objects.filter(team=place.team).count() > 1:
        raise ValidationError(f"{place.member} is the captain. The captain hands the team on first.")
    if place.is_captain and viewer.member_id != place.member_id:
        raise ValidationError(f"{place.member} is the captain, and alone in the team.")
    place.delete()


def _take_out(place: TeamMembership) -> None:
    """Take out someone who leaves the club; a captain's place goes to whoever has been in longest."""
    if place.is_captain:
        heir = TeamMembership.objects.filter(team=place.team).exclude(pk=place.pk).order_by("pk").first()
        if heir:
            TeamMembership.objects.filter(pk=heir.pk).update(is_captain=True)
    place.delete()


# -- tokens


def revoke_token(token: ApiToken, moment: datetime) -> None:
    ApiToken.objects.filter(pk=token.pk, revoked_at=None).update(revoked_at=moment)
