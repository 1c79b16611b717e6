"""For random policies, grants and times: never finer than any ceiling, and never less water than promised.

The level is computed a second time in plain Python from the words of the rules; the water with shapely and
pyproj from the outline alone.
"""

import json
from datetime import datetime, timedelta
from typing import Any

import pytest
import shapely
from django.db import transaction
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import wkb
from shapely.geometry import shape

from club.models import LADDER_HA, AudiencePolicy, Level
from spots.granting import EVERYBODY, Sight, seen_as, trial, viewer_as
from spots.models import Grant, Spot, Zone
from tests.conftest import Cast, Places

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]

GEOD = Geod(ellps="WGS84")
NOW = timezone.now()
levels = st.sampled_from(Level.values)
times = st.one_of(st.none(), st.integers(-3, 3).map(lambda day: NOW + timedelta(days=day, hours=1)))


@st.composite
def policies(draw: Any) -> dict[str, tuple[int, int, int]]:
    """Default, ceiling and minimum for each audience of everybody."""
    out = {}
    for audience in EVERYBODY:
        ceiling = draw(levels)
        out[audience] = (draw(st.integers(0, ceiling)), ceiling, draw(st.sampled_from(LADDER_HA)))
    return out


@st.composite
def sights(draw: Any, audiences: list[str]) -> list[Sight]:
    drawn = draw(
        st.lists(
            st.tuples(st.sampled_from(audiences), st.one_of(st.none(), levels), times, times),
            max_size=6,
            unique_by=lambda row: row[:2],
        )
    )
    return [
        Sight(audience, level, starts, ends)
        for audience, level, starts, ends in drawn
        if not (starts and ends and starts >= ends)
    ]


def lay(spot: Spot, policy: dict[str, tuple[int, int, int]], given_: list[Sight]) -> None:
    for audience, (default, ceiling, minimum) in policy.items():
        AudiencePolicy.objects.filter(pk=audience).update(
            default_level=default, ceiling_level=ceiling, minimum_ha=minimum
        )
    Grant.objects.filter(spot=spot).exclude(audience=spot.owner).delete()
    Grant.objects.bulk_create(
        Grant(
            spot=spot, audience=s.audience, level=s.level, starts_at=s.starts_at, ends_at=s.ends_at,
            owner=spot.owner, water_id=spot.water_id,
        )
        for s in given_
    )  # fmt: skip


def said(audience: str, policy: dict[str, tuple[int, int, int]], given_: list[Sight], at: datetime) -> int:
    """Return the level by the words of the rules: the widest sight in force, none above its ceiling."""
    level = 0
    for s in given_:
        if s.audience not in viewer_as(audience).audiences:
            continue
        if (s.starts_at and s.starts_at > at) or (s.ends_at and s.ends_at <= at):
            continue
        default, ceiling, _ = policy.get(s.audience, (0, 3, 0))
        level = max(level, min(default if s.level is None else s.level, ceiling))
    return level


def water_ha(geometry: dict[str, Any], outline: Any) -> float:
    wet = shapely.intersection(shape(geometry), outline)
    return abs(GEOD.geometry_area_perimeter(shapely.orient_polygons(wet))[0]) / 1e4


@given(data=st.data(), day=st.integers(-4, 4))
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)
def test_no_sight_is_finer_than_its_ceiling_nor_leaves_less_water_than_promised(
    cast: Cast, places: Places, data: Any, day: int
) -> None:
    team, person = f"team:{cast.alder.pk}", f"member:{cast.rival.pk}"
    audiences = ["public", "guest", "members", team, person]
    spot, at = places.private, NOW + timedelta(days=day)
    outline = wkb.loads(bytes(spot.water.outline.wkb))
    policy = data.draw(policies())
    given_ = data.draw(sights(audiences))
    with trial():
        lay(spot, policy, given_)
        for audience in audiences:
            seen = seen_as([spot.pk], audience, at).get(spot.pk)
            level = said(audience, policy, given_, at)
            assert (seen.level if seen else 0) == level, audience
            if seen is None or seen.is_exact:
                continue
            # Nothing but the zone is told of the place, so the water in it is the pre-image.
            told = (seen.name, seen.cover, seen.structure, seen.depth_min_m, seen.depth_max_m, seen.notes)
            assert not any(told)
            if level == Level.AREA:
                mine = [
                    policy.get(s.audience, policy["members"])[2]
                    for s in given_
                    if s.audience in viewer_as(audience).audiences and said(s.audience, policy, [s], at) == 2
                ]
                # Every zone of this audience's minimum that holds the point is the one that is shown.
                least = min(mine)
                assert seen.geometry is not None
                assert water_ha(seen.geometry, outline) >= least * 0.999
                assert seen.zone_ha == pytest.approx(water_ha(seen.geometry, outline), rel=0.01)
            else:
                assert seen.geometry is None


@given(data=st.data())
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)
def test_widening_one_audience_narrows_no_other(cast: Cast, places: Places, data: Any) -> None:
    team, person = f"team:{cast.alder.pk}", f"member:{cast.rival.pk}"
    audiences = ["public", "guest", "members", team, person]
    spot = places.private
    policy, given_ = data.draw(policies()), data.draw(sights(audiences))
    wider = Sight(data.draw(st.sampled_from(audiences)), data.draw(levels))

    def look_round() -> dict[str, tuple[int, float]]:
        out = {}
        for audience in audiences:
            seen = seen_as([spot.pk], audience, NOW).get(spot.pk)
            out[audience] = (seen.level, -(seen.zone_ha or 0)) if seen else (0, 0.0)
        return out

    with trial():
        lay(spot, policy, given_)
        before = look_round()
        with transaction.atomic():
            Grant.objects.create(
                spot=spot,
                audience=wider.audience,
                level=wider.level,
                owner=spot.owner,
                water_id=spot.water_id,
            )
        after = look_round()
    assert all(after[audience] >= before[audience] for audience in audiences)
    # And signing out never shows more.
    assert after["public"][0] <= after["guest"][0] <= after["members"][0]


def test_what_two_audiences_see_together_is_never_less_than_the_finer_ones_minimum(places: Places) -> None:
    zones: dict[int, list[Any]] = {}
    for zone in Zone.objects.filter(water=places.private.water):
        zones.setdefault(zone.minimum_ha, []).append(shape(json.loads(zone.squares.json)))
    outline = wkb.loads(bytes(places.private.water.outline.wkb))
    worst = 1e9
    for fine, fine_zones in zones.items():
        for coarse, coarse_zones in zones.items():
            if coarse <= fine:
                continue
            for one in fine_zones[:40]:
                met = [other for other in coarse_zones if shapely.intersection(one, other).area > 1e-12]
                assert len(met) == 1, "a finer zone lies in one coarser zone, whole"
                both = shapely.intersection(shapely.intersection(one, met[0]), outline)
                area = abs(GEOD.geometry_area_perimeter(shapely.orient_polygons(both))[0]) / 1e4
                worst = min(worst, area / fine)
    print(f"least water in what two audiences see, over the finer minimum: {worst:.4f}")
    assert worst >= 0.999
