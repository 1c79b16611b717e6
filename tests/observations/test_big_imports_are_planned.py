"""An import into tables that a statistics run found empty takes as long as one into tables never counted.

Dead rows of what was rolled back, counted by autovacuum, make the planner believe that a table of any size holds
nothing. Without `club.counting.grew` this one took 76 s where it takes 4 s otherwise.
"""

from pathlib import Path
from time import perf_counter

from django.db import connection, transaction

from spots.models import Water
from tests.conftest import Cast
from tests.observations.files_kit import csv_of
from tests.observations.test_files_an_import_is_all_or_nothing import many_looks, many_waypoints, run


class _BackError(Exception):
    pass


def test_statistics_of_an_empty_club_do_not_slow_an_import_down(
    cast: Cast, water: Water, tmp_path: Path
) -> None:
    gpx, csv = tmp_path / "plotter.gpx", tmp_path / "old.csv"
    gpx.write_bytes(many_waypoints(1000))
    csv.write_bytes(csv_of(*many_looks(2000)))
    took = []
    for _ in range(2):
        start = perf_counter()
        try:
            with transaction.atomic():
                run(gpx, "--as", "organiser")
                run(csv, "--as", "organiser", "--create-members")
                raise _BackError
        except _BackError:
            took.append(perf_counter() - start)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")  # dead pages, and nothing that lives in them
    print(f"never counted {took[0]:.1f} s, counted as empty {took[1]:.1f} s")
    assert took[1] < 5 * took[0]
