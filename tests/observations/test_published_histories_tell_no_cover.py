"""Cover is withheld below `exact`: a published history must not tell it by the shape of its seasons."""

from datetime import UTC, datetime, timedelta
from typing import Any

from django.contrib.gis.geos import Point
from django.utils import timezone

from observations import jobs
from observations.models import History, Observation
from spots.models import Spot
from spots.services import SpotDraft, create_spot
from tests.conftest import Cast, Places, found, look, see

SHOWN = (
    "probability",
    "low",
    "high",
    "called",
    "seen",
    "landed",
    "verified",
    "last_verified",
    "months",
    "looks",
)
WINTER, SUMMER = datetime(2026, 1, 20, 12, tzinfo=UTC), datetime(2026, 7, 20, 12, tzinfo=UTC)


def spot_with(cast: Cast, places: Places, cover: str, number: int) -> Spot:
    point = Point(-93.280 + 0.002 * number, 45.028, srid=4326)
    draft = SpotDraft(
        places.club.water, f"Canary {cover} {number}", "club", point, cover=cover, grants=(("members", 3),)
    )
    with see(cast, "organiser"):
        return create_spot(draft, cast.viewer("organiser"), timezone.now())[0]


def camera(cast: Cast, spot: Spot, at: datetime, there: bool) -> None:
    for hours, persona in enumerate(("member", "checker", "newcomer")):
        look(
            cast, persona, spot, "camera", at + timedelta(hours=hours), minutes=8, secchi_m=3.0,
            findings=found("bluegill", 2) if there else (),
        )  # fmt: skip


def rows(spot: Spot, edition: str) -> list[tuple[Any, ...]]:
    return list(
        History.objects.filter(spot=spot, scope="club", edition=edition)
        .order_by("species_id")
        .values_list("species_id", *SHOWN)
    )


def test_what_is_published_of_a_spot_is_the_same_whatever_its_cover(
    cast: Cast, places: Places, quiet_queue: Any
) -> None:
    # A club in which bluegill are at the cribs in summer and at the docks in winter.
    for number in range(4):
        for cover, season in (("crib", SUMMER), ("dock", WINTER)):
            spot = spot_with(cast, places, cover, number if cover == "crib" else number + 4)
            for day in range(3):
                camera(cast, spot, WINTER + timedelta(days=day), season is WINTER)
                camera(cast, spot, SUMMER + timedelta(days=day), season is SUMMER)
    twins = [spot_with(cast, places, cover, 9 + number) for number, cover in enumerate(("crib", "dock"))]
    for twin in twins:
        camera(cast, twin, SUMMER + timedelta(days=30), True)
    jobs.refit()
    crib, dock = (rows(twin, "live") for twin in twins)
    assert crib != dock, "who sees them exactly is told what the covers' seasons say"
    crib, dock = (rows(twin, "published") for twin in twins)
    assert crib and crib == dock


def test_what_was_published_goes_with_the_next_edition_when_nothing_is_left_to_tell(
    cast: Cast, places: Places, quiet_queue: Any
) -> None:
    spot = spot_with(cast, places, "crib", 1)
    camera(cast, spot, SUMMER, True)
    jobs.refit(SUMMER + timedelta(days=1))
    assert rows(spot, "published")
    Observation.objects.update(withdrawn_at=SUMMER + timedelta(days=2))
    jobs.refit(SUMMER + timedelta(days=3))
    assert rows(spot, "published"), "within the month nothing changes"
    jobs.refit(SUMMER + timedelta(days=30))
    assert not rows(spot, "published")
