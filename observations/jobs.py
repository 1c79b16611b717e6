"""The worker's jobs. What is due stands in PostgreSQL; a message only wakes the worker.

Every job may run twice, at the same time, and after a crash: it takes locks, reads one snapshot, and swaps
its results in one transaction.
"""

import logging
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from celery import Task, shared_task
from django.db import connection, transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone
from kombu.exceptions import OperationalError

from club.viewer import working
from observations import parts, pictures
from observations.computing import histories, histories_below_exact, refit_by, scopes_of
from observations.evidence import CLUB, club_taxa, gather_club
from observations.history import diagnostics
from observations.inference import fit as fit_club
from observations.inference.club_season import fit_season
from observations.inference.results import ClubFit
from observations.lessons import new_edition
from observations.models import Due, History, Observation, Refit, Reliability
from observations.policies import SWAP_LOCK
from observations.reliability import reliability_rows, save_reliability
from observations.small_models import SmallDue
from spots.cutoffs import cut_offs_on, frozen_water_ids
from spots.models import Spot

log = logging.getLogger(__name__)

_REFIT_LOCK = 7_411_002
CODE_VERSION = "3"
_LOT = 100  # spots whose evidence a refit reads at once
COMPUTED = (History.Edition.LIVE, History.Edition.FROZEN)


@dataclass(frozen=True)
class RefitReport:
    """What a refit did, for the console."""

    spots: int
    rows: int
    seconds: float
    converged: bool
    iterations: int


def wake() -> None:
    """Tell the worker, once this transaction is in, that something is due. Losing the message loses nothing."""
    _tell(refresh_due)


def wake_for_pictures() -> None:
    """The same where pictures came in that have no small ones yet."""
    _tell(make_small_pictures)


def _tell(job: "Task[[], int]") -> None:
    def send() -> None:
        try:
            job.delay()
        except OperationalError:
            log.warning("The queue cannot be reached; what is due stays so and is found when it is back.")

    transaction.on_commit(send, robust=True)


def _lock(key: int, shared: bool = False) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT pg_advisory_xact_lock{'_shared' if shared else ''}(%s)", [key])


def refresh_spot(spot_id: uuid.UUID, moment: datetime) -> bool:
    """Compute one spot anew at the club's current parameters. Returns False when there are none yet."""
    with working(moment):
        _lock(SWAP_LOCK, shared=True)
        due = Due.objects.select_for_update().filter(pk=spot_id).first()
        if due is None:
            return True  # somebody else has just done it
        refit = Refit.objects.filter(is_current=True).first()
        if refit is None:
            return False
        fit = ClubFit.from_dict(refit.parameters)
        # What did not change is left alone: its date and its ageing would tell that somebody looked.
        scopes = scopes_of([spot_id])[spot_id]
        changed = [scope for scope in scopes if not due.scopes or set(scope[1]) & set(due.scopes)]
        untouched = [key for key, _ in scopes if key not in dict(changed)]
        rows = histories({spot_id: changed}, fit, refit, moment, moment)
        History.objects.filter(spot_id=spot_id, edition__in=COMPUTED).exclude(scope__in=untouched).delete()
        History.objects.bulk_create(rows)
        Due.objects.filter(pk=spot_id, since=due.since).delete()
    return True


def mark_opened(moment: datetime) -> None:
    """Make due the spots of looks that have opened to the club since their history was computed."""
    with working(moment), connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO observations_due (spot_id, since, scopes)"
            " SELECT DISTINCT o.spot_id, clock_timestamp(), '{}'::text[]"
            " FROM observations_observation o WHERE o.opens_at <= %s AND o.withdrawn_at IS NULL AND EXISTS ("
            " SELECT 1 FROM observations_history h WHERE h.spot_id = o.spot_id AND h.edition = 'live'"
            " AND h.scope = 'club' AND h.computed_at < o.opens_at)"
            " ON CONFLICT (spot_id) DO UPDATE SET scopes = excluded.scopes",
            [moment],
        )


def tell_cleared(moment: datetime) -> None:
    """Name the cleared pictures whose proof came in while an event held their water, once it has ended."""
    with working(moment), connection.cursor() as cursor:
        cursor.execute("SELECT observations_tell_cleared_late()")


@shared_task
def refresh_due(limit: int = 200) -> int:
    """Refresh what is due, oldest first; fit the club's parameters first when there are none."""
    mark_opened(timezone.now())
    tell_cleared(timezone.now())
    done = 0
    with working(timezone.now()):
        fitted = Refit.objects.filter(is_current=True).exists()
    if not fitted:
        # Not because something is due: the first private look must not be what dates the club's parameters.
        refit()
    while done < limit:
        with working(timezone.now()):
            due = Due.objects.order_by("since").first()
        if due is None:
            break
        if not refresh_spot(due.spot_id, timezone.now()):
            refit()
        done += 1
    return done


@shared_task
def make_small_pictures() -> int:
    """Make the small ones of pictures that came in; return how many. One that fails is tried again with the next."""
    made = 0
    with working(timezone.now()):
        due = list(SmallDue.objects.values_list("picture_id", flat=True)[:500])
    for picture_id in due:
        try:
            with working(timezone.now()):
                made += pictures.make_small(picture_id)
                SmallDue.objects.filter(pk=picture_id).delete()
        except OSError:
            log.exception("A small picture could not be made; it stays due, and the picture is shown itself.")
    return made


@shared_task
def forget_parts() -> None:
    """Throw away pictures that were half sent and never finished."""
    parts.forget_old()


@shared_task
def nightly_refit() -> None:
    refit()


@contextmanager
def _alone() -> Iterator[bool]:
    """Hold the refit lock for the session; give False when another refit runs."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(%s)", [_REFIT_LOCK])
        (mine,) = cursor.fetchone()
    try:
        yield mine
    finally:
        if mine:
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_advisory_unlock(%s)", [_REFIT_LOCK])


def refit(
    as_of: datetime | None = None, tell: Callable[[str], None] = lambda text: None
) -> RefitReport | None:
    """Fit the club's parameters to club-scope evidence and compute every spot; swap all in one transaction.

    With `as_of` the results are of that day. Returns None when another refit is running.
    """
    with _alone() as mine:
        if not mine:
            return None
        started = timezone.now()
        moment = as_of or started
        with working(moment):
            due = dict(Due.objects.values_list("spot_id", "since"))
            previous = Refit.objects.filter(is_current=True).first()
            taxa = club_taxa()
            club = gather_club(taxa, moment)
        tell(f"{len(club.evidence)} rows of {len(set(club.look_ids))} looks")
        old = ClubFit.from_dict(previous.parameters) if previous else None
        fit = fit_club(club.evidence, previous=old)
        tell(f"parameters fitted in {fit.iterations} iterations, {'' if fit.converged else 'NOT '}converged")
        row = Refit(
            as_of=moment,
            started_at=started,
            code_version=CODE_VERSION,
            counts={"rows": fit.rows, "visits": fit.visits, "spots": fit.spots, "proofs": fit.proofs},
            parameters=fit.to_dict(),
            season=fit_season(fit, club.evidence).to_dict(),
            diagnostics=diagnostics(fit, club.evidence),
            converged=fit.converged,
            is_current=True,
        )
        if previous is not None and not fit.converged:
            return _set_aside(row, fit, moment)
        with working(moment):
            publishing = _publication_due(moment)
        rows = _compute_all(row, fit, moment, started, publishing, tell)
        _swap(row, rows, reliability_rows(fit, club.evidence, club.on_device), due, moment, publishing)
        if as_of is None:
            new_edition(started)
        seconds = (timezone.now() - started).total_seconds()
        return RefitReport(
            len({history.spot_id for history in rows}), fit.rows, seconds, fit.converged, fit.iterations
        )


def _set_aside(row: Refit, fit: ClubFit, moment: datetime) -> RefitReport:
    """Write down that a fit did not converge. What the last good one told goes on, with its date."""
    row.parameters, row.season, row.is_current, row.finished_at = {}, {}, False, timezone.now()
    with working(moment):
        row.save()
    log.warning("The refit did not converge after %d iterations; the last results stay.", fit.iterations)
    seconds = (row.finished_at - row.started_at).total_seconds()
    return RefitReport(0, fit.rows, seconds, False, fit.iterations)


def _compute_all(
    row: Refit,
    fit: ClubFit,
    moment: datetime,
    started: datetime,
    publishing: bool,
    tell: Callable[[str], None],
) -> list[History]:
    with working(moment), connection.cursor() as cursor:
        cursor.execute("SELECT id FROM spots_spot ORDER BY id")
        spots = [spot for (spot,) in cursor.fetchall()]
    rows: list[History] = []
    for low in range(0, len(spots), _LOT):
        lot = spots[low : low + _LOT]
        with working(moment):
            rows += histories(scopes_of(lot), fit, row, moment, started)
            if publishing:
                rows += histories_below_exact(lot, fit, row, moment, started)
        tell(f"{low + len(lot)} of {len(spots)} spots")
    return rows


def _swap(
    row: Refit,
    rows: list[History],
    believed: list[Reliability],
    due: dict[uuid.UUID, datetime],
    moment: datetime,
    publishing: bool,
) -> None:
    """Put the new results in place of the old, whole."""
    with working(moment):
        _lock(SWAP_LOCK)
        # A spot refreshed since this refit began knows looks that these rows do not: it is due once more.
        with connection.cursor() as cursor:
            cursor.execute(
                "INSERT INTO observations_due (spot_id, since, scopes)"
                " SELECT spot_id, clock_timestamp(), array_agg(DISTINCT scope)"
                " FROM observations_history WHERE edition = 'live' AND computed_at > %s GROUP BY spot_id"
                " ON CONFLICT (spot_id) DO UPDATE SET since = excluded.since, scopes = '{}'",
                [row.started_at],
            )
        Refit.objects.filter(is_current=True).update(is_current=False)
        row.finished_at = timezone.now()
        row.save()
        kept = {refit.pk for at in cut_offs_on(moment) if (refit := refit_by(at))}
        save_reliability(row, believed, sorted(kept))
        for history in rows:
            history.refit = row
        History.objects.filter(edition__in=COMPUTED).delete()
        told = [history for history in rows if history.edition == History.Edition.PUBLISHED]
        History.objects.bulk_create([row for row in rows if row.edition in COMPUTED], batch_size=500)
        for spot, since in due.items():
            Due.objects.filter(pk=spot, since=since).delete()
        if publishing:  # with nothing to tell, too: what stood before is out of date
            _publish(told, moment)


def _publication_due(moment: datetime) -> bool:
    """Say whether those below `exact` are due a new edition: one a month, so that no change tells of a day."""
    newest = _may_change(moment).order_by("-as_of").first()
    return newest is None or (newest.as_of.year, newest.as_of.month) != (moment.year, moment.month)


def _may_change(moment: datetime) -> QuerySet[History]:
    """Return what is published, but of no water whose cut-off is on: there what stood before goes on."""
    published = History.objects.filter(edition=History.Edition.PUBLISHED)
    return published.exclude(spot__water__in=frozen_water_ids(moment))


def _publish(rows: list[History], moment: datetime) -> None:
    """Put a new edition in place of the old, without the histories that too few stand behind.

    Three contributors, or the yes of each of the fewer, asked here: under the lock that taking back one's yes
    waits for (policies.py).
    """
    _may_change(moment).delete()
    frozen = set(Spot.objects.filter(water__in=frozen_water_ids(moment)).values_list("pk", flat=True))
    History.objects.bulk_create([row for row in rows if row.spot_id not in frozen], batch_size=500)
    there = Q(withdrawn_at=None) | Q(withdrawn_at__gt=OuterRef("computed_at"))
    the_clubs = Q(scope=CLUB) | Q(opens_at__lte=OuterRef("computed_at"))
    unwilling = Observation.objects.filter(
        there, the_clubs, spot=OuterRef("spot"), observer__shares_thin_history=False
    )
    _may_change(moment).filter(Exists(unwilling), thick=False).delete()
