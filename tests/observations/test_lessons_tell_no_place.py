"""Lessons: what is told of a private look, from when, to whom, and that it can be taken back."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from scipy.integrate import quad

from club.models import Member
from observations import jobs, lessons
from observations.lesson_models import Lesson, LessonChoice, LessonEdition, LessonShare, LessonSource
from observations.models import History, Observation, Refit
from spots.models import Spot
from tests.conftest import Cast, Places, found, look, see, sonar
from tests.spots.event_kit import make_event

MAY = datetime(2026, 5, 20, 15, tzinfo=UTC)
JUNE = datetime(2026, 6, 10, tzinfo=UTC)
JULY = datetime(2026, 7, 3, tzinfo=UTC)
THREE = ("member", "rival", "newcomer")


def received(looks: Any, at: datetime) -> None:
    """Let looks have come in at a time: the server's clock is not the test's."""
    keys = [one.pk for one in looks]
    Observation.objects.filter(pk__in=keys).update(received_at=at)
    for one in looks:
        one.findings.update(received_at=at)


def proved(cast: Cast, persona: str, spot: Spot, at: datetime = MAY, **more: Any) -> Observation:
    """A private look of the persona's, called white crappie, and watched to the lure: a largemouth bass."""
    scope = f"member:{getattr(cast, persona).pk}"
    first = look(
        cast, persona, spot, "2d", at, scope=scope, groups=sonar("white-crappie", 0.74, depth_m=6.3),
        seal="record", **more,
    )  # fmt: skip
    rod = look(
        cast, persona, spot, "rod", at + timedelta(minutes=20), scope=scope, rod_hours=0.5,
        findings=found("largemouth-bass", lengths_mm=(412,), tie="same fish"),
    )  # fmt: skip
    received([first, rod], at + timedelta(hours=3))
    return first


@pytest.fixture
def three(cast: Cast, places: Places, quiet_queue: Any) -> dict[str, Observation]:
    return {persona: proved(cast, persona, places.shared) for persona in THREE}


def say(cast: Cast, persona: str, one: Observation, yes: bool = True) -> None:
    with see(cast, persona):
        LessonShare.objects.update_or_create(
            look_id=one.pk, owner_id=getattr(cast, persona).pk, defaults={"shared": yes}
        )


def standing(cast: Cast, persona: str, yes: bool = True) -> None:
    with see(cast, persona):
        if yes:
            LessonChoice.objects.create(member_id=getattr(cast, persona).pk)
        else:
            LessonChoice.objects.filter(member_id=getattr(cast, persona).pk).delete()


def test_a_lesson_has_the_fields_that_tell_no_place_and_no_others() -> None:
    assert {field.name for field in Lesson._meta.get_fields()} == {
        "id", "made_at", "method", "frequency", "season", "clarity", "call", "sure", "truth", "grade", "tie",
    }  # fmt: skip


def test_what_is_told_is_coarse_and_nothing_typed_goes_with_it(
    cast: Cast, places: Places, quiet_queue: Any, client_of: Any
) -> None:
    typed = {"text": "455 kHz, Canary Private Laydown 45.032717 -93.287531", "note": "north of the ramp"}
    for persona in THREE:
        more = {"settings": typed, "secchi_m": 1.1, "note": "Canary note", "utc_offset_min": -300}
        say(cast, persona, proved(cast, persona, places.shared, **more))
    assert lessons.new_edition(JUNE)
    rows = Lesson.objects.values(
        "method", "frequency", "season", "clarity", "call_id", "sure", "truth_id", "grade", "tie"
    )
    assert list(rows) == 3 * [
        {
            "method": "2d",
            "frequency": "300-600",
            "season": "3-5",
            "clarity": "stained",
            "call_id": "white-crappie",
            "sure": 70,
            "truth_id": "largemouth-bass",
            "grade": "landed",
            "tie": "same fish",
        }
    ]
    body = client_of("teammate").get("/lessons/").content.decode()
    assert "white crappie" in body.lower() and "3 of 3" in body
    for secret in ("Canary", "45.03", "ramp", "6.3", "412", "455", "20 May", "Test water", "Rival"):
        assert secret not in body.partition("<main")[2], secret


def test_off_at_first_and_a_look_is_a_lesson_only_by_its_observers_yes(
    cast: Cast, places: Places, three: dict[str, Observation]
) -> None:
    assert lessons.new_edition(JUNE)
    assert not Lesson.objects.exists()
    for persona in THREE:
        standing(cast, persona)
    say(cast, "rival", three["rival"], yes=False)
    other = proved(cast, "rival", places.shared, MAY + timedelta(days=1))
    assert lessons.new_edition(JULY)
    assert set(LessonSource.objects.values_list("look_id", flat=True)) == {
        three["member"].pk, three["newcomer"].pk, other.pk,
    }  # fmt: skip


def test_fewer_than_three_are_not_told_unless_each_lets_it(cast: Cast, three: dict[str, Observation]) -> None:
    say(cast, "member", three["member"])
    say(cast, "rival", three["rival"])
    assert lessons.new_edition(JUNE)
    assert not Lesson.objects.exists()
    Member.objects.filter(pk__in=[cast.member.pk, cast.rival.pk]).update(shares_thin_history=True)
    assert lessons.new_edition(JULY)
    assert Lesson.objects.count() == 2
    with see(cast, "rival"):
        Member.objects.filter(pk=cast.rival.pk).update(shares_thin_history=False)
    assert not Lesson.objects.exists(), "a no to few holds at once"


def test_an_edition_is_of_looks_that_came_in_before_its_month_and_comes_once(
    cast: Cast, places: Places, three: dict[str, Observation]
) -> None:
    for persona in THREE:
        standing(cast, persona)
    proved(cast, "member", places.shared, JUNE - timedelta(days=2))
    assert lessons.new_edition(JUNE)
    assert Lesson.objects.count() == 3, "the look of this month waits"
    assert lessons.new_edition(JUNE + timedelta(days=10)) is None
    before = set(Lesson.objects.values_list("pk", flat=True))
    assert lessons.new_edition(JULY)
    assert Lesson.objects.count() == 4
    assert not before & set(Lesson.objects.values_list("pk", flat=True)), "no row can be told as the new one"
    assert Lesson.objects.values("made_at").distinct().count() == 1
    assert LessonEdition.objects.count() == 1


def test_the_order_is_by_what_lessons_say_and_never_by_when_they_came(
    cast: Cast, places: Places, three: dict[str, Observation]
) -> None:
    assert Lesson._meta.ordering[0] == "method" and Lesson._meta.ordering[-1] == "id"
    for persona in THREE:
        standing(cast, persona)
    lessons.new_edition(JUNE)
    rows = list(Lesson.objects.all())
    assert [row.pk for row in rows] == sorted(row.pk for row in rows), "equal ones stand by their random ids"


def test_taking_one_back_holds_at_once_and_so_does_falling_below_three(
    cast: Cast, places: Places, three: dict[str, Observation]
) -> None:
    more = proved(cast, "member", places.shared, MAY + timedelta(days=1))
    for persona in THREE:
        standing(cast, persona)
    lessons.new_edition(JUNE)
    assert Lesson.objects.count() == 4
    say(cast, "member", more, yes=False)
    assert Lesson.objects.count() == 3
    standing(cast, "rival", yes=False)
    assert not Lesson.objects.exists(), "two are left, and neither said that two may be told"


@pytest.mark.parametrize("which", ["the look", "its proof"])
def test_a_look_that_is_taken_back_takes_its_lesson_with_it(
    cast: Cast, places: Places, three: dict[str, Observation], which: str
) -> None:
    for persona in (*THREE, "captain"):
        standing(cast, persona)
    proved(cast, "captain", places.shared)
    lessons.new_edition(JUNE)
    assert Lesson.objects.count() == 4
    key = three["member"].pk
    gone = key if which == "the look" else LessonSource.objects.get(look_id=key).finding.look_id
    with see(cast, "member"):
        Observation.objects.filter(pk=gone).update(withdrawn_at=JUNE)
    assert Lesson.objects.count() == 3


def test_no_edition_is_made_while_a_cut_off_is_on(
    cast: Cast, places: Places, three: dict[str, Observation]
) -> None:
    for persona in THREE:
        standing(cast, persona)
    make_event(
        places.shared.water,
        fishing_from=JUNE.date(), fishing_until=(JUNE + timedelta(days=2)).date(),
        cutoff_at=JUNE - timedelta(days=3), ends_at=JUNE + timedelta(days=3),
    )  # fmt: skip
    assert lessons.new_edition(JUNE) is None
    assert lessons.new_edition(JUNE + timedelta(days=4))
    assert Lesson.objects.count() == 3


def test_calls_from_memory_and_calls_sealed_after_their_proof_make_no_lesson(
    cast: Cast, places: Places, quiet_queue: Any
) -> None:
    scope = f"member:{cast.member.pk}"
    for day, seal in enumerate(("memory", "server", "record")):
        at = MAY + timedelta(days=day)
        look(cast, "member", places.shared, "2d", at, scope=scope, seal=seal, groups=sonar("bluegill", 0.6))
        look(
            cast, "member", places.shared, "camera", at + timedelta(minutes=5), scope=scope, minutes=4,
            findings=found("bluegill", tie="same fish"),
        )  # fmt: skip
    made = lessons.lessons_of(cast.member.pk)
    assert [finding.settles.call.seal for finding in made if finding.settles] == ["record"]


def test_a_proof_by_another_or_a_look_for_the_club_makes_no_lesson(
    cast: Cast, places: Places, quiet_queue: Any
) -> None:
    team = f"team:{cast.alder.pk}"
    mine = look(
        cast, "captain", places.team, "2d", MAY, scope=team, seal="record", groups=sonar("bluegill", 0.6)
    )
    look(
        cast, "teammate", places.team, "camera", MAY + timedelta(minutes=5), scope=team, minutes=4,
        findings=found("bluegill", tie="same fish", settles=mine.groups.get().pk),
    )  # fmt: skip
    look(cast, "member", places.shared, "2d", MAY, seal="record", groups=sonar("bluegill", 0.6))
    look(
        cast, "member", places.shared, "camera", MAY + timedelta(minutes=5), minutes=4,
        findings=found("bluegill", tie="same fish"),
    )  # fmt: skip
    assert not lessons.lessons_of().exists()


def test_nobody_but_its_observer_says_yes_and_nobody_reads_whose_a_lesson_is(
    cast: Cast, three: dict[str, Observation]
) -> None:
    for owner, one in (("rival", "member"), ("member", "rival")):
        with pytest.raises(DatabaseError), transaction.atomic(), see(cast, "rival"):
            LessonShare.objects.create(look_id=three[one].pk, owner_id=getattr(cast, owner).pk, shared=True)
    for persona in THREE:
        standing(cast, persona)
        say(cast, persona, three[persona])
    lessons.new_edition(JUNE)
    for persona in ("rival", "organiser", "checker", "nobody"):
        with pytest.raises(DatabaseError), transaction.atomic(), see(cast, persona):
            LessonSource.objects.count()
    with see(cast, "rival"):
        assert [row.owner_id for row in LessonShare.objects.all()] == [cast.rival.pk]
        assert [row.pk for row in LessonChoice.objects.all()] == [cast.rival.pk]
        assert Lesson.objects.count() == 3
    for persona in ("guest", "nobody"):
        with see(cast, persona):
            assert not Lesson.objects.exists() and not LessonEdition.objects.exists()


def test_no_website_writes_a_lesson(cast: Cast, three: dict[str, Observation]) -> None:
    with pytest.raises(DatabaseError), transaction.atomic(), see(cast, "organiser"):
        Lesson.objects.create(
            made_at=JUNE, method="2d", season="3-5", truth_id="bluegill", grade="seen", tie="same fish"
        )


def test_lessons_leave_the_clubs_parameters_as_they_are(cast: Cast, three: dict[str, Observation]) -> None:
    jobs.refit(JUNE)
    before = Refit.objects.get().parameters
    History.objects.all().delete()
    Refit.objects.all().delete()
    for persona in THREE:
        standing(cast, persona)
    lessons.new_edition(JUNE)
    assert Lesson.objects.count() == 3
    jobs.refit(JUNE)
    assert Refit.objects.get().parameters == before


def test_the_nightly_job_lays_out_the_months_edition(cast: Cast, three: dict[str, Observation]) -> None:
    for persona in THREE:
        standing(cast, persona)
    jobs.nightly_refit()
    assert Lesson.objects.count() == 3


def test_the_pages_share_take_back_and_filter(
    cast: Cast, three: dict[str, Observation], client_of: Any
) -> None:
    for persona in THREE:
        client: Client = client_of(persona)
        assert f"/lessons/mine/{three[persona].pk}/" in client.get("/lessons/mine/").content.decode()
        assert client.post(f"/lessons/mine/{three[persona].pk}/", {"share": "yes"}).status_code == 302
    lessons.new_edition(JUNE)
    reader: Client = client_of("checker")
    assert "3 of 3" in reader.get("/lessons/?method=2d&species=black-bass").content.decode()
    assert "No lesson of that" in reader.get("/lessons/?method=side").content.decode()
    assert "3 of 3" in reader.get("/lessons/?method=nonsense&species=nonsense").content.decode()
    # Another's look answers like one that never was.
    other = client_of("checker").post(f"/lessons/mine/{three['member'].pk}/", {"share": "yes"})
    assert other.status_code == 404
    assert client_of("member").post("/lessons/mine/", {"standing": "yes"}).status_code == 302
    assert LessonChoice.objects.filter(pk=cast.member.pk).exists()
    client_of("member").post(f"/lessons/mine/{three['member'].pk}/", {"share": "no"})
    assert not Lesson.objects.exists()
    assert client_of("guest").get("/lessons/").status_code == 404


@pytest.mark.parametrize(("times", "proofs"), [(1, 4), (7, 9), (2, 30)])
def test_the_interval_is_the_5_and_95_percent_points_of_its_density(times: int, proofs: int) -> None:
    """Checked by adding up the density p^(k-1/2) (1-p)^(n-k-1/2), not by the same library function."""

    def density(p: float) -> float:
        return float(p ** (times - 0.5) * (1 - p) ** (proofs - times - 0.5))

    low, high = lessons.share_interval(times, proofs)
    whole = quad(density, 0, 1)[0]
    assert quad(density, 0, low)[0] / whole == pytest.approx(0.05, abs=1e-6)
    assert quad(density, high, 1)[0] / whole == pytest.approx(0.05, abs=1e-6)


def test_an_interval_reaches_its_end_where_nothing_else_was_seen() -> None:
    assert lessons.share_interval(0, 5)[0] == 0.0
    assert lessons.share_interval(5, 5)[1] == 1.0
