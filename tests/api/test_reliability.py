"""How far calls can be believed: the club's tables for members, one's own for oneself alone."""

from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone

from observations import jobs
from observations.models import Refit, Reliability
from tests.api.document import ApiOf
from tests.conftest import Cast, Places, found, look, see, sonar

RELIABILITY = "/api/reliability/"


@pytest.fixture
def proved_calls(cast: Cast, places: Places) -> None:
    """Eight crappie calls of the member, six of them right; two of the rival, both wrong; one private and wrong."""
    start = timezone.now() - timedelta(days=30)
    for day, (persona, right) in enumerate([("member", n < 6) for n in range(8)] + [("rival", False)] * 2):
        at = start + timedelta(days=day)
        look(
            cast, persona, places.shared, "down", at,
            groups=sonar("white-crappie", 0.75), random_check=day % 2 == 0, seal="record",
        )  # fmt: skip
        look(
            cast, persona, places.shared, "camera", at + timedelta(minutes=9), minutes=6,
            findings=found("white-crappie" if right else "bluegill", 2, tie="same fish"),
        )  # fmt: skip
    at = start + timedelta(days=12)
    look(cast, "member", places.private, "down", at, groups=sonar("largemouth-bass", 0.9))
    jobs.refit()


def test_members_are_told_the_truth_behind_a_call_with_its_proofs(
    api: ApiOf, cast: Cast, proved_calls: None
) -> None:
    told = api("newcomer").get(RELIABILITY)
    everybody = [row for row in told["methods"] if not row["drawn_only"]]
    assert [(row["method"], row["mine"], row["looks"]) for row in everybody] == [("down", False, 10)]
    (call,) = everybody[0]["calls"]
    assert (call["call"], call["made"], call["proofs"]) == ("white-crappie", 10, 10)
    truths = {row["species"]: row for row in call["truths"]}
    assert sum(row["probability"] for row in truths.values()) == pytest.approx(1, abs=1e-5)
    assert (truths["white-crappie"]["proofs"], truths["bluegill"]["proofs"]) == (6, 4)
    for row in truths.values():
        low, high = row["interval"]
        assert 0 <= low <= row["probability"] <= high <= 1
    assert call["truths"][0]["species"] == "white-crappie"
    assert "largemouth-bass" in everybody[0]["called_only"]


def test_stated_probabilities_are_scored_by_hand(api: ApiOf, cast: Cast, proved_calls: None) -> None:
    told = api("newcomer").get(RELIABILITY)["stated"]
    everybody = next(row for row in told if not row["drawn_only"])
    # Ten calls at 0.75, six right: (6 * 0.25^2 + 4 * 0.75^2) / 10.
    assert (everybody["proofs"], everybody["brier"]) == (10, 0.2625)
    assert [(b["count"], b["observed"]) for b in everybody["diagram"]] == [(10, 0.6)]


def test_looks_that_the_draw_asked_for_are_told_apart(api: ApiOf, cast: Cast, proved_calls: None) -> None:
    drawn = [row for row in api("newcomer").get(RELIABILITY)["methods"] if row["drawn_only"]]
    assert [(row["method"], row["looks"], row["calls"][0]["made"]) for row in drawn] == [("down", 5, 5)]


def test_calls_sealed_on_a_phone_count_and_are_scored_apart(
    api: ApiOf, cast: Cast, places: Places, proved_calls: None
) -> None:
    start = timezone.now() - timedelta(days=10)
    for day in range(3):
        at = start + timedelta(days=day)
        look(
            cast, "rival", places.shared, "down", at, groups=sonar("white-crappie", 0.9), device_sealed_at=at
        )
        look(
            cast, "rival", places.shared, "camera", at + timedelta(minutes=9), minutes=6,
            findings=found("bluegill", 2, tie="same fish"),
        )  # fmt: skip
    jobs.refit()
    told = api("newcomer").get(RELIABILITY)
    of_all = [row for row in told["methods"] if not (row["drawn_only"] or row["device_only"])]
    apart = [row for row in told["methods"] if row["device_only"]]
    assert [row["looks"] for row in of_all] == [13]
    assert [(row["looks"], row["drawn_only"]) for row in apart] == [(3, False)]
    stated = {row["device_only"]: row for row in told["stated"] if not row["drawn_only"]}
    # Three calls at 0.9, none right; before them ten at 0.75, six right.
    assert (stated[True]["proofs"], stated[True]["brier"]) == (3, 0.81)
    assert stated[False]["proofs"] == 13
    assert stated[False]["brier"] == pytest.approx((2.625 + 3 * 0.81) / 13, abs=1e-6)


def test_ones_own_table_is_for_oneself_alone(api: ApiOf, cast: Cast, proved_calls: None) -> None:
    def mine(persona: str) -> list[tuple[str, int]]:
        told = api(persona).get(RELIABILITY)["methods"]
        return [(row["method"], row["looks"]) for row in told if row["mine"] and not row["drawn_only"]]

    assert mine("member") == [("down", 8)], "the private look is no evidence here"
    assert mine("rival") == [("down", 2)]
    assert mine("organiser") == mine("newcomer") == []


def test_the_database_keeps_tables_of_others_back(cast: Cast, proved_calls: None) -> None:
    expected = {"member": {None, cast.member.pk}, "organiser": {None}, "guest": set(), "nobody": set()}
    for persona, observers in expected.items():
        with see(cast, persona):
            assert set(Reliability.objects.values_list("observer_id", flat=True)) == observers, persona


def test_a_refit_swaps_the_tables_whole(api: ApiOf, cast: Cast, places: Places, proved_calls: None) -> None:
    before = Reliability.objects.count()
    look(cast, "member", places.shared, "2d", timezone.now(), groups=sonar("bluegill", 0.5))
    jobs.refit()
    assert set(Reliability.objects.values_list("refit__is_current", flat=True)) == {True}
    assert Reliability.objects.count() == before + 2  # the new method, everybody's and the member's own
    told = api("member").get(RELIABILITY)
    assert [row["method"] for row in told["methods"] if row["mine"] and not row["drawn_only"]] == [
        "2d",
        "down",
    ]
    current = Refit.objects.get(is_current=True)
    assert told["as_of"] == current.as_of.isoformat()


def test_before_the_first_refit_nothing_is_claimed(api: ApiOf, cast: Cast) -> None:
    assert api("member").get(RELIABILITY) == {"as_of": None, "methods": [], "stated": []}
    jobs.refit()
    assert api("member").get(RELIABILITY)["methods"] == []


def test_reliability_is_for_members(api: ApiOf, cast: Cast) -> None:
    api("guest").get(RELIABILITY, status=403)
    api("nobody").get(RELIABILITY, status=401)
    assert list(api("member").get(f"{RELIABILITY}?limit=5", status=400)) == ["limit"]
    with connection.cursor() as cursor:
        cursor.execute("SELECT relrowsecurity FROM pg_class WHERE relname = 'observations_reliability'")
        assert cursor.fetchone() == (True,)
