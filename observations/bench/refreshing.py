"""From one new look to a refreshed history, in a small club and in a large one, as the worker runs the spot's task."""

import uuid
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.db import connection
from django.utils import timezone

from club.viewer import working
from observations import jobs
from observations.bench.federation import Federation
from observations.bench.timing import Figure, interleaved
from observations.evidence import club_taxa, gather_club
from observations.inference import fit
from observations.models import Due, Observation, Refit

_SMALL_SHARE = 100  # the small club has one look in a hundred of the large one's
_LOOKS = """
INSERT INTO observations_observation (id, method, started_at, utc_offset_min, minutes, settings, platform, clarity, sky,
    note, scope, source, random_check, received_at, observer_id, spot_id)
SELECT md5('look ' || n)::uuid, CASE WHEN n %% 3 = 0 THEN 'camera' ELSE '2d' END,
    %(at)s - (1 + n %% 700) * interval '1 day', 0, CASE WHEN n %% 3 = 0 THEN 4 END, '{}', '', '', '', '',
    'club', 'page', false, %(at)s, (%(members)s::uuid[])[1 + n %% %(people)s], (%(spots)s::uuid[])[1 + n %% %(places)s]
FROM generate_series(%(first)s, %(last)s) n
"""
_GROUPS = """
INSERT INTO observations_echogroup (id, look_id, "order", band, placement)
SELECT md5('group ' || n)::uuid, md5('look ' || n)::uuid, 0, CASE WHEN n %% 2 = 0 THEN 'none' ELSE '4-8' END, ''
FROM generate_series(%(first)s, %(last)s) n WHERE n %% 3 <> 0
"""


def figures(federation: Federation, looks: int, runs: int, tell: Callable[[str], None]) -> list[Figure]:
    """Return the figure; leaves `looks` looks behind.

    The spot that is refreshed has the same looks in both clubs. Triggers are off while looks are laid in bulk: they
    would mark each spot due.
    """
    spot, moment = federation.waters[0].spots.order_by("pk").values_list("pk", flat=True)[0], timezone.now()
    others = [
        key for water in federation.waters for key in water.spots.order_by("pk").values_list("pk", flat=True)
    ]
    others.remove(spot)
    members = [member.pk for member in federation.members]
    _lay([spot], members, 1, 30, moment)
    _lay(others, members, 1000, 1000 + looks // _SMALL_SHARE, moment)
    _fit(moment)
    small = _median(spot, runs)
    tell(f"one look to history among {looks // _SMALL_SHARE} looks: {small:.0f} ms")
    _lay(others, members, 1001 + looks // _SMALL_SHARE, 1000 + looks, moment)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    large = _median(spot, runs)
    name = f"one new look to refreshed history, {Observation.objects.count()} looks in the club"
    return [Figure(name, f"{looks // _SMALL_SHARE} looks", large, small, 1.5, runs)]


def _fit(moment: datetime) -> None:
    """Put parameters in place as a refit does, without the histories of all the other spots."""
    with working(moment):
        made = fit(gather_club(club_taxa(), moment).evidence)
        Refit.objects.filter(is_current=True).update(is_current=False)
        Refit.objects.create(
            as_of=moment,
            started_at=moment,
            code_version="bench",
            parameters=made.to_dict(),
            converged=made.converged,
            is_current=True,
        )


def _lay(spots: list[uuid.UUID], members: list[uuid.UUID], first: int, last: int, moment: datetime) -> None:
    values: dict[str, Any] = {
        "at": moment,
        "members": members,
        "people": len(members),
        "spots": spots,
        "places": len(spots),
    }
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # no table is altered while checks of it are to come
        for table in ("observation", "echogroup"):
            cursor.execute(f"ALTER TABLE observations_{table} DISABLE TRIGGER USER")
        cursor.execute(_LOOKS, {**values, "first": first, "last": last})
        cursor.execute(_GROUPS, {"first": first, "last": last})
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        for table in ("observation", "echogroup"):
            cursor.execute(f"ALTER TABLE observations_{table} ENABLE TRIGGER USER")


def _median(spot: uuid.UUID, runs: int) -> float:
    def refresh() -> None:
        now = timezone.now()
        with working(now):
            Due.objects.update_or_create(
                pk=spot, defaults={"since": now - timedelta(seconds=1), "scopes": []}
            )
        assert jobs.refresh_spot(spot, now)  # noqa: S101 - or nothing was measured

    return interleaved([refresh], runs)[0]
