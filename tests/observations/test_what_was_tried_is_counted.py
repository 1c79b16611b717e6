"""Presentations and responses at a spot: kept apart by what they were, and no share that the counts do not carry."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from scipy.stats import beta

from club.units import Units
from observations.tried import LEAST, by_condition, by_what, tries_of
from observations.words import looks_at
from tests.conftest import NOON, Cast, Places, found, look, sonar

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def rod(cast: Cast, places: Places, day: int, *tried: tuple[str, float | None, str], **more: object) -> None:
    look(cast, "member", places.shared, "rod", NOON - timedelta(days=day), presentations=tried, **more)


def test_responses_are_counted_by_what_was_tried(cast: Cast, places: Places) -> None:
    rod(cast, places, 1, ("Jig, 1/8 oz", 20, "none"), ("Jig, 1/8 OZ", None, "landed"), ("crankbait", 10, ""))
    rod(cast, places, 2, ("jig,  1/8 oz", 10, "followed"))
    jig, crank = by_what(tries_of(looks_at(places.shared.pk)))
    assert (jig.tries, jig.minutes, jig.timed, jig.bites, jig.said) == (3, 30, 2, 1, 3)
    assert jig.responses == (("none", 1), ("followed", 1), ("landed", 1))
    assert jig.share is None  # three tries carry none
    assert (crank.tries, crank.said, crank.responses) == (1, 0, ())


def test_there_but_would_not_bite_is_told_apart_from_an_empty_spot(cast: Cast, places: Places) -> None:
    for day, fish in ((1, 3), (2, 0)):
        seen = found("black-crappie", fish) if fish else ()
        look(cast, "member", places.shared, "camera", NOON - timedelta(days=day), minutes=6, findings=seen)
        rod(cast, places, day, ("jig", 20, "none"))
    rod(cast, places, 3, ("jig", 20, "none"))
    tries = tries_of(looks_at(places.shared.pk))
    assert [one.there for one in tries] == [None, False, True]
    (line,) = by_what(tries)
    assert (line.there, line.refused) == (1, 1)


def test_a_share_has_the_interval_of_jeffreys(cast: Cast, places: Places) -> None:
    for day in range(1, LEAST + 1):
        rod(cast, places, day, ("jig", 20, "bit" if day < 3 else "none"))
    (line,) = by_what(tries_of(looks_at(places.shared.pk)))
    assert line.share == pytest.approx(2 / LEAST)
    assert (line.low, line.high) == pytest.approx(
        tuple(beta.ppf(q, 2.5, LEAST - 2 + 0.5) for q in (0.05, 0.95))
    )


def test_conditions_stand_each_by_itself_and_the_unknown_in_none(cast: Cast, places: Places) -> None:
    rod(cast, places, 1, ("jig", 20, "none"), water_temp_c=4.0, secchi_m=0.5)
    rod(cast, places, 2, ("jig", 20, "bit"), secchi_m=3.0)
    tables = dict(by_condition(tries_of(looks_at(places.shared.pk)), Units("m", "C", "kg")))
    assert [line.tries for line in tables["Water temperature"]] == [1]
    assert [line.name for line in tables["Visibility"]] == ["under 1\u00a0m", "2.5\u00a0m and more"]
    assert sum(line.tries for line in tables["Time of day"]) == 2


def test_the_page_is_for_who_sees_the_spot_exactly(
    cast: Cast, places: Places, client_of: Callable[..., Client]
) -> None:
    rod(cast, places, 1, ("jig", 20, "none"))
    page = f"/spots/{places.shared.pk}/tried/"
    answer = client_of("member").get(page)
    assert answer.status_code == 200 and "too few to say" in answer.content.decode()
    assert client_of("rival").get(f"/spots/{places.private.pk}/tried/").status_code == 404
    assert client_of("nobody").get(page).status_code in (302, 404)


def test_a_water_counts_what_its_reader_sees_in_full_and_no_other_spots(
    cast: Cast, places: Places, client_of: Callable[..., Client]
) -> None:
    rod(cast, places, 1, ("jig", 20, "none"))
    # A sonar look between holds camera and rod together as one visit, as on the spot's own page.
    early, late = NOON - timedelta(days=2), NOON - timedelta(days=2) + 8 * HOUR
    look(cast, "member", places.shared, "camera", early, minutes=6, findings=found("bluegill", 2))
    look(cast, "member", places.shared, "2d", early + 4 * HOUR, groups=sonar("bluegill", 0.7))
    look(cast, "member", places.shared, "rod", late, presentations=(("worm", 20, "none"),))
    look(cast, "member", places.private, "rod", NOON, presentations=(("secret spoon", 9, "landed"),))
    water = places.shared.water_id
    pages = {
        persona: client_of(persona).get(f"/waters/{water}/tried/").content.decode()
        for persona in ("member", "rival")
    }
    assert "secret spoon" in pages["member"] and "secret spoon" not in pages["rival"]
    assert "3 tries" in pages["member"] and "2 tries" in pages["rival"]
    assert "would not bite: 1 of 1" in pages["rival"]
    assert client_of("guest").get(f"/waters/{water}/tried/").status_code == 404
