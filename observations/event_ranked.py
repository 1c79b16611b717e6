"""An event's water, ranked for its target: what one viewer may see now, and what that rests on."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from club.figures import MONTHS_LONG
from club.viewer import Viewer
from observations.event_ranking import Ranked, chance_of, month_weights, rank
from observations.models import History
from observations.reading import grade_counts, histories_of
from spots.disclosure_models import Channel
from spots.event_models import Event
from spots.events import fishing_days
from spots.precision import ReleasedSpot, released_spots

FIRST_ROWS = 12


def _day_words(at: datetime | None, exact: bool) -> str:
    """Say a day to an exact viewer, a month to anybody else."""
    if at is None:
        return ""
    return f"{at.day} {at:%b %Y}" if exact else f"{at:%b %Y}"


@dataclass(frozen=True)
class RankedSpot:
    """One row of the table."""

    spot: ReleasedSpot
    ranked: Ranked
    counts: dict[str, int]
    last_verified: str

    @property
    def where(self) -> str:
        """Say how exactly the place is shown."""
        if self.spot.is_exact:
            return "exact"
        return "area" if self.spot.zone_number is not None else "water"


@dataclass(frozen=True)
class RankedWater:
    months: str
    rows: list[RankedSpot]
    # Nothing is known of the target here: a guess from like spots.
    guesses: list[RankedSpot]
    # Seen by the viewer, without any history of the target that they may read.
    unknown: list[ReleasedSpot]
    level: int  # how many cannot be told apart from the first, itself included
    whole: bool = True

    @property
    def shown(self) -> list[RankedSpot]:
        return self.rows if self.whole else self.rows[:FIRST_ROWS]


def ranked_spots(event: Event, viewer: Viewer, whole: bool = True) -> RankedWater:
    """Rank the spots of the event's water by the chance of its target on its fishing days.

    Places and histories come through precision and reading, in the viewer's scope and as the cut-off allows.
    """
    weights = month_weights(fishing_days(event))
    spots = [
        spot for spot in released_spots(water_id=event.water_id, channel=Channel.UNSEEN) if not spot.paused
    ]
    rows: dict[Any, History] = {}
    for spot_id, found in histories_of(spots, viewer).items():
        for row in found:
            if row.species_id == event.target:
                rows[spot_id] = row
    known = [spot for spot in spots if spot.id in rows and any(grade_counts(rows[spot.id]).values())]
    guessed = [spot for spot in spots if spot.id in rows and spot not in known]
    return RankedWater(
        months=" and ".join(MONTHS_LONG[month - 1] for month in weights),
        rows=(ranked := _rows(known, rows, weights)),
        guesses=_rows(guessed, rows, weights),
        unknown=[spot for spot in spots if spot.id not in rows],
        level=sum(row.ranked.level_with_first for row in ranked),
        whole=whole,
    )


def _rows(spots: list[ReleasedSpot], rows: dict[Any, History], weights: dict[int, float]) -> list[RankedSpot]:
    by_id = {spot.id: spot for spot in spots}
    order = rank([(spot.id, spot.label, chance_of(rows[spot.id].months, weights)) for spot in spots])
    return [
        RankedSpot(
            spot=by_id[item.key],
            ranked=item,
            counts=grade_counts(rows[item.key]),
            last_verified=_day_words(rows[item.key].last_verified, by_id[item.key].is_exact),
        )
        for item in order
    ]
