"""``importfile``: waypoints, outlines and looks from a file, as a member would on the import page."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from club.models import Member
from club.viewer import viewer_of, viewing
from observations.files.importer import MOST_BYTES, ImportPlan, Options, plan_import, save_import
from spots.files.report import FileError, Remark
from spots.files.waypoints import SAME_PLACE_M

MOST_SHOWN = 200


class Command(BaseCommand):
    help = (
        "Import spots (GPX waypoints, GeoJSON points, CSV), looks or pool levels (CSV), or an outline (GeoJSON,"
        " GeoPackage, zipped Shapefile). All of the file or nothing is saved; every rejected row is named."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--as", dest="member", metavar="USER", required=True, help="The sign-in name.")
        parser.add_argument("--water", default="", metavar="NAME", help="The water of every row.")
        parser.add_argument("--scope", default="", help="self, a team's name, or club.")
        parser.add_argument("--timezone", default="", metavar="ZONE", help="For an outline that has none.")
        parser.add_argument(
            "--skip-outside", action="store_true", help="Leave out what lies on no water instead of stopping."
        )
        parser.add_argument("--create-members", action="store_true", help="Unknown people become members.")
        parser.add_argument("--replace", action="store_true", help="Replace a water's outline.")
        parser.add_argument(
            "--near",
            type=float,
            default=SAME_PLACE_M,
            metavar="METRES",
            help="A place within so many metres of a spot that the member sees exactly is that spot; 0: never.",
        )
        parser.add_argument("--dry-run", action="store_true", help="Only say what would be saved.")

    def handle(self, *args: Any, **options: Any) -> None:
        path: Path = options["file"]
        try:
            if path.stat().st_size > MOST_BYTES:
                raise CommandError(f"{path.name} is larger than {MOST_BYTES // 1024**2} MB.")
            data = path.read_bytes()
        except OSError as error:
            raise CommandError(f"{path} cannot be read: {error.strerror}.") from error
        member = Member.objects.filter(username=options["member"], is_active=True).first()
        if member is None:
            raise CommandError(f'--as: nobody signs in as "{options["member"]}".')
        chosen = Options(
            water=options["water"],
            scope=options["scope"],
            timezone=options["timezone"],
            skip_outside=options["skip_outside"],
            create_members=options["create_members"],
            replace=options["replace"],
            near_m=options["near"],
        )
        moment, viewer = timezone.now(), viewer_of(member)
        with viewing(viewer, moment):
            plan = plan_import(path.name, data, chosen, member, viewer, moment)
            self._say(plan)
            if not plan.ok:
                number = len(plan.report.errors)
                raise CommandError(f"{number} error{'s' if number > 1 else ''}. Nothing was saved.")
            if plan.is_empty:
                self.stdout.write("There is nothing to save.")
                return
            if options["dry_run"]:
                self.stdout.write("A dry run: nothing was saved.")
                return
            try:
                save_import(plan, viewer, moment)
            except FileError as error:
                self._say_all("Error", list(error.remarks))
                raise CommandError("Nothing was saved.") from error
        self.stdout.write("Saved.")

    def _say(self, plan: ImportPlan) -> None:
        for words, number in plan.counts:
            self.stdout.write(f"{number} {words}")
        for words, number in plan.methods:
            self.stdout.write(f"  {number} by {words}")
        for why, number in plan.spots.left_out.items():
            self.stdout.write(f"{number} left out: {why}")
        for item in plan.outlines.waters:
            what = "new" if item.is_new else "outline replaced" if item.replaces else "outline added"
            self.stdout.write(f"{item.water.name}: {item.area_ha:,.1f} ha, {what}")
        if plan.spots.drafts:
            self.stdout.write(f"The new spots are {plan.scope_words}. {' '.join(plan.who_sees)}")
        self._say_all("Warning", plan.report.warnings)
        self._say_all("Error", plan.report.errors)

    def _say_all(self, kind: str, remarks: list[Remark]) -> None:
        for remark in remarks[:MOST_SHOWN]:
            self.stderr.write(f"{kind}: {remark}")
        if len(remarks) > MOST_SHOWN:
            self.stderr.write(f"{kind}: and {len(remarks) - MOST_SHOWN} more.")
