"""The looks of one visit, side by side by method, with what was called and what it turned out to be."""

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from observations.inference.grouping import visits
from observations.inference.types import Evidence, Taxa
from observations.models import EchoGroup, Observation
from observations.visits import Kinds, visits_of
from tests.conftest import Cast, Places, found, look, see, sonar

AT = datetime(2026, 6, 1, 12, tzinfo=UTC)


def page_of(response: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", response.content.decode()))


@pytest.fixture
def a_visit(cast: Cast, places: Places, quiet_queue: Any) -> None:
    first = look(cast, "member", places.shared, "2d", AT, minutes=3, groups=sonar("white-crappie", 0.7))
    group = EchoGroup.objects.get(look=first)
    other = look(
        cast, "newcomer", places.shared, "forward", AT + timedelta(minutes=5), groups=sonar("black-bass", 0.6)
    )
    settled = EchoGroup.objects.get(look=other)
    look(
        cast, "member", places.shared, "camera", AT + timedelta(minutes=9), minutes=6, secchi_m=2.0,
        findings=found("largemouth-bass", 2, tie="same fish", settles=group.pk),
    )  # fmt: skip
    look(
        cast, "newcomer", places.shared, "camera", AT + timedelta(minutes=12), minutes=6,
        findings=found("bluegill", 1, tie="same cover", settles=settled.pk),
    )  # fmt: skip
    look(cast, "member", places.shared, "2d", AT + timedelta(days=1), groups=sonar("bluegill", 0.9))


def test_a_call_stands_beside_what_it_turned_out_to_be(
    a_visit: None, cast: Cast, places: Places, client_of: Any
) -> None:
    text = page_of(client_of("newcomer").get(f"/spots/{places.shared.pk}/side-by-side/"))
    assert "Call was wrong Largemouth bass, the same fish by camera, " in text
    assert "Not settled Bluegill in the same cover by camera, " in text, "the same place settles no call"
    assert "verified" not in text and "The same fish as 2D sonar, " in text
    assert text.count("Not looked with this") == 3, "down-looking, side-scan and rod are shown as missing"
    assert "2 methods" not in text.split("Lay another beside")[1], "the look of the next day is another visit"


def test_two_visits_stand_under_each_other(a_visit: None, cast: Cast, places: Places, client_of: Any) -> None:
    with see(cast, "member"):
        later = Observation.objects.order_by("-started_at").first()
    assert later is not None
    client = client_of("member")
    text = page_of(client.get(f"/spots/{places.shared.pk}/side-by-side/?beside={later.pk}"))
    assert "1 look by 1 method" in text and "4 looks by 3 methods" in text
    text = page_of(client.get(f"/spots/{places.shared.pk}/side-by-side/?spot={places.private.pk}"))
    assert "4 looks by 3 methods" in text


@pytest.mark.parametrize("query", ["", "?spot={shared}", "?visit={look}", "?beside={look}"])
def test_below_exact_there_is_no_such_page(
    a_visit: None, cast: Cast, places: Places, client_of: Any, query: str
) -> None:
    with see(cast, "member"):
        a_look = Observation.objects.order_by("started_at")[0]
    path = f"/spots/{places.club.pk}/side-by-side/{query.format(shared=places.shared.pk, look=a_look.pk)}"
    hidden = client_of("rival").get(path)
    assert hidden.status_code == 404
    other = f"/spots/{places.shared.pk}/side-by-side/?spot={places.private.pk}"
    assert client_of("rival").get(other).status_code == 404
    assert client_of("guest").get(f"/spots/{places.shared.pk}/side-by-side/").status_code == 404


@given(st.lists(st.integers(0, 5000), min_size=1, max_size=12))
def test_visits_are_those_that_the_computation_counts(minutes: list[int]) -> None:
    looks = [Observation(method="2d", started_at=AT + timedelta(minutes=m)) for m in sorted(minutes)]
    made = visits_of(looks)
    evidence = Evidence.make(
        Taxa(("bass",), np.array([-1]), np.array([True])), AT.timestamp() / 86400 + 10, spots=["a"],
        spot=[0] * len(looks), time=[one.started_at.timestamp() / 86400 for one in looks],
        method=[0] * len(looks), outcome=[-1] * len(looks),
    )  # fmt: skip
    counted = np.bincount(visits(evidence, 6.0)).tolist()
    assert [len(visit.looks) for visit in reversed(made)] == counted


def test_a_call_at_a_wider_kind_is_right_when_the_truth_lies_under_it(cast: Cast) -> None:
    with see(cast, "member"):
        kinds = Kinds()
    assert kinds.covers("black-bass", "largemouth-bass") and kinds.covers("bluegill", "bluegill")
    assert not kinds.covers("largemouth-bass", "black-bass") and not kinds.covers("crappie", "bluegill")
