"""`restore FILE`: a backup takes the place of this club."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from club.archive import ArchiveError, restore


class Command(BaseCommand):
    help = "Put a backup in the place of this database and its pictures. Stop the site first."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--force", action="store_true", help="though there is a club in this database")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            about = restore(options["file"].absolute(), force=options["force"])
        except ArchiveError as error:
            raise CommandError(str(error)) from error
        # A backup of an older version has older tables.
        call_command("migrate", interactive=False, verbosity=0)
        self.stdout.write(f"Restored: the database and {about.pictures} pictures of {about.made_at}.")
