import json
import platform
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import connection
from django.utils import timezone

from observations.bench import believing, federation, maps, refreshing

DATABASE = "tallow_bench"


class Command(BaseCommand):
    help = "Measure speed on a synthetic federation in a database of its own; write bench.json."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--quick", action="store_true", help="A small federation: does it run at all?")
        parser.add_argument("--runs", type=int, default=31, help="Turns behind each median.")
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
            found = measure(size, options["runs"], self.stdout.write)
        finally:
            connection.creation.destroy_test_db(own, verbosity=0)
        Path(options["out"]).write_text(json.dumps(found, indent=2) + "\n", encoding="utf-8")
        self.stdout.write(f"Written to {options['out']}.")


def measure(size: federation.Size, runs: int, tell: Any = lambda text: None) -> dict[str, Any]:
    """Seed the connected database, which is empty and migrated, and return what was measured on it."""
    seeded = federation.seed(size, timezone.now(), tell)
    figures = maps.figures(seeded, runs, min(maps.IN_VIEW, size.spots // 2))
    figures += refreshing.figures(seeded, size.looks, runs, tell)
    figures += believing.figures(size.looks, size.refit_looks, tell)
    for figure in figures:
        tell(figure.line())
    with connection.cursor() as cursor:
        cursor.execute("SELECT version()")
        (server,) = cursor.fetchone()
    return {
        "measured_at": seeded.moment.isoformat(),
        "machine": {"python": platform.python_version(), "cpu": platform.machine(), "database": server},
        "federation": {
            "waters": size.waters,
            "spots": size.all_spots,
            "members": size.members,
            "teams": size.teams,
        },
        "figures": [figure.as_dict() for figure in figures],
    }
