"""Put the demo's people, waters and spots into the database, by the same functions that every way in uses."""

from __future__ import annotations

import hashlib
import uuid
from collections import defaultdict
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

from django.contrib.gis.geos import GEOSGeometry, MultiPolygon, Point
from django.db.models import Max
from shapely import wkb
from shapely.geometry.base import BaseGeometry

from club.models import Club, Member, Team, TeamMembership
from club.viewer import Viewer, viewer_of
from observations.demo import people
from observations.demo.chart import DemoWater, levels, waters
from observations.demo.outings import FIRST, LAST
from observations.demo.people import PEOPLE, Person
from observations.demo.rows import Demo, SpotRow
from observations.lesson_models import LessonChoice
from spots.level_models import PoolLevel
from spots.models import DepthArea, Feature, Grant, Spot, Term, Water
from spots.services import SpotDraft, save_spots, save_water
from spots.zones import publish_bands

FOUNDED = datetime(2023, 11, 4, 18, 0, tzinfo=UTC)
SPOTS_FROM = datetime(2024, 2, 20, 18, 0, tzinfo=UTC)
"""Before the first trip: all the demo's spots were there then, and what was granted on them."""


def key_of(kind: str, key: int | str) -> uuid.UUID:
    """The id of a demo row: the same at every load, and of the shape of a random one."""
    digest = hashlib.sha256(f"tallow demo {kind} {key}".encode()).digest()
    return uuid.UUID(bytes=digest[:16], version=4)


class Loader:
    """Loads people, waters and spots; the looks follow in ``loading_looks``."""

    def __init__(self, demo: Demo) -> None:
        self.demo = demo
        self.members: dict[str, Member] = {}
        self.teams: dict[str, Team] = {}
        self.waters: dict[str, Water] = {}
        self.spots: dict[int, Spot] = {}

    def load(self) -> None:
        """Everything that does not depend on a look."""
        Club.objects.update_or_create(
            id=1,
            defaults={"name": people.CLUB, "about": people.ABOUT, "is_demo": True, "setup_key_digest": ""},
        )
        self._people()
        for water in waters():
            self.waters[water.key] = _water(water)
        self._words()
        self._spots()

    def scope(self, said: str) -> str:
        """An audience or a scope as the database spells it: with ids for members and teams."""
        kind, _, name = said.partition(":")
        if kind == "member":
            return f"member:{self.members[name].pk}"
        return f"team:{self.teams[name].pk}" if kind == "team" else said

    def _people(self) -> None:
        for person in PEOPLE:
            self.members[person.username] = _member(person)
        Member.objects.bulk_create(self.members.values())
        for name in people.TEAMS:
            self.teams[name] = Team.objects.create(id=key_of("team", name), name=name)
        TeamMembership.objects.bulk_create(
            TeamMembership(
                team=self.teams[person.team],
                member=self.members[person.username],
                is_captain=person.captain,
                since=self.members[person.username].joined_at,
            )
            for person in PEOPLE
            if person.team
        )
        # Who lets histories of few be told shares lessons too.
        LessonChoice.objects.bulk_create(
            LessonChoice(member=self.members[person.username]) for person in PEOPLE if person.yes_to_thin
        )

    def _words(self) -> None:
        """Words of cover and structure that the club's lists lack."""
        for kind, words in (
            (Term.Kind.COVER, {spot.cover for spot in self.demo.spots}),
            (Term.Kind.STRUCTURE, {spot.structure for spot in self.demo.spots}),
        ):
            known = Term.objects.filter(kind=kind)
            last = known.aggregate(last=Max("order"))["last"] or 0
            missing = sorted(words - set(known.values_list("name", flat=True)) - {""})
            Term.objects.bulk_create(
                Term(kind=kind, name=word, order=last + turn) for turn, word in enumerate(missing, 1)
            )

    def _spots(self) -> None:
        """Spots by owner, through the club's own function; then what it does not take: times, lives."""
        by_writer: dict[str, list[SpotRow]] = defaultdict(list)
        for row in self.demo.spots:
            by_writer[self._writer(row)].append(row)
        for username, rows in by_writer.items():
            viewer = self._viewer(username)
            drafts = [self._draft(row) for row in rows]
            for row, spot in zip(rows, save_spots(drafts, viewer, SPOTS_FROM), strict=True):
                self.spots[row.key] = spot
        for row in self.demo.spots:
            self._life(row, self.spots[row.key])
        Grant.objects.bulk_create(
            Grant(
                spot=self.spots[row.key],
                audience=self.scope(grant.audience),
                level=grant.level,
                starts_at=grant.starts_at,
                ends_at=grant.ends_at,
                owner=self.spots[row.key].owner,
                created_at=SPOTS_FROM,
                created_by=self.members[self._writer(row)],
            )
            for row in self.demo.spots
            for grant in row.grants
            if grant.starts_at or grant.ends_at
        )

    def _writer(self, row: SpotRow) -> str:
        kind, _, name = row.owner.partition(":")
        if kind == "team":
            return next(p.username for p in PEOPLE if p.team == name and p.captain)
        return name if kind == "member" else "organiser"

    def _viewer(self, username: str) -> Viewer:
        return viewer_of(self.members[username])

    def _draft(self, row: SpotRow) -> SpotDraft:
        # A team's spot is its own first; that its looks are the club's comes afterwards.
        scope = row.owner if row.owner.startswith("team:") else row.scope
        return SpotDraft(
            id=key_of("spot", row.key),
            water=self.waters[row.water],
            name=row.name,
            alias=row.alias,
            scope=self.scope(scope),
            point=Point(row.longitude, row.latitude, srid=4326),
            typed=f"{row.latitude:.6f}, {row.longitude:.6f}",
            source=row.source,
            error_m=row.error_m,
            cover=row.cover,
            structure=row.structure,
            depth_min_m=row.depth_min_m,
            depth_max_m=row.depth_max_m,
            provenance=row.provenance,
            placed_on=row.placed_on,
            permission=row.permission,
            notes=row.notes,
            grants=tuple(
                (self.scope(grant.audience), grant.level)
                for grant in row.grants
                if not grant.starts_at and not grant.ends_at
            ),
        )

    def _life(self, row: SpotRow, spot: Spot) -> None:
        """Pauses, successors and team spots whose looks the team shares with the club."""
        spot.paused_at = row.paused_at
        spot.successor = self.spots[row.successor] if row.successor else None
        spot.scope = self.scope(row.scope)
        spot.save(update_fields=["paused_at", "successor", "scope"])


def _member(person: Person) -> Member:
    length, temperature, weight = person.units
    member = Member(
        id=key_of("member", person.username),
        username=person.username,
        name=person.name,
        role=person.role,
        is_checker=person.checker,
        joined_at=datetime.combine(person.joined, time(18), UTC),
        role_since=datetime.combine(person.joined, time(18), UTC),
        length_unit=length,
        temperature_unit=temperature,
        weight_unit=weight,
        shares_thin_history=person.yes_to_thin,
    )
    # Nobody can sign in as those who are there for their history only.
    member.set_password(people.password(person) or None)
    return member


def _geometry(shape: BaseGeometry) -> GEOSGeometry:
    return GEOSGeometry(memoryview(wkb.dumps(shape)), srid=4326)


def _area(shape: BaseGeometry) -> MultiPolygon:
    area = _geometry(shape)
    return area if isinstance(area, MultiPolygon) else MultiPolygon(area, srid=4326)


def _water(water: DemoWater) -> Water:
    """A water with its zones, depths and chart."""
    saved = save_water(
        Water(
            id=key_of("water", water.key),
            name=water.name,
            time_zone=water.timezone,
            outline=_area(water.outline),
            low_outline=_area(water.low_pool),
            full_pool_m=water.full_pool_m,
            created_at=FOUNDED,
        )
    )
    DepthArea.objects.bulk_create(
        DepthArea(water=saved, depth_m=depth, area=_area(area)) for depth, area in water.depth_areas.items()
    )
    publish_bands(saved)
    kinds = {
        "ramp": Feature.Kind.RAMP,
        "hazard": Feature.Kind.HAZARD,
        "closure": Feature.Kind.CLOSURE,
        "no-wake": Feature.Kind.NO_WAKE,
        "name": Feature.Kind.NAME,
    }
    rows = [
        Feature(
            id=key_of("feature", f"{water.key} {feature.kind} {feature.name}"),
            water=saved,
            kind=kinds[feature.kind],
            text=feature.name,
            of_land=feature.kind == "name" and feature.detail not in ("reach", "arm", "creek"),
            place=_geometry(feature.shape),
        )
        for feature in water.features
        if feature.kind in kinds
    ]
    rows += [
        Feature(
            id=key_of("sounding", f"{water.key} {longitude:.6f} {latitude:.6f}"),
            water=saved,
            kind=Feature.Kind.SOUNDING,
            depth_m=depth,
            place=Point(longitude, latitude, srid=4326),
        )
        for longitude, latitude, depth in water.soundings
    ]
    Feature.objects.bulk_create(rows)
    zone = ZoneInfo(water.timezone)
    PoolLevel.objects.bulk_create(
        PoolLevel(
            water=saved,
            at=datetime.combine(day, time(7), zone),
            level_m=round(elevation - water.full_pool_m, 2),
            source="staff gauge at the ramp",
            received_at=FOUNDED,
        )
        for day, elevation in levels(water, FIRST, LAST)
    )
    return saved
