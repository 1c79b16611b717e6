"""A spot's history as of an earlier day, computed when asked from what its reader may see."""

from datetime import datetime

from club.viewer import Viewer, current_freeze
from observations.ceilings import withheld_at
from observations.computing import rows_of
from observations.evidence import gather
from observations.inference.club_season import SeasonFit
from observations.inference.results import ClubFit
from observations.models import History
from observations.reading import histories
from observations.reliability import current_refit
from spots.precision import ReleasedSpot
from spots.services import CLUB


def history_as_of(spot: ReleasedSpot, viewer: Viewer, as_of: datetime) -> list[History]:
    """Return the rows as of a moment, in the viewer's widest scope.

    An exact viewer's are computed now from looks started by then, at the club's current parameters. Below
    `exact` only published editions exist: the last one, if it was published by then.
    """
    if not spot.is_exact or not viewer.is_member:
        return [row for row in histories(spot, viewer) if row.as_of <= as_of]
    refit = current_refit()
    if refit is None:
        return []
    fit = ClubFit.from_dict(refit.parameters)
    scopes = (CLUB, *(key for key in viewer.audiences if key.startswith(("team:", "member:"))))
    freeze = current_freeze()
    cut_off = freeze.waters.get(str(spot.water_id))
    gathered = gather(fit.taxa, scopes, as_of, [spot.id], cut_off, freeze.side)
    widest = f"member:{viewer.member_id}" if len(scopes) > 1 else CLUB
    season = SeasonFit.from_dict(refit.season)
    rows = rows_of(spot.id, widest, gathered, fit, season, refit, as_of, as_of)
    withheld = withheld_at(spot.id)
    rows = [row for row in rows if row.species_id not in withheld]
    for row in rows:
        row.pk = 0
    return sorted(rows, key=lambda row: (-row.probability, row.species.order))
