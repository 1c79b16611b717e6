"""A water's level series: in from a CSV, out again, and the level of a look that says none.

Between readings it is a straight line: numpy.interp says the same.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.utils import timezone
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from observations.models import Observation
from spots.files.levels import COLUMNS, NEEDED, plan_levels, save_levels, write_levels
from spots.files.report import Report
from spots.files.table import read_table
from spots.levels import levels_at
from spots.models import PoolLevel, Water
from tests.conftest import Cast, Places, look, see, sonar
from tests.observations.files_kit import errors, imported, planned

pytestmark = pytest.mark.usefixtures("quiet_queue")
MONDAY = datetime(2026, 6, 1, 12, tzinfo=UTC)
CSV = b"at;level_m;source\n2026-06-01T07:00:00-05:00;-0,50;gauge\n2026-06-08T07:00:00-05:00;-1,20;gauge\n"


def read(water: Water) -> list[tuple[datetime, float]]:
    return list(PoolLevel.objects.filter(water=water).values_list("at", "level_m"))


def test_an_organiser_brings_in_readings_and_the_same_file_adds_nothing(cast: Cast, water: Water) -> None:
    imported(cast.organiser, "levels.csv", CSV, water="Test water")
    assert read(water) == [(MONDAY, -0.5), (MONDAY + timedelta(days=7), -1.2)]
    again = imported(cast.organiser, "levels.csv", CSV, water="Test water")
    assert again.is_empty and again.spots.left_out == {"there already": 2}


def test_another_value_stops_unless_it_is_to_replace(cast: Cast, water: Water) -> None:
    imported(cast.organiser, "levels.csv", CSV, water="Test water")
    changed = CSV.replace(b"-0,50", b"-0,60")
    told = errors(planned(cast.organiser, "levels.csv", changed, water="Test water"))
    assert [(line, column, value) for line, column, value, _ in told] == [(2, "level_m", "-0,60")]
    imported(cast.organiser, "levels.csv", changed, water="Test water", replace=True)
    assert read(water)[0] == (MONDAY, -0.6)


def test_an_elevation_is_taken_from_full_pool_and_a_day_is_its_noon(cast: Cast, water: Water) -> None:
    data = b"water,at,elevation_m\nTest water,2026-06-01,213.4\n"
    assert "no full pool yet" in errors(planned(cast.organiser, "a.csv", data))[0][3]
    Water.objects.update(full_pool_m=214.0)
    imported(cast.organiser, "a.csv", data)
    assert read(water) == [(datetime(2026, 6, 1, 17, tzinfo=UTC), -0.6)]  # noon in Chicago


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("Nowhere,2026-06-01,1,", "water"),
        ("Test water,yesterday,1,", "at"),
        ("Test water,2126-06-01,1,", "at"),
        ("Test water,2026-06-01,NaN,", "level_m"),
        ("Test water,2026-06-01,inf,", "level_m"),
        ("Test water,2026-06-01,213.4,", "level_m"),
        ("Test water,2026-06-01,,", "level_m"),
        ("Test water,2026-06-01,-1,213", "level_m"),
        (",2026-06-01,-1,", "water"),
    ],
)
def test_a_bad_row_is_named_and_nothing_saved(cast: Cast, water: Water, row: str, column: str) -> None:
    data = f"water,at,level_m,elevation_m\nTest water,2026-05-01,-0.1,\n{row}\n".encode()
    assert [(line, name) for line, name, _, _ in errors(planned(cast.organiser, "a.csv", data))] == [
        (3, column)
    ]


def test_two_readings_of_one_time_contradict(cast: Cast, water: Water) -> None:
    data = b"at,level_m\n2026-06-01T12:00:00Z,-1\n2026-06-01T07:00:00-05:00,-2\n"
    told = errors(planned(cast.organiser, "a.csv", data, water="Test water"))
    assert told == [(3, "at", "2026-06-01T07:00:00-05:00", "Line 2 has this time already.")]


def test_only_an_organiser_writes_and_everybody_reads(
    cast: Cast, water: Water, client_of: Callable[..., Client]
) -> None:
    assert "Only an organiser" in errors(planned(cast.member, "a.csv", CSV, water="Test water"))[0][3]
    imported(cast.organiser, "levels.csv", CSV, water="Test water")
    for persona in ("member", "guest", "nobody"):
        with see(cast, persona):
            assert PoolLevel.objects.count() == 2
            with pytest.raises(DatabaseError), transaction.atomic():
                PoolLevel.objects.create(water=water, at=MONDAY + timedelta(1), level_m=0, source="")
            assert PoolLevel.objects.filter(water=water).update(level_m=9) == 0
        page = client_of(persona).get(f"/waters/{water.pk}/").content.decode()
        assert "1.20\u00a0m below full pool on 8 June 2026" in page


def test_a_look_that_says_no_level_takes_it_from_the_series(cast: Cast, places: Places) -> None:
    imported(cast.organiser, "levels.csv", CSV, water="Test water")

    def level(at: datetime, **more: Any) -> float | None:
        made = look(cast, "member", places.shared, "2d", at, groups=sonar(), **more)
        return Observation.objects.get(pk=made.pk).pool_level_m

    middle = MONDAY + timedelta(days=3, hours=12)
    expected = float(np.interp(3.5, [0, 7], [-0.5, -1.2]))
    assert level(middle) == pytest.approx(expected, abs=5e-4)
    assert level(MONDAY - timedelta(hours=20)) == -0.5
    assert level(MONDAY - timedelta(days=3)) is None
    assert level(middle + timedelta(minutes=1), pool_level_m=-0.9) == -0.9, "what was said stands"


def test_a_long_gap_is_no_line(water: Water) -> None:
    for days, value in ((0, -1.0), (30, -2.0)):
        PoolLevel.objects.create(water=water, at=MONDAY + timedelta(days=days), level_m=value)
    asked = [MONDAY + timedelta(hours=hours) for hours in (0, 23, 25, 15 * 24, 29 * 24 + 1)]
    assert levels_at([(water.pk, at) for at in asked]) == [-1.0, -1.0, None, None, -2.0]


# Whole seconds, since 1900; to a tenth of a millimetre, as surveys write them.
_READINGS = st.dictionaries(
    st.datetimes(datetime(1950, 1, 1), datetime(2026, 6, 1)).map(
        lambda at: at.replace(microsecond=0, tzinfo=UTC)
    ),
    st.tuples(st.integers(-2_000_000, 500_000).map(lambda n: n / 10_000), st.text(max_size=20)),
    max_size=6,
)


@settings(
    max_examples=20,
    deadline=None,
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(readings=_READINGS)
def test_what_goes_out_comes_back_as_it_was(
    water: Water, readings: dict[datetime, tuple[float, str]]
) -> None:
    PoolLevel.objects.all().delete()
    sources = {
        at: " ".join("".join(c for c in s if c.isprintable()).split()) for at, (_, s) in readings.items()
    }
    PoolLevel.objects.bulk_create(
        PoolLevel(water=water, at=at, level_m=level, source=sources[at])
        for at, (level, _) in readings.items()
    )
    before = list(PoolLevel.objects.values_list("at", "level_m", "source"))
    text = write_levels()
    PoolLevel.objects.all().delete()
    report = Report()
    save_levels(
        plan_levels(
            read_table(text.encode(), COLUMNS, NEEDED),
            report,
            water=None,
            moment=timezone.now(),
            replace=False,
        )
    )
    assert report.errors == []
    assert list(PoolLevel.objects.values_list("at", "level_m", "source")) == before
