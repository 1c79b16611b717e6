import json
import platform
from argparse import ArgumentParser
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import connection
from django.utils import timezone

from observations.bench import believing, federation, maps, refreshing
from observations.bench.timing import Figure

DATABASE = "tallow_bench"
PARTS = ("map", "refresh", "inference")


class Command(BaseCommand):
    help = "Measure speed on a synthetic federation in a database of its own; write bench.json."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--quick", action="store_true", help="A small federation: does it run at all?")
        parser.add_argument("--runs", type=int, default=31, help="Turns behind each median.")
        parser.add_argument("--part", choices=PARTS, action="append", help="Only this; may be given again.")
        parser.add_argument("--out", default="bench.json", metavar="FILE")

    def handle(self, *args: Any, **options: Any) -> None:
        size = federation.QUICK if options["quick"] else federation.FULL
        own = connection.settings_dict["NAME"]
        # As the test suite makes one: created, migrated, dropped; the club's own is never touched.
        connection.settings_dict["TEST"]["NAME"] = DATABASE
        settings.ALLOWED_HOSTS = ["testserver"]
        settings.STORAGES = {
            **settings.STORAGES,
            "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
        }
        connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
        try:
            found = measure(size, options["runs"], self.stdout.write, options["part"] or PARTS)
        finally:
            connection.creation.destroy_test_db(own, verbosity=0)
        Path(options["out"]).write_text(json.dumps(found, indent=2) + "\n", encoding="utf-8")
        self.stdout.write(f"Written to {options['out']}.")


def measure(
    size: federation.Size, runs: int, tell: Any = lambda text: None, parts: Iterable[str] = PARTS
) -> dict[str, Any]:
    """Measure on the connected database, empty and migrated; tell what is found as it comes, and return it."""
    moment, figures = timezone.now(), []
    if {"map", "refresh"} & set(parts):
        seeded = federation.seed(size, moment, tell)
    if "map" in parts:
        figures += told(tell, maps.figures(seeded, runs, min(maps.IN_VIEW, size.spots // 2)))
    if "refresh" in parts:
        figures += told(tell, refreshing.figures(seeded, size.looks, runs, tell))
    if "inference" in parts:
        figures += told(tell, believing.figures(size.looks, size.refit_looks, runs, tell))
    with connection.cursor() as cursor:
        cursor.execute("SELECT version()")
        (server,) = cursor.fetchone()
    return {
        "measured_at": moment.isoformat(),
        "machine": {"python": platform.python_version(), "cpu": platform.machine(), "database": server},
        "federation": {
            "waters": size.waters,
            "spots": size.all_spots,
            "members": size.members,
            "teams": size.teams,
        },
        "figures": [figure.as_dict() for figure in figures],
    }


def told(tell: Any, figures: Iterable[Figure]) -> list[Figure]:
    """Tell each figure as soon as it is there: the last of them come after many minutes."""
    kept = []
    for figure in figures:
        tell(figure.line())
        kept.append(figure)
    return kept
