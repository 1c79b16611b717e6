"""`backup [FILE]`: the club in one file."""

from argparse import ArgumentParser
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from club.archive import ArchiveError, back_up


class Command(BaseCommand):
    help = "Write the database and the pictures to one file. It holds every position: keep it private."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", nargs="?", type=Path, help="tallow-DATE-TIME.tar here, if not given")

    def handle(self, *args: Any, **options: Any) -> None:
        target = options["file"] or Path(f"tallow-{datetime.now(UTC):%Y%m%d-%H%M%S}.tar")
        try:
            about = back_up(target.absolute())
        except ArchiveError as error:
            raise CommandError(str(error)) from error
        size = target.stat().st_size / 1e6
        self.stdout.write(f"{target}: the database and {about.pictures} pictures, {size:.1f} MB.")
