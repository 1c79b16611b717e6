"""Grades, months, effort and last verified on an example small enough to count with a pencil.

The book of one spot, by hand:

    12 Jun 2025 06:00  2D          4-8 echoes, called white crappie at 70 %
    12 Jun 2025 06:10  camera      6 min, saw 2 largemouth bass, the same fish     (confirmed by the checker)
    13 Jun 2025 06:00  2D          no echoes
    20 Jul 2025 18:00  rod         2 lines for 45 min = 1.5 rod-hours, landed 1 bluegill
    21 Jul 2025 18:00  rod         1.0 rod-hours, nothing
     3 Oct 2025 07:00  down        1-3 echoes, called largemouth bass at 60 %
     3 Oct 2025 07:30  camera      4 min, nothing
"""

from datetime import UTC, datetime
from typing import Any

import pytest
from django.utils import timezone

from observations import jobs
from observations.models import Finding, History
from observations.services import confirm
from tests.conftest import Cast, Places, found, look, see, sonar

JUNE = datetime(2025, 6, 12, 11, 0, tzinfo=UTC)  # 06:00 in the water's own time


@pytest.fixture
def rows(cast: Cast, places: Places, quiet_queue: Any) -> dict[str, History]:
    spot = places.shared
    local = {"utc_offset_min": -300}
    look(cast, "member", spot, "2d", JUNE, groups=sonar("white-crappie", 0.7), **local)
    look(cast, "member", spot, "camera", JUNE.replace(minute=10), minutes=6,
         findings=found("largemouth-bass", 2, tie="same fish"), **local)  # fmt: skip
    look(cast, "teammate", spot, "2d", datetime(2025, 6, 13, 11, tzinfo=UTC), groups=sonar(count=0), **local)
    look(cast, "rival", spot, "rod", datetime(2025, 7, 20, 23, tzinfo=UTC), minutes=45, rod_hours=1.5,
         findings=found("bluegill"), **local)  # fmt: skip
    look(cast, "rival", spot, "rod", datetime(2025, 7, 21, 23, tzinfo=UTC), rod_hours=1.0, **local)
    look(cast, "captain", spot, "down", datetime(2025, 10, 3, 12, tzinfo=UTC),
         groups=sonar("largemouth-bass", 0.6, count=2), **local)  # fmt: skip
    look(cast, "captain", spot, "camera", datetime(2025, 10, 3, 12, 30, tzinfo=UTC), minutes=4, **local)
    bass = Finding.objects.get(species="largemouth-bass")
    with see(cast, "checker"):
        confirm(bass, cast.checker, "largemouth-bass", "confirmed", "", timezone.now())
    jobs.refit()
    return {row.species_id: row for row in History.objects.filter(spot=spot, scope="club", edition="live")}


def grades(row: History) -> tuple[int, int, int, int]:
    return row.called, row.seen, row.landed, row.verified


def test_each_look_counts_once_at_its_highest_grade(rows: dict[str, History]) -> None:
    assert grades(rows["largemouth-bass"]) == (1, 0, 0, 1), "called in October; seen in June, and verified"
    assert grades(rows["white-crappie"]) == (1, 0, 0, 0)
    assert grades(rows["bluegill"]) == (0, 0, 1, 0)
    assert grades(rows["channel-catfish"]) == (0, 0, 0, 0)


def test_effort_stands_in_the_month_of_the_place(rows: dict[str, History]) -> None:
    months = rows["bluegill"].months
    effort = {m["month"]: (m["looks"], m["camera_minutes"], m["rod_hours"]) for m in months if m["looks"]}
    assert effort == {6: (3, 6.0, 0.0), 7: (2, 0.0, 2.5), 10: (2, 4.0, 0.0)}
    assert [m["month"] for m in months] == list(range(1, 13))


def test_each_month_shows_its_best_grade_and_says_where_nobody_looked(rows: dict[str, History]) -> None:
    bass = {m["month"]: m["grade"] for m in rows["largemouth-bass"].months}
    assert bass[6] == "verified" and bass[7] == "none" and bass[10] == "called" and bass[1] == ""
    bluegill = {m["month"]: m["grade"] for m in rows["bluegill"].months}
    assert bluegill[6] == "none" and bluegill[7] == "landed"


def test_last_verified_is_when_it_was_seen_not_when_it_was_checked(rows: dict[str, History]) -> None:
    assert rows["largemouth-bass"].last_verified == JUNE.replace(minute=10)
    assert rows["bluegill"].last_verified is None


def test_four_people_looked_so_the_history_may_be_published(rows: dict[str, History]) -> None:
    assert {(row.looks, row.contributors, row.thick) for row in rows.values()} == {(7, 4, True)}


def test_proof_raises_and_the_wrong_call_does_not(rows: dict[str, History]) -> None:
    """A confirmed bass outweighs a call of crappie that the camera contradicted."""
    june = {code: row.months[5] for code, row in rows.items()}
    assert june["largemouth-bass"]["probability"] > june["white-crappie"]["probability"]
    assert june["largemouth-bass"]["low"] > june["channel-catfish"]["low"]
