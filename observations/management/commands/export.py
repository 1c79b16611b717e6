"""``export``: what a member may take out, as files. Sees exactly what that member's pages show."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from club.models import Member
from club.viewer import viewer_of, viewing
from observations.files.looks_export import write_looks
from spots.disclosure_models import Channel
from spots.files.gpx import write_gpx
from spots.models import Water
from spots.precision import released_spots


class Command(BaseCommand):
    help = (
        "Write the spots that a member sees exactly as GPX, or the looks at them as CSV. Not for navigation."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("what", choices=["spots.gpx", "looks.csv"])
        parser.add_argument("--as", dest="member", metavar="USER", required=True, help="The sign-in name.")
        parser.add_argument("--water", default="", metavar="NAME", help="Only this water.")
        parser.add_argument("--out", type=Path, metavar="FILE", help="A new file; without it, to the screen.")

    def handle(self, *args: Any, **options: Any) -> None:
        member = Member.objects.filter(username=options["member"], is_active=True).first()
        if member is None:
            raise CommandError(f'--as: nobody signs in as "{options["member"]}".')
        water = Water.objects.filter(name__iexact=options["water"]).first() if options["water"] else None
        if options["water"] and water is None:
            raise CommandError(f'--water: there is no water called "{options["water"]}".')
        with viewing(viewer_of(member), timezone.now()):
            water_id = water.pk if water else None
            if options["what"] == "spots.gpx":
                text = write_gpx(released_spots(water_id=water_id, channel=Channel.EXPORT))
            else:
                text, _ = write_looks(water_id)
        path: Path | None = options["out"]
        if path is None:
            self.stdout.write(text, ending="")
            return
        try:
            # It holds exact positions: for its owner's eyes alone.
            path.touch(mode=0o600, exist_ok=False)
            path.write_bytes(text.encode())
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.") from error
