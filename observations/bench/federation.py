"""A synthetic federation: waters, members, teams, spots, grants of every kind, histories. All invented.

Everything is drawn from one seed, so that two runs measure the same rows. Looks are not seeded yet: what is
measured so far reads histories, which stand here as a refit would have left them.
"""

import math
import random
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.contrib.gis.geos import MultiPolygon, Point, Polygon
from django.db import connection

from club.models import Club, Level, Member, Team, TeamMembership
from observations.models import Refit
from spots.models import Grant, Position, Sheet, Spot, Water
from spots.services import save_water
from spots.zones import publish_spots

SPECIES = ("largemouth-bass", "white-crappie", "bluegill")
COVERS = ("brush pile", "stake bed", "crib", "laydown", "dock", "rock pile")


@dataclass(frozen=True)
class Size:
    waters: int
    spots: int  # on each water
    members: int
    teams: int
    looks: int  # laid for one look's refresh, and of the inference's own clubs, which are arrays
    refit_looks: int  # of the larger of the two clubs that are refitted

    @property
    def all_spots(self) -> int:
        return self.waters * self.spots


FULL = Size(waters=20, spots=1000, members=300, teams=40, looks=1_000_000, refit_looks=1_000_000)
QUICK = Size(waters=2, spots=60, members=12, teams=3, looks=3_000, refit_looks=800)


@dataclass(frozen=True)
class Federation:
    size: Size
    moment: datetime
    waters: list[Water]
    members: list[Member]
    teams: list[Team]


def seed(size: Size, moment: datetime, tell: Callable[[str], None] = lambda text: None) -> Federation:
    """Seed an empty, migrated database, as its owner."""
    draw = random.Random(20260925)  # noqa: S311 - a repeatable draw, nothing to guess
    Club.objects.update_or_create(id=1, defaults={"name": "Bench federation"})
    members = [
        Member(
            id=_key(draw),
            username=f"angler{n}",
            name=f"Angler {n}",
            role="organiser" if n == 0 else "member",
            password="!",  # noqa: S106 - nobody can sign in with it
        )
        for n in range(size.members)
    ]
    Member.objects.bulk_create(members)
    teams = [Team(id=_key(draw), name=f"Team {n}") for n in range(size.teams)]
    Team.objects.bulk_create(teams)
    TeamMembership.objects.bulk_create(
        TeamMembership(team=teams[n % size.teams], member=member) for n, member in enumerate(members[1:])
    )
    waters = []
    for n in range(size.waters):
        water = save_water(
            Water(
                id=_key(draw),
                name=f"Water {n}",
                outline=_outline(draw, -93 + n % 5 * 0.2, 44 + n // 5 * 0.2),
                time_zone="UTC",
            )
        )
        waters.append(water)
        _spots(draw, water, size, members, teams, moment)
        tell(f"{water.name}: {water.zones.count()} zones, {size.spots} spots")
    federation = Federation(size, moment, waters, members, teams)
    _histories(federation)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    return federation


def _key(draw: random.Random) -> uuid.UUID:
    return uuid.UUID(int=draw.getrandbits(128), version=4)


def _outline(draw: random.Random, lon: float, lat: float) -> MultiPolygon:
    """A lake of some 3,000 ha with bays: a circle with waves of several lengths."""
    waves = [(k, draw.uniform(0, 0.5 / k), draw.uniform(0, math.tau)) for k in range(2, 12)]
    ring = []
    for step in range(240):
        angle = math.tau * step / 240
        r = 0.033 * (1 + sum(size * math.sin(k * angle + at) for k, size, at in waves) / 2)
        ring.append((lon + r * math.cos(angle) * 1.4, lat + r * math.sin(angle)))
    return MultiPolygon(Polygon([*ring, ring[0]]).buffer(0), srid=4326)


def _spots(
    draw: random.Random, water: Water, size: Size, members: list[Member], teams: list[Team], moment: datetime
) -> None:
    assert water.outline is not None  # noqa: S101 - seeded with one
    west, south, east, north = water.outline.extent
    inside = water.outline.prepared
    spots: list[Spot] = []
    sheets: list[Sheet] = []
    positions: list[Position] = []
    grants: list[Grant] = []
    while len(spots) < size.spots:
        point = Point(draw.uniform(west, east), draw.uniform(south, north), srid=4326)
        if not inside.contains(point):
            continue
        number = len(spots)
        # Of five spots two are the club's, two a member's, one a team's.
        kind = ("club", "club", "member", "member", "team")[number % 5]
        member, team = draw.choice(members), draw.choice(teams)
        owner = {"club": "organisers", "member": f"member:{member.pk}", "team": f"team:{team.pk}"}[kind]
        spot = Spot(
            id=_key(draw),
            water=water,
            number=1000 + number,
            owner_member_id=member.pk if kind == "member" else None,
            owner_team_id=team.pk if kind == "team" else None,
            owner=owner,
            # Half of the members' and teams' spots give their evidence to the club.
            scope="club" if kind == "club" or number % 2 else owner,
            created_at=moment - timedelta(days=400),
        )
        spots.append(spot)
        sheets.append(
            Sheet(
                spot=spot, name=f"Place {number} of {water.name}", cover=draw.choice(COVERS), depth_min_m=4.0
            )
        )
        positions.append(Position(spot=spot, point=point))
        grants += _grants(draw, spot, kind, members, teams, moment)
    Spot.objects.bulk_create(spots)
    Sheet.objects.bulk_create(sheets)
    Position.objects.bulk_create(positions)
    Grant.objects.bulk_create(grants)
    publish_spots([(spot, position.point) for spot, position in zip(spots, positions, strict=True)])


def _grants(
    draw: random.Random, spot: Spot, kind: str, members: list[Member], teams: list[Team], moment: datetime
) -> list[Grant]:
    """Grants of every kind: the owner's, defaults, exact to all, to a team, to one; embargoed, ended, replaced."""
    rows: list[dict[str, Any]] = [{"audience": spot.owner, "level": Level.EXACT}]
    if kind == "club":
        rows += [{"audience": audience} for audience in ("public", "guest")]
        rows.append({"audience": "members", "level": Level.EXACT if draw.random() < 0.3 else None})
    elif draw.random() < 0.6:
        rows.append({"audience": "members"})
    if draw.random() < 0.15:
        rows.append({"audience": f"team:{draw.choice(teams).pk}", "level": Level.EXACT})
    if draw.random() < 0.15:
        rows.append({"audience": f"member:{draw.choice(members).pk}", "level": Level.EXACT})
    chance = draw.random()
    if chance < 0.05:
        rows.append({"audience": "members", "level": Level.EXACT, "starts_at": moment + timedelta(days=30)})
    elif chance < 0.1:
        rows.append({"audience": "members", "level": Level.EXACT, "ends_at": moment - timedelta(days=30)})
    elif chance < 0.15:
        rows.append({"audience": "members", "level": Level.WATER, "replaced_at": moment - timedelta(days=30)})
    return [
        Grant(
            id=_key(draw),
            spot=spot,
            owner=spot.owner,
            water_id=spot.water_id,
            created_at=moment - timedelta(days=400),
            known_at=moment - timedelta(days=400),
            **row,
        )
        for row in rows
    ]


_HISTORIES = """
INSERT INTO observations_history (spot_id, species_id, scope, edition, refit_id, as_of, probability, low, high,
    called, seen, landed, verified, last_verified, months, moved_by, narrowed_by, bands, catches, places,
    looks, contributors, thick, computed_at)
SELECT s.id, species.code, 'club', edition.name, %(refit)s, %(at)s, p.p, p.p * 0.6, 1 - (1 - p.p) * 0.6,
    3, 2, 1, species.n %% 2, CASE WHEN species.n %% 2 = 1 THEN %(at)s END,
    (SELECT jsonb_agg(jsonb_build_object('month', m, 'probability', p.p, 'low', p.p * 0.5, 'high', 0.5 + p.p / 2,
        'looks', 1, 'camera_minutes', 4.5, 'rod_hours', 0.5, 'grade', 'seen')) FROM generate_series(1, 12) m),
    '[]', '{}', '[]', '{}', '{}', 6, 3, true, %(at)s
FROM spots_spot s
CROSS JOIN unnest(%(species)s::text[]) WITH ORDINALITY species (code, n)
CROSS JOIN (VALUES ('live'), ('published')) edition (name)
CROSS JOIN LATERAL (SELECT (abs(hashtext(s.id::text || species.code)) %% 97 + 1) / 100.0 AS p) p
"""


def _histories(federation: Federation) -> None:
    """Lay a history of each species at each spot, live and published, as a refit leaves them."""
    at = federation.moment - timedelta(days=1)
    refit = Refit.objects.create(
        as_of=at,
        started_at=at,
        finished_at=at,
        code_version="bench",
        parameters={},
        converged=True,
        is_current=True,
    )
    with connection.cursor() as cursor:
        cursor.execute(_HISTORIES, {"refit": refit.pk, "at": at, "species": list(SPECIES)})
