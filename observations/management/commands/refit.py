from argparse import ArgumentParser
from datetime import UTC, datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from observations.held_out import report_lines
from observations.jobs import refit


class Command(BaseCommand):
    help = "Compute all confidence now: the club's parameters, and every spot's history in every scope."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--as-of", metavar="DATE", help="As of the end of this day (UTC), like 2026-10-31."
        )
        parser.add_argument(
            "--report",
            action="store_true",
            help="Instead: forecast the club's later proofs from its earlier looks, beside simpler forecasts.",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        as_of = None
        if options["as_of"]:
            try:
                day = datetime.fromisoformat(options["as_of"])
            except ValueError as error:
                raise CommandError(f'"{options["as_of"]}" is not a date like 2026-10-31.') from error
            as_of = day.replace(hour=23, minute=59, second=59, tzinfo=day.tzinfo or UTC)
        if options["report"]:
            for line in report_lines(as_of or timezone.now()):
                self.stdout.write(line)
            return
        report = refit(as_of, self.stdout.write)
        if report is None:
            raise CommandError("Another refit is running.")
        if not report.converged and not report.spots:
            raise CommandError(
                f"The fit did NOT converge after {report.iterations} iterations: the last results stay as they are."
            )
        state = "converged" if report.converged else "did NOT converge"
        self.stdout.write(
            f"{report.spots} spots from {report.rows} rows in {report.seconds:.1f} s;"
            f" the fit {state} after {report.iterations} iterations."
        )
