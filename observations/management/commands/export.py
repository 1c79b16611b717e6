"""``export``: what a member may take out, as files. Sees exactly what that member's pages show."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from club.models import Member
from club.viewer import viewer_of, viewing
from observations.files.exports import EXPORTS, Asked
from spots.models import Water


class Command(BaseCommand):
    help = (
        "Write the spots that a member sees, each as exactly as they see it (GPX: the exact ones alone), the looks"
        " at exact ones, or Darwin Core occurrences as the public sees them. Not for navigation."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=list(EXPORTS))
        parser.add_argument("--as", dest="member", metavar="USER", required=True, help="The sign-in name.")
        parser.add_argument("--water", default="", metavar="NAME", help="Only this water.")
        parser.add_argument(
            "--of",
            default="",
            metavar="WHOSE",
            help="Whose occurrences to give away: self, team:<id> or club.",
        )
        parser.add_argument("--out", type=Path, metavar="FILE", help="A new file; without it, to the screen.")

    def handle(self, *args: Any, **options: Any) -> None:
        member = Member.objects.filter(username=options["member"], is_active=True).first()
        if member is None:
            raise CommandError(f'--as: nobody signs in as "{options["member"]}".')
        water = Water.objects.filter(name__iexact=options["water"]).first() if options["water"] else None
        if options["water"] and water is None:
            raise CommandError(f'--water: there is no water called "{options["water"]}".')
        viewer, moment = viewer_of(member), timezone.now()
        asked = Asked(viewer, moment, water.pk if water else None, of=options["of"])
        try:
            with viewing(viewer, moment):
                written = EXPORTS[options["what"]].write(asked)
        except ValidationError as error:
            raise CommandError(f"--of: {' '.join(error.messages)}") from error
        if written.held:
            self.stderr.write(
                f"{written.held} positions are held back until tomorrow by the club's daily cap."
            )
        path: Path | None = options["out"]
        if path is None:
            self.stdout.write(written.text, ending="")
            return
        try:
            # It holds exact positions: for its owner's eyes alone.
            path.touch(mode=0o600, exist_ok=False)
            path.write_bytes(written.text.encode())
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.") from error
