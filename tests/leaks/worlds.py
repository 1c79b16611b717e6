"""A whole club in a database of its own, filled once and then only asked.

Inside the database, a test runs in a transaction that is rolled back, exactly as Django's own TestCase does.
"""

import io
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from django.conf import settings
from django.contrib.gis.geos import Point
from django.db import transaction
from django.test import Client, override_settings
from django.utils import timezone
from PIL import Image

from club import people
from club.models import ApiToken, Level, Member, TeamMembership
from observations import jobs
from observations.clearing import clear, offer
from observations.debrief.packing import pack
from observations.debrief_models import DebriefDraft, DebriefPicture, Track
from observations.files.track import track_of
from observations.models import Confirmation, Finding, Observation, Picture, Trip
from observations.pictures import clean_picture, store, write
from observations.services import confirm
from spots.models import Grant, Sheet, Water
from tests.conftest import (
    PERSONAS,
    Cast,
    Places,
    found,
    look,
    make_cast,
    make_places,
    make_water,
    see,
    sonar,
)
from tests.leaks.canaries import CANARIES
from tests.spots.event_kit import enter, make_event
from tests.standing import using

Ids = dict[str, Any]
HOUR = timedelta(hours=1)
# When the looks began: on another day than anything else.
BEFORE = timedelta(days=3, hours=5)


@dataclass
class World:
    """One club: its database, its people and places, and the ways in."""

    name: str
    media: Path
    moment: datetime
    cast: Cast
    places: Places
    ids: Ids
    sessions: dict[str, str] = field(default_factory=dict)
    tokens: dict[str, str] = field(default_factory=dict)

    def client(self, persona: str, **options: Any) -> Client:
        """Return a client with the session or the token that the persona has had since the world began."""
        who = persona.removesuffix(" by token")
        if who != persona:
            headers = {"Authorization": f"Token {self.tokens[who]}", **options.pop("headers", {})}
            return Client(headers=headers, **options)
        client = Client(**options)
        if who in self.sessions:
            client.cookies[settings.SESSION_COOKIE_NAME] = self.sessions[who]
        return client


@contextmanager
def undone() -> Iterator[None]:
    """Run the body and undo all that it wrote."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def build(name: str, media: Path) -> World:
    """Fill the database `name`, a fresh clone of the test database, as its owner."""
    moment = timezone.now()
    with (
        using(name),
        override_settings(
            MEDIA_ROOT=media, PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"]
        ),
    ):
        cast = make_cast()
        places = make_places(cast, make_water())
        _write_notes(places)
        world = World(name, media, moment, cast, places, {})
        _let_former_people_in(world)
        # So that histories are published, which otherwise need three contributors.
        Member.objects.update(shares_thin_history=True)
        world.ids = fill(cast, places, moment)
        _send_former_people_away(world)
    return world


def _write_notes(places: Places) -> None:
    for name in ("club", "shared", "private", "team"):
        notes, permission = CANARIES[name].words
        Sheet.objects.filter(spot=getattr(places, name)).update(
            notes=notes, permission=permission, rest_until=date(2035, 6, 7), come_back={"wind": notes}
        )


def _let_former_people_in(world: World) -> None:
    """Open a session and a token for everybody, those who will lose their rights included."""
    cast = world.cast
    signed_in = {name: getattr(cast, name) for name in PERSONAS[:-1]}
    for name, role, checks in (
        ("removed", "member", False),
        ("demoted", "member", True),
        ("lapsed", "guest", False),
    ):
        signed_in[name] = Member.objects.create_user(
            name, "tallow-" + name, name=name.capitalize(), role=role, is_checker=checks
        )
    TeamMembership.objects.create(team=cast.alder, member=signed_in["removed"])
    for name, person in signed_in.items():
        client = Client()
        client.force_login(person)
        world.sessions[name] = client.cookies[settings.SESSION_COOKIE_NAME].value
        world.tokens[name] = ApiToken.issue(person, "script")[1]
    for name in ("removed", "lapsed"):
        Grant.objects.create(
            spot=world.places.private,
            audience=f"member:{signed_in[name].pk}",
            level=Level.EXACT,
            owner=world.places.private.owner,
            water_id=world.places.private.water_id,
            starts_at=world.moment - timedelta(days=9),
            ends_at=world.moment - timedelta(hours=1) if name == "lapsed" else None,
        )


def _send_former_people_away(world: World) -> None:
    with transaction.atomic():
        people.end_membership(Member.objects.get(username="removed"), world.moment)
        people.set_role(Member.objects.get(username="demoted"), Member.Role.MEMBER, False)


def fill(cast: Cast, places: Places, now: datetime) -> Ids:
    """Fill a club in which every kind of thing exists, so that every address has something to show."""
    note = {name: CANARIES[name].name for name in CANARIES}
    owners = (
        ("organiser", places.club, ""),
        ("member", places.shared, note["club look"]),
        ("member", places.private, note["look at the private spot"]),
        ("captain", places.team, note["look at the team's spot"]),
    )
    for persona, spot, words in owners:
        look(cast, persona, spot, "2d", now - BEFORE, groups=sonar("white-crappie", 0.7), note=words)
        look(cast, persona, spot, "camera", now - BEFORE + HOUR, minutes=6, findings=found("bluegill", 2))
    for persona, scope, words in (
        ("member", f"member:{cast.member.pk}", note["private look"]),
        ("captain", f"team:{cast.alder.pk}", note["team look"]),
    ):
        look(
            cast, persona, places.shared, "camera", now - BEFORE + 2 * HOUR, minutes=6, scope=scope, note=words,
            findings=found("channel-catfish", 1),
        )  # fmt: skip
    proof = Finding.objects.get(observer=cast.organiser)
    with see(cast, "checker"):
        confirm(proof, cast.checker, proof.species_id, "confirmed", "", now)
    jobs.refit()
    ours, own = (
        Finding.objects.filter(observer=cast.member, scope=scope).order_by("pk")[0]
        for scope in ("club", f"member:{cast.member.pk}")
    )
    pictures = [_picture(cast, finding, now) for finding in (ours, own, own)]
    return {
        "spots": [places.club.pk, places.shared.pk, places.private.pk, places.team.pk],
        "water": places.club.water_id,
        "findings": list(Finding.objects.order_by("pk").values_list("pk", flat=True)),
        "looks": list(Observation.objects.order_by("pk").values_list("pk", flat=True)),
        "picture": pictures[0].pk,
        "private picture": pictures[1].pk,
        **_cleared(cast, *pictures[1:], now),
        "confirmation": proof.confirmations.get().pk,
        "member": cast.member.pk,
        "team": cast.alder.pk,
        "events": _events(cast, places, now),
        **_debrief(cast, places, now),
    }


def _picture(cast: Cast, finding: Finding, now: datetime) -> Picture:
    data = io.BytesIO()
    Image.new("RGB", (640, 480), "navy").save(data, "PNG")
    data.seek(0)
    name = f"{CANARIES['file name'].name}.png"
    with see(cast, "member"):
        (picture,) = store([(clean_picture(data, name), finding)], finding.look, cast.member, now)
    return picture


def _cleared(cast: Cast, waiting: Picture, picture: Picture, now: datetime) -> Ids:
    """A picture that the member keeps to themselves is cleared for everybody, and named; of another, only offered."""
    with see(cast, "member"):
        clearance = offer(cast.viewer("member"), picture, now)
        offered = offer(cast.viewer("member"), waiting, now)
    with see(cast, "checker"):
        copy = clear(cast.viewer("checker"), clearance, now)
    Confirmation.objects.create(
        finding=picture.finding,
        checker=cast.teammate,
        named_species=picture.finding.species,
        decision="confirmed",
    )
    return {"original": picture.pk, "cleared": copy.pk, "offered": offered.pk}


def _debrief(cast: Cast, places: Places, now: datetime) -> Ids:
    """A day of `member`'s with a stop at the private spot, a waypoint and a picture there."""
    at = CANARIES["private"]
    assert at.lon is not None and at.lat is not None
    place = Point(at.lon, at.lat, srid=4326)
    with see(cast, "member"):
        own: Any = {
            "member": cast.member,
            "trip": Trip.objects.create(member=cast.member, water=places.club.water, started_at=now - BEFORE),
        }
        began = (now - BEFORE).timestamp()
        columns = {"time": [began, began + 3600], "lat": [at.lat, at.lat], "lon": [at.lon, at.lon]}
        columns |= {key: [1.0, 2.0] for key in ("speed", "depth", "temperature")}
        Track.objects.create(
            **own,
            started_at=now - BEFORE,
            ended_at=now - BEFORE + HOUR,
            fixes=2,
            packed=pack(track_of({name: np.array(values) for name, values in columns.items()})),
            searching_s=1234,
        )
        for kind, name in (("stop", ""), ("waypoint", CANARIES["waypoint"].name)):
            draft = DebriefDraft.objects.create(
                **own, kind=kind, name=name, place=place, spot=places.private, away_m=3,
                started_at=now - BEFORE, ended_at=now - BEFORE + HOUR,
            )  # fmt: skip
        row = DebriefPicture(**own, draft=draft, width=64, height=48, digest="0" * 64, place=place)
        data = io.BytesIO()
        Image.new("RGB", (64, 48), "teal").save(data, "PNG")
        data.seek(0)
        write(row.stored(), clean_picture(data, "x.png"))
        row.save(force_insert=True)
    return {"debrief": own["trip"].pk, "debrief picture": row.pk}


def _events(cast: Cast, places: Places, now: datetime) -> list[uuid.UUID]:
    """One event that comes, and one past its cut-off, with an angler of each team entered.

    The second freezes a water of its own: on the canaries' it would hide them from half the personas, and
    the walk would find less (tests/spots/test_a_cut_off_freezes_a_water.py is about that).
    """
    made = []
    for days, water in ((5, places.club.water), (-1, Water.objects.create(name="Another water"))):
        event = make_event(
            water,
            fishing_from=(now + timedelta(days=8)).date(),
            fishing_until=(now + timedelta(days=9)).date(),
            cutoff_at=now + timedelta(days=days),
            ends_at=now + timedelta(days=10),
            deputy=cast.newcomer,
        )
        for person, team in ((cast.captain, cast.alder), (cast.rival, cast.bittern)):
            enter(event, person, team, entered_at=now - timedelta(days=2))
        made.append(event.pk)
    return made
