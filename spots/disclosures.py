"""Reading the log of exact positions shown: what the daily cap holds back, and who saw whose spots."""

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.http import HttpResponse

from club.models import Club, Member
from spots.disclosure_models import NOBODY, CapReached, Channel, Disclosure

HEADER = "Tallow-Held-Back"
CHANNELS = {channel.value: str(channel.label) for channel in Channel}


@dataclass(frozen=True)
class HeldBack:
    """How many positions are held back on a page, the club's cap, and whom to ask."""

    number: int
    cap: int
    ask: list[str]

    @property
    def words(self) -> str:
        """Say it in one plain paragraph, for a page and for a file."""
        one = self.number == 1
        return (
            f"{self.number} position{' is' if one else 's are'} held back until tomorrow (00:00 UTC) and shown as"
            f" {'its zone' if one else 'their zones'}. {self.why}"
        )

    @property
    def why(self) -> str:
        """Say why, and whom to ask; chart.js says the rest."""
        ask = f": {', '.join(self.ask)}" if self.ask else ""
        return (
            f"You have opened {self.cap} new position{'s' if self.cap != 1 else ''} today, as many as the club allows"
            f" in one day. Sooner? Ask the spot’s owner, or an organiser{ask}."
        )


def held_back(number: int) -> HeldBack | None:
    """Return what to say of `number` spots held back, or None when there are none."""
    club = Club.objects.first() if number else None
    if club is None:
        return None
    organisers = Member.objects.filter(role=Member.Role.ORGANISER, is_active=True)
    return HeldBack(number, club.openings_per_day, list(organisers.values_list("name", flat=True)))


def tell_held_back(response: HttpResponse, number: int) -> None:
    """Say in a header how many positions of an answer are held back until tomorrow."""
    if number:
        response[HEADER] = str(number)


@dataclass(frozen=True)
class Seen:
    """One person's sight of one spot: by which channels, on which days (newest first)."""

    who: str
    channels: list[str]
    days: list[date]
    is_former: bool

    @property
    def last(self) -> date:
        return self.days[0]

    @property
    def first(self) -> date:
        return self.days[-1]


def name_of(viewer_id: uuid.UUID, people: dict[uuid.UUID, Member]) -> str:
    if viewer_id == NOBODY:
        return "anyone, signed out"
    person = people.get(viewer_id)
    return person.name if person else "somebody who has left"


def people_of(rows: Iterable[Disclosure | CapReached]) -> dict[uuid.UUID, Member]:
    return Member.objects.in_bulk({row.viewer_id for row in rows})


def seen_of(spot_ids: Sequence[uuid.UUID], reader_id: uuid.UUID) -> dict[uuid.UUID, list[Seen]]:
    """Return who was shown each of these spots, the latest first; the reader's own openings are left out."""
    rows = list(Disclosure.objects.filter(spot_id__in=spot_ids).exclude(viewer_id=reader_id))
    people = people_of(rows)
    by_pair: dict[tuple[uuid.UUID, uuid.UUID], list[Disclosure]] = {}
    for row in rows:
        by_pair.setdefault((row.spot_id, row.viewer_id), []).append(row)
    out: dict[uuid.UUID, list[Seen]] = {}
    for (spot_id, viewer), found in by_pair.items():
        used = {row.channel for row in found}
        out.setdefault(spot_id, []).append(
            Seen(
                who=name_of(viewer, people),
                channels=[label for channel, label in CHANNELS.items() if channel in used],
                days=sorted({row.day for row in found}, reverse=True),
                is_former=viewer in people and people[viewer].left_at is not None,
            )
        )
    for seen in out.values():
        seen.sort(key=lambda one: (-one.last.toordinal(), one.who))
    return out


@dataclass(frozen=True)
class Leaver:
    """A former member, and the spots whose exact positions they had been shown."""

    who: str
    left: date
    spots: list[uuid.UUID]


def leavers(spot_ids: Sequence[uuid.UUID]) -> list[Leaver]:
    """Return who of those who saw these spots exactly has left the club, the latest first."""
    opened: dict[uuid.UUID, set[uuid.UUID]] = {}
    for viewer, spot in Disclosure.objects.filter(spot_id__in=spot_ids).values_list("viewer_id", "spot_id"):
        opened.setdefault(viewer, set()).add(spot)
    gone = Member.objects.filter(pk__in=list(opened)).exclude(left_at=None).order_by("-left_at", "pk")
    return [
        Leaver(person.name, person.left_at.date(), [key for key in spot_ids if key in opened[person.pk]])
        for person in gone
        if person.left_at
    ]


@dataclass(frozen=True)
class Alert:
    """Somebody opened as many new positions in a day as the club allows."""

    who: str
    day: date
    opened: int


def alerts(most: int = 30) -> list[Alert]:
    """Return the latest alerts that the viewer is told of: an organiser all, an owner those about own spots."""
    rows = list(CapReached.objects.all()[:most])
    people = people_of(rows)
    return [Alert(name_of(row.viewer_id, people), row.day, row.opened) for row in rows]
