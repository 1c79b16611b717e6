"""``load_demo``: the invented club, its lake and three seasons of looks. Runs as the database's owner."""

from time import monotonic
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from club.models import Club, Member
from observations.demo.debriefed import load_debrief
from observations.demo.events import load_events
from observations.demo.loading import Loader
from observations.demo.loading_looks import load_looks, load_pictures
from observations.demo.simulate import simulate, until
from observations.jobs import wake, wake_for_pictures
from observations.models import Due


class Command(BaseCommand):
    help = "Load the demo club (invented people, lake and looks). Does nothing when it is there already."

    def handle(self, *args: Any, **options: Any) -> None:
        club = Club.objects.first()
        if club is not None and club.is_demo and Member.objects.exists():
            self.stdout.write("The demo club is loaded already.")
            return
        if Member.objects.exists():
            raise CommandError(
                f"This database belongs to {club or 'a club'}: the demo club is not loaded into it."
            )
        start = monotonic()
        demo = until(simulate(), timezone.now())
        self.stdout.write(
            f"{len(demo.spots)} spots and {len(demo.looks)} looks in {monotonic() - start:.1f} s"
        )
        with transaction.atomic():
            loader = Loader(demo)
            loader.load()
            load_looks(demo, loader)
            load_pictures(demo, loader, self.stdout.write)
            load_events(loader, timezone.now())
            load_debrief(demo, loader, timezone.now())
            wake()
            wake_for_pictures()
        self.stdout.write(
            f"The demo club is loaded: {len(loader.members)} members, {Due.objects.count()} spots due for the"
            f" worker, {monotonic() - start:.1f} s in all."
        )
