"""`setup_key`: print the address that lets the first organiser in."""

from typing import Any

from django.core.management.base import BaseCommand

from club.people import issue_setup_key
from club.setup import ADDRESS


class Command(BaseCommand):
    help = (
        "Print the path of the set-up page with a new one-time key, which makes the first organiser."
        " Prints nothing when the club has an organiser."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        key = issue_setup_key()
        if key:
            self.stdout.write(f"Set the club up at {ADDRESS}?key={key}")
