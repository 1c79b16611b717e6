"""Juniors: members with a guardian. Strict and simple, and kept by the database.

A junior's row in the members' table says “A junior”, so no page, export or certificate can name them. Their
name stands in a table of its own that the junior, the guardian, organisers and the junior's own team read.
A junior's own spots are shown exactly to nobody but the guardian and the junior's own team.
"""

import uuid
from collections.abc import Iterable

from django.db.models import QuerySet

from club.account_models import JuniorName
from club.models import Level, Member, TeamMembership

REFUSED = (
    "A junior’s spot is shown exactly to the guardian and the junior’s own team alone."
    " Say water or area, not exact and not the club’s default."
)


def reveal(members: Iterable[Member]) -> None:
    """Give the juniors among these their names, as far as the viewer may know them. Do not save them after."""
    juniors = [member for member in members if member.guardian_id]
    if not juniors:
        return
    names = dict(
        JuniorName.objects.filter(member__in=[junior.pk for junior in juniors]).values_list("member", "name")
    )
    for junior in juniors:
        if name := names.get(junior.pk):
            junior.name = f"{name} (junior)"


def own_name(member: Member) -> str:
    """Return a junior's own name, for the form in which they change it; anybody else's as it is."""
    row = JuniorName.objects.filter(member=member).first() if member.guardian_id else None
    return row.name if row else member.name


def wards_of(member: Member) -> QuerySet[Member]:
    return Member.objects.filter(guardian=member, is_active=True)


def exact_audiences(owner: str) -> frozenset[str] | None:
    """Return to whom this owner's spots may be shown exactly; None where no junior owns them.

    `owner` is an audience key. The database asks the same again (spots/junior_policies.py).
    """
    kind, _, text = owner.partition(":")
    if kind != "member":
        return None
    key = uuid.UUID(text)
    guardian = Member.objects.filter(pk=key).values_list("guardian", flat=True).first()
    if guardian is None:
        return None
    teams = TeamMembership.objects.filter(member=key).values_list("team", flat=True)
    return frozenset({owner, f"member:{guardian}", *(f"team:{team}" for team in teams)})


def too_wide(allowed: frozenset[str] | None, sights: Iterable[tuple[str, int | None]]) -> bool:
    """Return whether one of these sights, as (audience, level), is more than a junior may give.

    No level stands for the club's default, which may be exact one day.
    """
    return allowed is not None and any(
        (level is None or level >= Level.EXACT) and audience not in allowed for audience, level in sights
    )
