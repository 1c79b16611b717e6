"""The fixed cast of every test, and a small club for them to meet in.

organiser   keeps the club. Owns nothing of their own.
checker     a member trusted to confirm proofs.
member      owns a private spot, and logs most looks.
teammate    fishes in Team Alder.
captain     leads Team Alder.
rival       fishes in Team Bittern.
newcomer    a member without a team.
guest       invited, not a member.
nobody      signed out (None).
"""

import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import pytest
from django.apps import apps
from django.contrib.gis.geos import MultiPolygon, Point, Polygon
from django.db import connection
from django.test import Client, override_settings
from django.utils import timezone

from club.models import Club, Member, Team, TeamMembership
from club.viewer import Viewer, viewer_of, viewing
from observations.models import Observation, Species
from observations.services import FindingDraft, GroupDraft, LookDraft, record_look
from spots.models import Spot, Water
from spots.services import SpotDraft, create_spot, save_water
from tests.standing import Ready

PERSONAS = ("organiser", "checker", "member", "teammate", "captain", "rival", "newcomer", "guest", "nobody")
QUICK_HASHER = "django.contrib.auth.hashers.MD5PasswordHasher"
NOON = datetime(2026, 6, 15, 17, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _quick_and_apart(settings: Any, tmp_path_factory: pytest.TempPathFactory) -> None:
    settings.PASSWORD_HASHERS = [QUICK_HASHER]
    settings.MEDIA_ROOT = tmp_path_factory.mktemp("media")
    # Waiting is for clocks outside; tests/leaks/test_timing.py measures with it.
    settings.NOT_FOUND_TICK_S = 0
    # By chance, one look in ten would ask for the camera; tests of that say so.
    settings.CAMERA_CHECK_ODDS = 0.0
    # By chance, one verified proof in twenty would come back to another checker.
    settings.RECHECK_ODDS = 0.0
    # Static files come from their sources: a test needs no collectstatic.
    settings.WHITENOISE_USE_FINDERS = settings.WHITENOISE_AUTOREFRESH = True
    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }


_PUBLISHED = "SELECT minimum_ha, number, squares::text, water_ha FROM spots_zone WHERE water_id = %s"
_PUBLISH = """
    INSERT INTO spots_zone (id, water_id, minimum_ha, number, squares, water_ha)
    SELECT z.id, %s, z.minimum_ha, z.number, z.squares::geometry, z.water_ha
    FROM unnest(%s::uuid[], %s::int[], %s::int[], %s::text[], %s::float8[])
        AS z (id, minimum_ha, number, squares, water_ha)
"""


@pytest.fixture(scope="session", autouse=True)
def _cut_each_water_once() -> Iterator[None]:
    """Publish a water's 2,000 zones as the first test did that asked for the same cut: most tests begin so.

    Cutting is pure. What is asked of it is the cut itself, or the zones of a water that has none yet.
    """
    from spots import services, zones

    cut, publish = zones.cut_zones, zones.publish_zones
    known: dict[Any, Any] = {}
    published: dict[Any, list[tuple[Any, ...]]] = {}

    def remember(outline: Any, ladder: Any, low: Any = None) -> Any:
        key = (outline.wkb, tuple(ladder), low.wkb if low is not None else None)
        if key not in known:
            known[key] = cut(outline, ladder, low)
        return known[key]

    def publish_again(water: Water) -> int:
        if water.outline is None or water.zones.exists():
            return publish(water)
        key = (bytes(water.outline.wkb), bytes(water.low_outline.wkb) if water.low_outline else None)
        with connection.cursor() as cursor:
            if key not in published:
                publish(water)
                cursor.execute(_PUBLISHED, [water.pk])
                published[key] = cursor.fetchall()
            else:
                rows = published[key]
                columns = [list(column) for column in zip(*rows, strict=True)]
                cursor.execute(_PUBLISH, [water.pk, [uuid.uuid4() for _ in rows], *columns])
        return len(published[key])

    zones.cut_zones, services.publish_zones = remember, publish_again
    yield
    zones.cut_zones, services.publish_zones = cut, publish


@dataclass
class Cast:
    """The people, by persona; `nobody` is None."""

    organiser: Member
    checker: Member
    member: Member
    teammate: Member
    captain: Member
    rival: Member
    newcomer: Member
    guest: Member
    alder: Team
    bittern: Team
    nobody: None = None

    def viewer(self, persona: str) -> Viewer:
        return viewer_of(getattr(self, persona))


def fill_reference_data() -> None:
    """Lay again what migrations laid and the flush after a transactional test took: species, terms, policy."""
    if Species.objects.exists():
        return
    for module, function in (
        ("club.migrations.0002_suggested_policy", "suggest"),
        ("spots.migrations.0002_terms", "fill"),
        ("observations.migrations.0002_species", "fill"),
    ):
        getattr(import_module(module), function)(apps, None)


@pytest.fixture(scope="session")
def ready(django_db_setup: None, django_db_blocker: Any, _cut_each_water_once: None) -> Iterator[Ready]:
    """The databases that hold the cast, the water and the places, made when a test first asks for them."""
    with django_db_blocker.unblock():
        ready = Ready(
            {
                "cast": make_cast,
                "water": lambda cast: make_water(),
                "places": make_places,
            }
        )
    yield ready
    with django_db_blocker.unblock():
        ready.leave()


@pytest.fixture
def _django_db_helper(request: pytest.FixtureRequest, _enter: None, _django_db_helper: None) -> None:
    """Open pytest-django's transaction in the database chosen before it."""


@pytest.fixture
def _enter(request: pytest.FixtureRequest, ready: Ready, django_db_blocker: Any) -> None:
    marker = request.node.get_closest_marker("django_db")
    commits = {"transactional_db", "live_server"} & set(request.fixturenames) or (
        marker and marker.kwargs.get("transaction")
    )
    with django_db_blocker.unblock(), override_settings(PASSWORD_HASHERS=[QUICK_HASHER]):
        ready.enter(set() if commits else set(request.fixturenames))


@pytest.fixture
def cast(db: None, ready: Ready) -> Cast:
    return ready.holding("cast") or make_cast()


def make_cast() -> Cast:
    """Found the club and let everybody in."""
    fill_reference_data()
    Club.objects.create(name="Test club")
    people: dict[str, Member] = {}
    for name in PERSONAS[:-1]:
        role = {"organiser": "organiser", "guest": "guest"}.get(name, "member")
        people[name] = Member.objects.create_user(
            name, "tallow-" + name, name=name.capitalize(), role=role, is_checker=name == "checker"
        )
    alder = Team.objects.create(name="Team Alder")
    bittern = Team.objects.create(name="Team Bittern")
    TeamMembership.objects.create(team=alder, member=people["captain"], is_captain=True)
    TeamMembership.objects.create(team=alder, member=people["teammate"])
    TeamMembership.objects.create(team=bittern, member=people["rival"], is_captain=True)
    return Cast(**people, alder=alder, bittern=bittern)


def square_outline(west: float, south: float, size: float = 0.06) -> MultiPolygon:
    ring = Polygon.from_bbox((west, south, west + size, south + size))
    return MultiPolygon(ring, srid=4326)


@pytest.fixture
def water(cast: Cast, ready: Ready) -> Water:
    return ready.holding("water") or make_water()


def make_water() -> Water:
    """A square lake of some 3,150 ha at 45 degrees north."""
    return save_water(
        Water(name="Test water", time_zone="America/Chicago", outline=square_outline(-93.30, 45.00))
    )


@dataclass
class Places:
    """Spots of each kind of owner and sharing; names say which."""

    club: Spot  # the club's: exact to organisers, by policy an area to members
    shared: Spot  # the club's, exact to all members
    private: Spot  # `member`'s own, hidden from everybody else
    team: Spot  # Team Alder's


def see(cast: Cast, persona: str, moment: datetime | None = None) -> Any:
    """The context in which queries run as this persona's web request would."""
    return viewing(cast.viewer(persona), moment or timezone.now())


@pytest.fixture
def places(cast: Cast, water: Water, ready: Ready) -> Places:
    return ready.holding("places") or make_places(cast, water)


def make_places(cast: Cast, water: Water) -> Places:
    """Place a spot of each kind, each by somebody who may."""

    def make(persona: str, scope: str, name: str, lon: float, lat: float, **more: Any) -> Spot:
        draft = SpotDraft(water=water, name=name, scope=scope, point=Point(lon, lat, srid=4326), **more)
        with see(cast, persona):
            return create_spot(draft, cast.viewer(persona), timezone.now())[0]

    return Places(
        club=make(
            "organiser", "club", "Canary Club Crib", -93.276713, 45.021137, cover="crib", depth_min_m=5.0
        ),
        shared=make(
            "organiser",
            "club",
            "Canary Shared Pile",
            -93.265951,
            45.044379,
            cover="brush pile",
            grants=(("public", None), ("guest", None), ("members", 3)),
        ),
        private=make(
            "member",
            f"member:{cast.member.pk}",
            "Canary Private Laydown",
            -93.287531,
            45.032717,
            cover="laydown",
        ),
        team=make("captain", f"team:{cast.alder.pk}", "Canary Team Ledge", -93.254839, 45.013363),
    )


@pytest.fixture
def client_of(cast: Cast) -> Callable[[str], Client]:
    """Return a signed-in client of a persona."""

    def make(persona: str, **options: Any) -> Client:
        client = Client(**options)
        if (person := getattr(cast, persona)) is not None:
            client.force_login(person)
        return client

    return make


def look(cast: Cast, persona: str, spot: Spot, method: str, at: datetime, **more: Any) -> Observation:
    """Record a look as that persona would."""
    draft = LookDraft(
        spot=spot,
        observer=getattr(cast, persona),
        method=method,
        started_at=at,
        **{"id": uuid.uuid4(), **more},
    )
    with see(cast, persona):
        return record_look(draft, cast.viewer(persona), timezone.now())


def sonar(
    call: str = "", probability: float | None = None, count: int = 5, **more: Any
) -> tuple[GroupDraft, ...]:
    return (GroupDraft(count=count, call=call, probability=probability, **more),)


def found(species: str, count: int = 1, **more: Any) -> tuple[FindingDraft, ...]:
    return (FindingDraft(species=species, count=count, **more),)


@pytest.fixture
def quiet_queue(monkeypatch: pytest.MonkeyPatch) -> Iterator[SimpleNamespace]:
    """Keep the queue out of tests that do not drive the worker; count the wakes."""
    from observations import jobs

    calls = SimpleNamespace(wakes=0)

    def count() -> None:
        calls.wakes += 1

    monkeypatch.setattr(jobs.refresh_due, "delay", count)
    monkeypatch.setattr(jobs.make_small_pictures, "delay", lambda: None)
    yield calls


DAY = timedelta(days=1)
