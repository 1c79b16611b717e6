"""Histories from evidence: for some spots at once, in every scope that needs one, live and frozen.

Both the task of one spot and the nightly job come through here, so that their results are equal. Queries go by
scope, not by spot: what a refit asks the database does not grow with the number of spots in a lot.
"""

import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from django.db import connection

from observations.evidence import CLUB, Gathered, gather
from observations.history import build_rows
from observations.inference import spot_history
from observations.inference.bands import as_usual
from observations.inference.club_season import SeasonFit
from observations.inference.results import ClubFit
from observations.models import History, Observation, Refit
from spots.cutoffs import cut_offs

# Evidence scopes: the key, and the scopes of looks that belong to it.
Scopes = list[tuple[str, tuple[str, ...]]]
# No cover of a club has an empty name, so no fit knows this group: the spot gets what all covers share.
UNKNOWN_COVER = ""


@dataclass(frozen=True)
class _Evidence:
    """What a history rests on: the scopes of looks, and at a cut-off what it froze and for which side."""

    scopes: tuple[str, ...]
    cut_off: datetime | None = None
    side: tuple[str, ...] = ()


def scopes_of(spot_ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, Scopes]:
    """Return the evidence scopes that need a history at each spot: (key, the look scopes that belong to it).

    The club's always; a team's where it has looks of its own; a member's where they have private looks, or
    belong to two teams that do.
    """
    looked = (
        Observation.objects.filter(spot_id__in=spot_ids, withdrawn_at=None)
        .exclude(scope=CLUB)
        .order_by("spot_id", "scope")
        .values_list("spot_id", "scope")
        .distinct()
    )
    own: dict[uuid.UUID, list[str]] = {spot: [] for spot in spot_ids}
    for spot, scope in looked:
        own[spot].append(scope)
    with connection.cursor() as cursor:
        cursor.execute("SELECT member_id, team_id FROM club_teammembership ORDER BY member_id, team_id")
        memberships = [(f"member:{member}", f"team:{team}") for member, team in cursor.fetchall()]
    return {spot: _scopes(scopes, memberships) for spot, scopes in own.items()}


def _scopes(own: list[str], memberships: list[tuple[str, str]]) -> Scopes:
    teams = [scope for scope in own if scope.startswith("team:")]
    out: Scopes = [(CLUB, (CLUB,))]
    out += [(team, (CLUB, team)) for team in teams]
    of_member: dict[str, list[str]] = {}
    for member, team in memberships:
        if team in teams:
            of_member.setdefault(member, []).append(team)
    members = {scope for scope in own if scope.startswith("member:")}
    members |= {member for member, theirs in of_member.items() if len(theirs) > 1}
    out += [(member, (CLUB, *of_member.get(member, []), member)) for member in sorted(members)]
    return out


def histories(
    spots: Mapping[uuid.UUID, Scopes], fit: ClubFit, refit: Refit, as_of: datetime, moment: datetime
) -> list[History]:
    """Return the histories of these spots in these scopes, and the frozen ones where a cut-off is on.

    Frozen: the club's evidence and parameters of the cut-off, and each side's own new looks. Without a fit from
    before the cut-off there is nothing to show: fail closed.
    """
    live: dict[_Evidence, list[tuple[uuid.UUID, str]]] = {}
    frozen: dict[datetime, dict[_Evidence, list[tuple[uuid.UUID, str]]]] = {}
    cuts = cut_offs(list(spots), moment)
    for spot, scopes in spots.items():
        for key, belonging in scopes:
            live.setdefault(_Evidence(belonging), []).append((spot, key))
        for cut in cuts[spot]:
            for key, belonging in scopes:
                side = cut.sides.get(key, ())
                if key == CLUB or side:
                    asked = frozen.setdefault(cut.at, {})
                    asked.setdefault(_Evidence(belonging, cut.at, side), []).append((spot, key))
    rows: list[History] = []
    season = SeasonFit.from_dict(refit.season)
    for spot, key, gathered in _each(live, fit, as_of):
        rows += rows_of(spot, key, gathered, fit, season, refit, as_of, moment)
    for at, asked in sorted(frozen.items()):
        before = refit_by(at)
        if before is None:
            continue
        then, season_then = ClubFit.from_dict(before.parameters), SeasonFit.from_dict(before.season)
        for spot, key, gathered in _each(asked, then, as_of):
            kept = rows_of(spot, key, gathered, then, season_then, before, as_of, moment)
            for row in kept:
                row.edition, row.cutoff_at = History.Edition.FROZEN, at
            rows += kept
    return rows


def histories_below_exact(
    spot_ids: Sequence[uuid.UUID], fit: ClubFit, refit: Refit, as_of: datetime, moment: datetime
) -> list[History]:
    """Return the rows to publish: the club's, computed as if nobody knew the spot's cover or read its water.

    Cover is withheld below `exact`. A season fitted by cover group would tell it to whoever knows the groups'
    seasons from spots that they see exactly. A temperature may be that of one warm arm, so that bands go by what is
    usual in a look's month.
    """
    season = SeasonFit.from_dict(refit.season)
    asked = {_Evidence((CLUB,)): [(spot, CLUB) for spot in spot_ids]}
    rows: list[History] = []
    for spot, key, gathered in _each(asked, fit, as_of):
        if not len(gathered.evidence):
            continue  # nobody contributed, so there is nothing to tell
        evidence = replace(gathered.evidence, groups=(UNKNOWN_COVER,), group=np.zeros(1, dtype=np.int64))
        if season:
            evidence = as_usual(season.bands, evidence)
        unsaid = replace(gathered, evidence=evidence)
        rows += rows_of(spot, key, unsaid, fit, season, refit, as_of, moment, exact=False)
    for row in rows:
        row.edition, row.narrowed_by = History.Edition.PUBLISHED, {}
    return rows


def refit_by(moment: datetime) -> Refit | None:
    """Return the newest refit that had finished by a moment; one that did not converge was set aside."""
    finished = Refit.objects.filter(finished_at__lte=moment).exclude(parameters={})
    return finished.order_by("-finished_at", "-id").first()


def _each(
    asked: Mapping[_Evidence, list[tuple[uuid.UUID, str]]], fit: ClubFit, as_of: datetime
) -> Iterator[tuple[uuid.UUID, str, Gathered]]:
    for what, wanted in asked.items():
        spots = sorted({spot for spot, _ in wanted})
        parts = gather(fit.taxa, what.scopes, as_of, spots, what.cut_off, what.side).by_spot()
        for spot, key in wanted:
            yield spot, key, parts[spot]


def rows_of(
    spot_id: uuid.UUID,
    key: str,
    gathered: Gathered,
    fit: ClubFit,
    season: SeasonFit | None,
    refit: Refit,
    as_of: datetime,
    moment: datetime,
    exact: bool = True,
) -> list[History]:
    """Return the unsaved rows of one spot in one scope, by its gathered evidence and what a refit learned."""
    bands = season.bands if season else None
    result = spot_history(fit, gathered.evidence, gathered.evidence.now, reasons=exact, bands=bands)
    return build_rows(spot_id, key, gathered, fit, result, refit, as_of, moment, season, exact)
