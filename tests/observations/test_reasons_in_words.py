"""What moved a chance, and what would make it surer: hand cases, each in words about the species concerned."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.utils import timezone

from club.units import Units
from observations.explaining import moved_words, narrowing_words, reason_words
from observations.models import Finding, History, Species
from observations.services import confirm
from observations.words import looks_at
from tests.conftest import Cast, Places, found, look, see, sonar

JUNE = datetime(2026, 6, 12, 11, tzinfo=UTC)
HOUR = timedelta(hours=1)
BASS = ("largemouth-bass", "largemouth bass")


def test_a_look_is_told_by_what_it_has_to_do_with_the_species(
    cast: Cast, places: Places, quiet_queue: Any
) -> None:
    spot = places.shared
    book = [
        look(cast, "member", spot, "down", JUNE, groups=sonar("largemouth-bass", 0.7, placement="over", depth_m=4.5)),
        look(cast, "member", spot, "2d", JUNE + HOUR, groups=sonar("white-crappie")),
        look(cast, "member", spot, "side", JUNE + 2 * HOUR, groups=sonar(count=0)),
        look(cast, "member", spot, "camera", JUNE + 3 * HOUR, minutes=6, secchi_m=1.8,
             findings=(*found("largemouth-bass", 2), *found("bluegill", 9))),
        look(cast, "captain", spot, "camera", JUNE + 4 * HOUR, minutes=2, clarity="muddy"),
        look(cast, "captain", spot, "camera", JUNE + 5 * HOUR, findings=found("bluegill", 3)),
        look(cast, "rival", spot, "rod", JUNE + 6 * HOUR, rod_hours=1.5, findings=found("largemouth-bass")),
        look(cast, "rival", spot, "rod", JUNE + 7 * HOUR, rod_hours=2.0),
        look(cast, "rival", spot, "2d", JUNE + 8 * HOUR, groups=sonar()),
    ]  # fmt: skip
    mine = Finding.objects.get(look=book[3], species="largemouth-bass")
    with see(cast, "checker"):
        confirm(mine, cast.checker, "largemouth-bass", "confirmed", "", timezone.now())
    told = {one.id: reason_words(one, *BASS, Units()) for one in looks_at(spot.id)}
    assert [told[one.id].replace("\u00a0", " ") for one in book] == [
        "Down-looking showed 4–8 echoes over the cover at 4.5 m, called it, 70 % sure",
        "2D sonar showed 4–8 echoes, called white crappie",
        "Side-scan showed nothing",
        "Camera for 6 min in water clear to 1.8 m saw 2 largemouth bass, confirmed by a checker",
        "Camera for 2 min in muddy water saw no fish",
        "Camera saw no largemouth bass, only bluegill",
        "Rod for 1.5 rod-hours landed 1 largemouth bass, not yet confirmed",
        "Rod for 2 rod-hours landed nothing",
        "2D sonar showed 4–8 echoes, not called",
    ]
    corrected = Finding.objects.get(look=book[6])
    with see(cast, "checker"):
        confirm(corrected, cast.checker, "bluegill", "corrected", "", timezone.now())
    (rod,) = (one for one in looks_at(spot.id) if one.id == book[6].id)
    assert reason_words(rod, *BASS, Units()) == (
        "Rod for 1.5 rod-hours landed no largemouth bass, only bluegill, as a checker put right"
    )
    row = History(species=Species.objects.get(pk="largemouth-bass"), looks=9)
    row.moved_by = [
        {"look": str(book[3].id), "change": 0.243},
        {"look": str(book[7].id), "change": -0.002},
        {"look": str(places.shared.pk), "change": -0.5},
    ]
    assert [(way, words[:12]) for way, words in moved_words(row, looks_at(spot.id), Units())] == [
        ("up 24", "12 Jun 2026:"),
        ("down under 1", "12 Jun 2026:"),
    ], "a look that the reader may not see is left out"


@pytest.mark.parametrize(
    ("plan", "looks", "words"),
    [
        ({"method": "camera", "looks": 3, "effort": 5.0, "by": 0.31}, 4,
         "Three more camera drops in clear water, five minutes each and on different days, would tell most: they"
         " should make the interval about 31 % narrower."),
        ({"method": "rod", "looks": 3, "effort": 1.0, "by": 0.2}, 0,
         "Three trips with an hour of rod and line each and on different days, would tell most: they should make the"
         " interval about 20 % narrower."),
        ({"method": "rod", "looks": 3, "effort": 2.0, "by": 0.01}, 9,
         "Even three more trips with two hours of rod and line each would hardly make the interval narrower."),
        ({}, 9, ""),
    ],
)  # fmt: skip
def test_what_would_narrow_it_is_a_whole_sentence(plan: dict[str, Any], looks: int, words: str) -> None:
    assert narrowing_words(History(looks=looks, narrowed_by=plan)).replace("\u00a0", " ") == words
