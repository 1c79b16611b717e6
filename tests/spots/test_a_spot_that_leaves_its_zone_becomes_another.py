"""Published zones are sticky: small moves change nothing, and a move out of the zone is a spot of its own."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from django.contrib.gis.geos import Point
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import Geod

from club.models import AudiencePolicy, Level, Member
from club.viewer import viewer_of, viewing
from spots.batches import next_batch
from spots.disclosure_models import Channel
from spots.models import Grant, Position, Spot, SpotZone, Zone
from spots.moving import STAYS_WITHIN_M
from spots.precision import ReleasedSpot, released_spots
from spots.services import SpotDraft, update_spot
from tests.conftest import Cast, Places, look, see, sonar

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]

EARTH = Geod(ellps="WGS84")
LATER = timedelta(days=40)


def shown(cast: Cast, persona: str, at: datetime | None = None) -> dict[object, ReleasedSpot]:
    person: Member | None = getattr(cast, persona)
    with viewing(viewer_of(person), at or timezone.now()):
        return {spot.id: spot for spot in released_spots(channel=Channel.UNSEEN)}


def moved(cast: Cast, spot: Spot, point: Point, persona: str = "organiser", **more: object) -> Spot:
    draft = SpotDraft(water=spot.water, name="Canary Moved", scope=spot.scope, point=point, alias=spot.alias)
    with see(cast, persona):
        fresh = Spot.objects.select_related("water").get(pk=spot.pk)
        changed = replace(draft, **more)  # type: ignore[arg-type]
        return update_spot(fresh, changed, timezone.now(), cast.viewer(persona))[0]


def off(point: Point, bearing: float, metres: float) -> Point:
    lon, lat, _ = EARTH.fwd(point.x, point.y, bearing, metres)
    return Point(lon, lat, srid=4326)


def zone_of(spot: Spot, minimum: int) -> Zone:
    return SpotZone.objects.select_related("zone").get(spot=spot, minimum_ha=minimum).zone


def far_from_its_zone(spot: Spot) -> Point:
    """A point on the water some way outside the spot's zone of 50 ha."""
    other = Zone.objects.filter(water=spot.water, minimum_ha=50).exclude(pk=zone_of(spot, 50).pk).last()
    assert other is not None
    return other.squares.point_on_surface


@given(bearing=st.floats(0, 360), metres=st.floats(0, STAYS_WITHIN_M - 0.5))
@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_moves_of_less_than_fifty_metres_change_nothing_that_others_see(
    cast: Cast, places: Places, bearing: float, metres: float
) -> None:
    """Wherever in its zone the spot lies: here, on its very corner."""
    if not Position.objects.filter(spot=places.club, typed="corner").exists():
        west, south, _, _ = zone_of(places.club, 50).squares.extent
        corner = Point(max(west, -93.3), max(south, 45.0), srid=4326)
        Position.objects.filter(spot=places.club).update(point=corner, typed="corner")
    start = Point(*Position.objects.get(spot=places.club).point.coords, srid=4326)
    before = {persona: shown(cast, persona) for persona in ("member", "guest", "nobody")}
    assert before["member"][places.club.pk].precision == "area"
    assert moved(cast, places.club, off(start, bearing, metres), typed="corner") == places.club
    assert {persona: shown(cast, persona) for persona in before} == before
    Position.objects.filter(spot=places.club).update(point=start)


def test_a_move_within_the_zone_keeps_the_spot(cast: Cast, places: Places) -> None:
    inside = zone_of(places.club, 50).squares.point_on_surface
    assert moved(cast, places.club, inside) == places.club
    assert Position.objects.get(spot=places.club).point.equals_exact(inside, 1e-9)


def test_a_spot_found_outside_its_zone_is_succeeded_by_another(cast: Cast, places: Places) -> None:
    old = places.club
    look(
        cast, "organiser", old, "2d", timezone.now() - timedelta(hours=1), groups=sonar("white-crappie", 0.8)
    )
    zones = list(SpotZone.objects.filter(spot=old).order_by("id").values())
    place = Position.objects.get(spot=old).point
    new = moved(cast, old, far_from_its_zone(old))
    old.refresh_from_db()
    assert new.pk != old.pk and old.successor == new and old.paused_at is not None
    assert (new.owner, new.scope, new.water) == (old.owner, old.scope, old.water)
    # What was published stays as it was, and so does the old place with its looks.
    assert list(SpotZone.objects.filter(spot=old).order_by("id").values()) == zones
    assert Position.objects.get(spot=old).point == place
    assert old.looks.count() == 1 and new.looks.count() == 0
    assert shown(cast, "organiser")[new.pk].name == "Canary Moved"


def test_below_exact_nothing_ties_the_two(cast: Cast, places: Places) -> None:
    Spot.objects.filter(pk=places.club.pk).update(alias="The same as ever")
    places.club.refresh_from_db()
    new = moved(cast, places.club, far_from_its_zone(places.club))
    assert new.pk not in shown(cast, "member")
    later = shown(cast, "member", timezone.now() + LATER)
    mine, old = later[new.pk], later[places.club.pk]
    assert mine.precision == "area" and mine.zone_id != old.zone_id
    assert mine.alias == "" and mine.number != old.number and old.alias == "The same as ever"
    for word in ("name", "notes", "cover", "structure", "placed_on"):
        assert not getattr(mine, word)


def test_it_appears_below_exact_with_the_next_month_and_exactly_at_once(cast: Cast, places: Places) -> None:
    now = timezone.now()
    new = moved(cast, places.shared, far_from_its_zone(places.shared))
    # The members' grant of `shared` is exact; the public's is by the club's default.
    assert shown(cast, "rival")[new.pk].precision == "exact"
    AudiencePolicy.objects.filter(audience="public").update(
        default_level=Level.AREA, ceiling_level=Level.AREA
    )
    batch = next_batch(now)
    assert new.pk not in shown(cast, "nobody", batch - timedelta(seconds=1))
    assert shown(cast, "nobody", batch)[new.pk].precision == "area"


def test_embargoes_and_ends_are_kept(cast: Cast, places: Places) -> None:
    old, now = places.private, timezone.now()
    far = now + timedelta(days=90)
    for audience, level, times in (
        ("members", Level.AREA, {"starts_at": far}),
        ("guest", Level.AREA, {"ends_at": now + timedelta(seconds=5)}),
        (f"team:{cast.alder.pk}", Level.EXACT, {"ends_at": far}),
        ("public", Level.WATER, {"ends_at": now - timedelta(days=1)}),
    ):
        Grant.objects.create(
            spot=old, audience=audience, level=level, owner=old.owner, water=old.water, **times
        )
    new = moved(cast, old, far_from_its_zone(old), persona="member")
    rows = {g.audience: (g.level, g.starts_at, g.ends_at) for g in Grant.objects.filter(spot=new)}
    assert rows == {
        old.owner: (Level.EXACT, None, None),
        "members": (Level.AREA, far, None),
        f"team:{cast.alder.pk}": (Level.EXACT, None, far),
    }


def test_who_may_not_share_a_teams_spot_moves_it_within_the_team_only(cast: Cast, places: Places) -> None:
    old = places.team
    Grant.objects.create(spot=old, audience="members", level=Level.EXACT, owner=old.owner, water=old.water)
    new = moved(cast, old, far_from_its_zone(old), persona="teammate")
    assert [g.audience for g in Grant.objects.filter(spot=new)] == [old.owner]


def test_a_spot_on_a_water_without_an_outline_has_no_zone_to_leave(cast: Cast, places: Places) -> None:
    SpotZone.objects.filter(spot=places.club).delete()
    assert moved(cast, places.club, Point(-93.25, 45.05, srid=4326)) == places.club


def test_the_next_month_begins_on_its_first_day() -> None:
    assert next_batch(datetime(2026, 12, 31, 23, 59, tzinfo=UTC)) == datetime(2027, 1, 1, tzinfo=UTC)
    assert next_batch(datetime(2026, 6, 1, tzinfo=UTC)) == datetime(2026, 7, 1, tzinfo=UTC)
