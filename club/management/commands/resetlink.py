"""`resetlink USERNAME`: a link that sets a new password, from the person at the machine."""

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from club.account_models import ResetLink
from club.sign_in import find_member


class Command(BaseCommand):
    help = (
        f"Print a link that sets a new password for USERNAME, once, within {settings.RESET_HOURS} hours."
        " The member and all organisers see that it was made."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username")
        parser.add_argument(
            "--without-second-factor",
            action="store_true",
            help="for someone who has lost it and the recovery codes: using the link takes it away",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        member = find_member(options["username"])
        if member is None or not member.is_active:
            raise CommandError(f"There is no account “{options['username']}” that may sign in.")
        with transaction.atomic():
            link, token = ResetLink.issue(
                member, None, timezone.now(), lifts_second_factor=options["without_second_factor"]
            )
        path = reverse("reset", args=[token])
        site = f"https://{settings.ALLOWED_HOSTS[0]}" if settings.HTTPS else ""
        self.stdout.write(f"Open {site}{path} in a browser that nobody is signed in on.")
        self.stdout.write(f"For {member.name}, once, until {link.expires_at:%-d %b %Y, %H:%M} UTC.")
