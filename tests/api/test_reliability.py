"""How far calls can be believed: the club's tables for members, one's own for oneself alone."""

import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from club.models import Member
from observations import jobs
from observations.models import Refit, Reliability
from tests.api.document import ApiOf
from tests.conftest import Cast, Places, found, look, see, sonar

RELIABILITY = "/api/reliability/"


@pytest.fixture
def proved_calls(cast: Cast, places: Places) -> None:
    """Eight crappie calls of the member, six right; one of rival and of captain, both wrong; one private, wrong."""
    start = timezone.now() - timedelta(days=30)
    others = [("rival", False), ("captain", False)]
    for day, (persona, right) in enumerate([("member", n < 6) for n in range(8)] + others):
        at = start + timedelta(days=day)
        look(
            cast, persona, places.shared, "down", at,
            groups=sonar("white-crappie", 0.75), random_check=day in (0, 2, 4, 8, 9), seal="record",
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
    everybody = told["methods"]
    assert [(row["method"], row["mine"], row["looks"]) for row in everybody] == [("down", False, 10)]
    (call,) = everybody[0]["calls"]
    assert (call["call"], call["made"], call["proofs"]) == ("white-crappie", 10, 10)
    truths = {row["species"]: row for row in call["truths"]}
    assert sum(row["probability"] for row in truths.values()) + call["other"] == pytest.approx(1, abs=1e-5)
    # Right only where it was that species, so both figures are that cell's.
    assert call["right"] == truths["white-crappie"]["probability"]
    assert call["right_interval"] == truths["white-crappie"]["interval"]
    assert call["right_proofs"] == 6
    assert (truths["white-crappie"]["proofs"], truths["bluegill"]["proofs"]) == (6, 4)
    for row in truths.values():
        low, high = row["interval"]
        assert 0 <= low <= row["probability"] <= high <= 1
    assert call["truths"][0]["species"] == "white-crappie"
    assert "largemouth-bass" in everybody[0]["called_only"]


def test_stated_probabilities_are_scored_by_hand(api: ApiOf, cast: Cast, proved_calls: None) -> None:
    told = api("newcomer").get(RELIABILITY)["stated"]
    (everybody,) = told
    # Ten calls at 0.75, six right: (6 * 0.25^2 + 4 * 0.75^2) / 10.
    assert (everybody["proofs"], everybody["brier"]) == (10, 0.2625)
    assert [(b["count"], b["observed"]) for b in everybody["diagram"]] == [(10, 0.6)]


def test_quarters_count_what_was_proved_by_hand(api: ApiOf, cast: Cast, proved_calls: None) -> None:
    (told,) = api("newcomer").get(f"{RELIABILITY}?observer=club")["stated"]
    assert (sum(q["proofs"] for q in told["quarters"]), sum(q["right"] for q in told["quarters"])) == (10, 6)
    start = timezone.now() - timedelta(days=30)
    assert told["quarters"][0]["quarter"] == f"{start.year}-Q{(start.month + 2) // 3}"


def test_looks_that_the_draw_asked_for_are_told_apart(api: ApiOf, cast: Cast, proved_calls: None) -> None:
    drawn = api("newcomer").get(f"{RELIABILITY}?part=drawn")["methods"]
    assert {row["drawn_only"] for row in drawn} == {True}
    assert [(row["method"], row["looks"], row["calls"][0]["made"]) for row in drawn] == [("down", 5, 5)]


def test_calls_sealed_on_a_phone_count_and_are_scored_apart(
    api: ApiOf, cast: Cast, places: Places, proved_calls: None
) -> None:
    start = timezone.now() - timedelta(days=10)
    for day, persona in enumerate(("rival", "captain", "member")):
        at = start + timedelta(days=day)
        look(
            cast, persona, places.shared, "down", at, groups=sonar("white-crappie", 0.9), device_sealed_at=at
        )
        look(
            cast, persona, places.shared, "camera", at + timedelta(minutes=9), minutes=6,
            findings=found("bluegill", 2, tie="same fish"),
        )  # fmt: skip
    jobs.refit()
    of_all, apart = (api("newcomer").get(f"{RELIABILITY}?part={part}") for part in ("whole", "device"))
    assert [row["looks"] for row in of_all["methods"]] == [13]
    assert [(row["looks"], row["drawn_only"]) for row in apart["methods"]] == [(3, False)]
    stated = {row["device_only"]: row for told in (of_all, apart) for row in told["stated"]}
    # Three calls at 0.9, none right; before them ten at 0.75, six right.
    assert (stated[True]["proofs"], stated[True]["brier"]) == (3, 0.81)
    assert stated[False]["proofs"] == 13
    assert stated[False]["brier"] == pytest.approx((2.625 + 3 * 0.81) / 13, abs=1e-6)


def test_ones_own_table_is_for_oneself_alone(api: ApiOf, cast: Cast, proved_calls: None) -> None:
    def mine(persona: str) -> list[tuple[str, int]]:
        told = api(persona).get(RELIABILITY)["methods"]
        return [(row["method"], row["looks"]) for row in told if row["mine"]]

    assert mine("member") == [("down", 8)], "the private look is no evidence here"
    assert mine("rival") == [("down", 1)]
    assert mine("organiser") == mine("newcomer") == []


def test_the_database_keeps_tables_of_others_back(cast: Cast, proved_calls: None) -> None:
    def read(expected: dict[str, set[Any]]) -> None:
        for persona, observers in expected.items():
            with see(cast, persona):
                got = set(Reliability.objects.values_list("observer_id", flat=True))
                assert got == observers, persona

    closed = {"member": {None, cast.member.pk}, "organiser": {None}, "guest": set(), "nobody": set()}
    read(closed)
    Member.objects.filter(pk=cast.member.pk).update(shares_reliability=True)
    read({**closed, "organiser": {None, cast.member.pk}})
    # Whoever leaves takes the yes along, and taking it back is enough.
    for change in ({"is_active": False}, {"is_active": True, "shares_reliability": False}):
        Member.objects.filter(pk=cast.member.pk).update(**change)
        read({"organiser": {None}, "guest": set()})


def test_the_clubs_figures_of_fewer_than_three_are_told_while_each_of_the_others_agrees(
    api: ApiOf, cast: Cast, proved_calls: None
) -> None:
    """Less one's own, they would be another's; nobody is excepted, the organiser neither."""
    callers = Reliability.objects.exclude(observer=None)
    callers.filter(observer=cast.captain).delete()

    def told() -> dict[str, bool]:
        personas = ("member", "rival", "captain", "newcomer", "organiser")
        answers = {persona: api(persona).get(f"{RELIABILITY}?observer=club") for persona in personas}
        assert all(bool(answer["methods"]) == bool(answer["stated"]) for answer in answers.values())
        return {persona: bool(answer["methods"]) for persona, answer in answers.items()}

    assert not any(told().values())
    Member.objects.filter(pk=cast.rival.pk).update(shares_reliability=True)
    assert told() == {persona: persona == "member" for persona in told()}
    Member.objects.filter(pk=cast.member.pk).update(shares_reliability=True)
    assert all(told().values())
    Member.objects.filter(pk=cast.rival.pk).update(shares_reliability=False)
    assert told() == {persona: persona == "rival" for persona in told()}


def test_a_member_who_agrees_is_read_by_id_and_one_who_does_not_like_one_who_never_was(
    api: ApiOf, cast: Cast, proved_calls: None
) -> None:
    def of(key: object) -> Any:
        return api("newcomer").get(f"{RELIABILITY}?observer={key}")

    nobody = {"as_of": None, "methods": [], "stated": []}
    assert of(cast.member.pk) == of(uuid.uuid4()) == nobody
    Member.objects.filter(pk=cast.member.pk).update(shares_reliability=True)
    assert [(row["mine"], row["observer"]) for row in of(cast.member.pk)["methods"]] == [
        (False, str(cast.member.pk))
    ]
    assert len(api("newcomer").get(RELIABILITY)["methods"]) == 1, "theirs is told where it is asked for"


def test_a_refit_swaps_the_tables_whole(api: ApiOf, cast: Cast, places: Places, proved_calls: None) -> None:
    before = Reliability.objects.count()
    look(cast, "member", places.shared, "2d", timezone.now(), groups=sonar("bluegill", 0.5))
    jobs.refit()
    assert set(Reliability.objects.values_list("refit__is_current", flat=True)) == {True}
    assert Reliability.objects.count() == before + 2  # the new method, everybody's and the member's own
    told = api("member").get(RELIABILITY)
    assert [row["method"] for row in told["methods"] if row["mine"]] == ["2d", "down"]
    current = Refit.objects.get(is_current=True)
    assert told["as_of"] == current.as_of.isoformat()


def test_before_the_first_refit_nothing_is_claimed(api: ApiOf, cast: Cast) -> None:
    assert api("member").get(RELIABILITY) == {"as_of": None, "methods": [], "stated": []}
    jobs.refit()
    assert api("member").get(RELIABILITY)["methods"] == []


def test_reliability_is_for_members(api: ApiOf, cast: Cast) -> None:
    api("guest").get(RELIABILITY, status=403)
    api("nobody").get(RELIABILITY, status=401)
    for slip in ("limit=5", "part=half", "method=rod", "observer=everybody"):
        assert list(api("member").get(f"{RELIABILITY}?{slip}", status=400)) == [slip.partition("=")[0]]
    with connection.cursor() as cursor:
        cursor.execute("SELECT relrowsecurity FROM pg_class WHERE relname = 'observations_reliability'")
        assert cursor.fetchone() == (True,)
