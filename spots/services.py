"""Writing waters and spots: every way in (forms, API, imports, demo) comes through here."""

import secrets
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import available_timezones

from django.contrib.gis.geos import MultiPolygon, Point, Polygon
from django.core.exceptions import ValidationError
from django.db import transaction

from club.counting import grew
from club.juniors import REFUSED as JUNIOR_REFUSED
from club.juniors import exact_audiences, too_wide
from club.models import Level
from club.viewer import Viewer
from spots.batches import Batch
from spots.bearings import Sighting
from spots.granting import may_share
from spots.models import Grant, Position, Sheet, Spot, Water, owner_key
from spots.moving import leaves_its_zone, sights_of_a_successor
from spots.resting import ComeBack, check_rest
from spots.zones import (
    OUTSIDE_ALLOWED_M,
    metres_off,
    outline_area_ha,
    publish_spot,
    publish_spots,
    publish_zones,
)

CLUB = "club"


@dataclass(frozen=True)
class SpotDraft:
    """What a form, a file or the API says of a new spot. `scope` is `club`, `team:<id>` or `member:<id>`."""

    water: Water
    name: str
    scope: str
    point: Point | None = None
    typed: str = ""
    source: str = Position.Source.TYPED
    error_m: float | None = None
    # Of a target seen from the boat; `point` is then its target, and the source says so.
    sighting: Sighting | None = None
    cover: str = ""
    structure: str = ""
    depth_min_m: float | None = None
    depth_max_m: float | None = None
    provenance: str = Sheet.Provenance.FOUND
    placed_on: date | None = None
    permission: str = ""
    notes: str = ""
    alias: str = ""
    # Grants beyond the owner's own, as (audience, level); for a club spot None means the club's defaults.
    grants: tuple[tuple[str, int | None], ...] | None = None
    # Below `exact` it appears with the next batch. What an agency published has nothing to tell, and a whole
    # import is a batch of its own.
    batched: bool = False
    id: uuid.UUID = field(default_factory=uuid.uuid4)


def save_water(water: Water) -> Water:
    """Check and save a water; cut its zones once it has an outline."""
    if water.time_zone not in available_timezones():
        raise ValidationError(
            {"time_zone": f'"{water.time_zone}" is not a time zone. Example: America/Chicago.'}
        )
    if isinstance(water.outline, Polygon):
        water.outline = MultiPolygon(water.outline, srid=4326)
    if water.outline is not None:
        if not water.outline.valid:
            raise ValidationError(
                {"outline": f"The outline is not a valid area: {water.outline.valid_reason}."}
            )
        west, south, east, north = water.outline.extent
        if not (-180 <= west <= east <= 180 and -85 <= south <= north <= 85):
            raise ValidationError({"outline": "The outline lies outside longitude ±180 or latitude ±85."})
        water.area_ha = outline_area_ha(water.outline)
    water.full_clean(exclude=["outline", "low_outline"])
    water.save()
    publish_zones(water)
    return water


def check_position(water: Water, point: Point) -> list[str]:
    """Return warnings about a point, or raise ValidationError when it cannot be on this water."""
    check_on_earth(point)
    return judge_distance(water, point, metres_off(water, point))


def check_on_earth(point: Point) -> None:
    if not (-180 <= point.x <= 180 and -90 <= point.y <= 90):
        raise ValidationError({"position": "Latitude must lie within ±90 and longitude within ±180."})


def judge_distance(water: Water, point: Point, off: float | None) -> list[str]:
    """Return warnings about a point `off` metres outside a water; raise ValidationError beyond the limit."""
    if off is None or off == 0:
        return []
    if off <= OUTSIDE_ALLOWED_M:
        return [f"The position is {off:.0f} m off the outline of {water.name}."]
    swapped = Point(point.y, point.x, srid=4326)
    hint = ""
    if abs(swapped.y) <= 90 and (metres_off(water, swapped) or 0) == 0:
        hint = " With latitude and longitude exchanged it would lie on the water."
    distance = f"{off:,.0f} m" if off < 10_000 else f"{off / 1000:,.0f} km"
    raise ValidationError(
        {
            "position": f"The position is {distance} off {water.name}; at most {OUTSIDE_ALLOWED_M} m is allowed.{hint}"
        }
    )


def owners_of(scope: str, viewer: Viewer) -> tuple[uuid.UUID | None, uuid.UUID | None]:
    """Return (member id, team id) of the owner of a new spot in this scope, if the viewer may make one."""
    if scope == CLUB:
        return (None, None) if viewer.is_organiser else (viewer.member_id, None)
    if scope not in viewer.audiences or not scope.startswith(("member:", "team:")):
        raise ValidationError({"scope": "Choose yourself, one of your teams, or the club."})
    kind, _, key = scope.partition(":")
    return (uuid.UUID(key), None) if kind == "member" else (None, uuid.UUID(key))


def create_spot(draft: SpotDraft, viewer: Viewer, moment: datetime) -> tuple[Spot, list[str]]:
    """Save a new spot with its sheet, position, zones and grants; return it with warnings.

    Raises ValidationError, naming the field, before anything is saved.
    """
    warnings = check_position(draft.water, draft.point) if draft.point else []
    return save_spots([draft], viewer, moment)[0], warnings


def check_sheet(draft: SpotDraft) -> Sheet:
    """Return the unsaved sheet of a draft. Raises ValidationError naming the field."""
    sheet = Sheet(
        spot_id=draft.id,
        name=draft.name.strip(),
        cover=draft.cover,
        structure=draft.structure,
        depth_min_m=draft.depth_min_m,
        depth_max_m=draft.depth_max_m,
        provenance=draft.provenance,
        placed_on=draft.placed_on,
        permission=draft.permission,
        notes=draft.notes,
    )
    # Both constraints of a sheet are about depths, and each is asked of the database: not without one.
    has_depth = draft.depth_min_m is not None or draft.depth_max_m is not None
    sheet.full_clean(exclude=["spot"], validate_unique=False, validate_constraints=has_depth)
    return sheet


def save_spots(drafts: Sequence[SpotDraft], viewer: Viewer, moment: datetime) -> list[Spot]:
    """Save new spots whose positions were checked (`check_position`), all or none."""
    sheets = [check_sheet(draft) for draft in drafts]
    spots = [_spot_row(draft, viewer, moment) for draft in drafts]
    given = [spot for spot, draft in zip(spots, drafts, strict=True) if draft.grants]
    if not all(may_share(spot, viewer) for spot in {spot.owner: spot for spot in given}.values()):
        raise ValidationError(
            {"members_see": "Who else sees a team's spot is its captain's to say. Keep it to the team."}
        )
    placed = [(draft, draft.point) for draft in drafts if draft.point]
    by_id = {spot.id: spot for spot in spots}
    batch = Batch(moment) if any(map(_waits, drafts)) else None
    with transaction.atomic():
        _save_with_numbers(spots)
        Grant.objects.bulk_create(
            grant
            for draft in drafts
            for grant in grants_for(
                by_id[draft.id], draft.grants, moment, viewer.member_id, batch if _waits(draft) else None
            )
        )
        Sheet.objects.bulk_create(sheets)
        Position.objects.bulk_create(
            Position(spot_id=draft.id, **_position(draft, point, moment)) for draft, point in placed
        )
        grew(len(spots), Spot, Grant, Sheet, Position)
        publish_spots([(by_id[draft.id], point) for draft, point in placed])
    return spots


def _waits(draft: SpotDraft) -> bool:
    return draft.batched and draft.provenance != Sheet.Provenance.AGENCY


def _spot_row(draft: SpotDraft, viewer: Viewer, moment: datetime) -> Spot:
    member_id, team_id = owners_of(draft.scope, viewer)
    return Spot(
        id=draft.id,
        water=draft.water,
        alias=draft.alias.strip(),
        owner_member_id=member_id,
        owner_team_id=team_id,
        owner=owner_key(member_id, team_id),
        scope=draft.scope,
        created_at=moment,
    )


def grants_for(
    spot: Spot,
    grants: tuple[tuple[str, int | None], ...] | None,
    moment: datetime,
    by: uuid.UUID | None,
    batch: Batch | None = None,
) -> list[Grant]:
    """Return the rows that let the owner see a spot, and others as said or, for a club spot, by default.

    With a batch, those below `exact` begin with it.
    """
    rows: list[tuple[str, int | None]] = [(spot.owner, Level.EXACT)]
    if grants is None and spot.scope == CLUB:
        grants = (("public", None), ("guest", None), ("members", None))
    if grants and too_wide(exact_audiences(spot.owner), grants):
        raise ValidationError({"grants": JUNIOR_REFUSED})
    rows += grants or ()
    return [
        Grant(
            spot=spot,
            audience=audience,
            level=level,
            starts_at=batch.starts(audience, level) if batch else None,
            owner=spot.owner,
            created_at=moment,
            created_by_id=by,
        )
        for audience, level in rows
    ]


def _save_with_numbers(spots: Sequence[Spot]) -> None:
    """Save with random free numbers. The holder of a taken one may be hidden from the writer: try another."""
    left = list(spots)
    for _ in range(40):
        for spot in left:
            spot.number = 1000 + secrets.randbelow(9000)
        # A conflict skips its row in silence: nothing is learned of the spot that holds the number.
        Spot.objects.bulk_create(left, ignore_conflicts=True)
        saved = set(Spot.objects.filter(pk__in=[spot.pk for spot in left]).values_list("pk", flat=True))
        left = [spot for spot in left if spot.pk not in saved]
        if not left:
            return
    raise ValidationError({"water": "No free spot number was found on this water."})


def update_spot(spot: Spot, draft: SpotDraft, moment: datetime, viewer: Viewer) -> tuple[Spot, list[str]]:
    """Save changed particulars of an existing spot; return it, or the successor it has, with warnings.

    Its published zones stay as they were. Found outside them (spots/moving.py), it is paused where it was, and
    the draft is of the spot that follows it.
    """
    warnings = check_position(spot.water, draft.point) if draft.point else []
    if draft.point and leaves_its_zone(spot, draft.point):
        return _succeed(spot, draft, draft.point, moment, viewer), warnings
    sheet, _ = Sheet.objects.get_or_create(spot=spot, defaults={"name": draft.name})
    for name in ("name", "cover", "structure", "depth_min_m", "depth_max_m", "provenance", "placed_on", "permission",
                 "notes"):  # fmt: skip
        setattr(sheet, name, getattr(draft, name))
    sheet.full_clean(exclude=["spot"], validate_unique=False)
    with transaction.atomic():
        sheet.save()
        spot.alias = draft.alias.strip()
        spot.save(update_fields=["alias"])
        if draft.point:
            Position.objects.update_or_create(spot=spot, defaults=_position(draft, draft.point, moment))
            publish_spot(spot, draft.point)
    return spot, warnings


def save_rest(key: uuid.UUID, until: date | None, when: ComeBack, today: date) -> None:
    """Leave one's own spot alone until a day, or until nothing (None); keep when to come back.

    Raises ValidationError naming the field.
    """
    check_rest(until, when, today)
    Sheet.objects.filter(pk=key).update(rest_until=until, come_back=when.kept())


def _position(draft: SpotDraft, point: Point, moment: datetime) -> dict[str, Any]:
    return {
        "point": point,
        "typed": draft.typed,
        "source": draft.source,
        "error_m": draft.error_m,
        "boat": draft.sighting.boat if draft.sighting else None,
        "bearing_deg": draft.sighting.bearing_deg if draft.sighting else None,
        "range_m": draft.sighting.range_m if draft.sighting else None,
        "updated_at": moment,
    }


def _succeed(old: Spot, draft: SpotDraft, point: Point, moment: datetime, viewer: Viewer) -> Spot:
    """Save the successor of a spot. Its looks stay with the old one, which stays where it was."""
    new = Spot(
        water=old.water,
        # The same alias would tell that they are one.
        alias="" if draft.alias.strip() == old.alias else draft.alias.strip(),
        owner_member_id=old.owner_member_id,
        owner_team_id=old.owner_team_id,
        owner=old.owner,
        scope=old.scope,
        created_at=moment,
    )
    sheet = check_sheet(replace(draft, id=new.id))
    others = sights_of_a_successor(old, new, moment, viewer.member_id) if may_share(old, viewer) else []
    with transaction.atomic():
        _save_with_numbers([new])
        # Without a word of who may give it, nobody but the owner sees it.
        Grant.objects.bulk_create([*grants_for(new, (), moment, viewer.member_id), *others])
        sheet.save()
        Position.objects.create(spot=new, **_position(draft, point, moment))
        publish_spot(new, point)
        old.paused_at, old.successor = old.paused_at or moment, new
        old.save(update_fields=["paused_at", "successor"])
    return new
