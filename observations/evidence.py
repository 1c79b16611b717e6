"""The only bridge from the database to `inference`: rows in, plain arrays out.

Runs as the worker. Each evidence scope sees only looks of the scopes that belong to it, so nothing private
can enter an aggregate that its reader may not see.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from django.db import connection

from club.rls import MOMENT
from observations.inference.placing import Fish
from observations.inference.types import (
    LANDED,
    METHODS,
    NO_ECHOES,
    NO_OUTCOME,
    PLACEMENTS,
    SEEN,
    UNCALLED,
    VERIFIED,
    Bool,
    Evidence,
    Taxa,
)
from observations.models import PROVING, SONAR, Call, EchoGroup, Finding, Method, Species
from observations.services import VISIT_HOURS
from observations.sonar_filter import SMALL_ARE_FILTERED

# Modelled in every club from the first day; the others join with their first call or finding in club scope.
ALWAYS_MODELLED = ("largemouth-bass", "white-crappie", "black-crappie", "bluegill", "channel-catfish")
NO_COVER = "none"
CLUB = "club"


@dataclass(frozen=True)
class Gathered:
    """Evidence, and which look stands behind each row."""

    evidence: Evidence
    look_ids: tuple[uuid.UUID, ...]
    # Where what was found was found.
    fish: Fish
    # Rows whose call a device sealed, on its own word for the time.
    on_device: Bool

    def by_spot(self) -> dict[uuid.UUID, "Gathered"]:
        """Return the evidence of each spot, as `gather` would give it for that spot alone."""
        e = self.evidence
        order = np.argsort(e.spot, kind="stable")
        ends = np.searchsorted(e.spot[order], np.arange(len(e.spots) + 1))
        parts: dict[uuid.UUID, Gathered] = {}
        for i, name in enumerate(e.spots):
            rows = order[ends[i] : ends[i + 1]]
            looks = tuple(self.look_ids[row] for row in rows)
            fish = self.fish.of_rows(rows)
            parts[uuid.UUID(name)] = Gathered(e.about(i, rows), looks, fish, self.on_device[rows])
        return parts


def days(moment: datetime) -> float:
    """Days since 1970-01-01T00:00Z."""
    return moment.timestamp() / 86400


# A look of a narrower scope is the club's too from when it opens.
_OPEN = f"o.opens_at <= {MOMENT}"
_THE_CLUBS = f"(o.scope = 'club' OR {_OPEN})"


def club_taxa() -> Taxa:
    """Return the club's species tree; modelled are the species that its shared evidence knows.

    Only club-scope evidence decides, so that the list tells nothing of a private look.
    """
    species = list(Species.objects.order_by("order", "code"))
    index = {item.code: i for i, item in enumerate(species)}
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.species_id FROM observations_call c JOIN observations_echogroup e ON e.id = c.group_id"
            " JOIN observations_observation o ON o.id = e.look_id"
            f" WHERE {_THE_CLUBS} AND o.withdrawn_at IS NULL GROUP BY 1"
            " UNION SELECT f.species_id FROM observations_finding f JOIN observations_observation o"
            f" ON o.id = f.look_id WHERE {_THE_CLUBS} AND o.withdrawn_at IS NULL GROUP BY 1"
            " UNION SELECT o.corrected_species_id FROM observations_finding o"
            f" WHERE {_THE_CLUBS} AND o.corrected_species_id IS NOT NULL"
        )
        known = {row[0] for row in cursor.fetchall()} | set(ALWAYS_MODELLED)
    return Taxa(
        codes=tuple(item.code for item in species),
        parent=np.array([index[item.parent_id] if item.parent_id else -1 for item in species]),
        leaf=np.array([not item.is_wider and item.code in known for item in species]),
    )


_LOOKS = """
SELECT o.id, o.spot_id, o.started_at, o.utc_offset_min, o.method, o.observer_id, o.minutes, o.rod_hours,
    o.secchi_m, o.water_temp_c, o.random_check, e.id, e.band, e.placement, e.depth_m,
    CASE WHEN c.withdrawn_at IS NULL THEN c.species_id END, c.probability, c.seal, c.sealed_at,
    o.source = 'debrief', {filtered}
FROM observations_observation o
LEFT JOIN observations_echogroup e ON e.look_id = o.id
LEFT JOIN observations_call c ON c.group_id = e.id
WHERE {where}
ORDER BY o.started_at, o.id, e."order"
"""

# As it was known then: decisions made or taken back since are counted anew.
_FINDINGS = """
SELECT f.look_id, CASE WHEN was.verified <= k.known THEN COALESCE(was.corrected, f.species_id)
    ELSE f.species_id END, f.count, f.depth_m, f.settles_id, f.tie,
    was.verified IS NOT NULL AND was.verified <= k.known,
    was.verified IS NULL AND EXISTS (
        SELECT 1 FROM observations_confirmation x
        WHERE x.finding_id = f.id AND x.decision = 'rejected' AND x.created_at <= k.known
            AND (x.undone_at IS NULL OR x.undone_at > k.known)),
    o.spot_id, o.started_at, o.method
FROM observations_finding f JOIN observations_observation o ON o.id = f.look_id
CROSS JOIN LATERAL (SELECT {known} AS known) k
CROSS JOIN LATERAL (SELECT EXISTS (
    SELECT 1 FROM observations_confirmation x
    WHERE x.finding_id = f.id AND (x.created_at > k.known OR x.undone_at > k.known)) AS later OFFSET 0) l
CROSS JOIN LATERAL (SELECT
    CASE WHEN l.later THEN (observations_settled(f.id, f.species_id, k.known)).verified
        ELSE f.verified_at END AS verified,
    CASE WHEN l.later THEN (observations_settled(f.id, f.species_id, k.known)).corrected
        ELSE f.corrected_species_id END AS corrected) was
WHERE {where}
ORDER BY o.started_at, o.id, f.species_id
"""


_RECHECKS = f"""
SELECT count(*), count(*) FILTER (WHERE corrected) FROM (
    SELECT bool_or(x.decision = 'corrected') AS corrected
    FROM observations_finding f
    JOIN observations_observation o ON o.id = f.look_id
    JOIN observations_confirmation x ON x.finding_id = f.id
    WHERE {_THE_CLUBS} AND o.withdrawn_at IS NULL AND o.method = 'camera' AND o.source <> 'import'
        AND o.started_at <= %(as_of)s AND x.created_at <= %(as_of)s
        AND (x.undone_at IS NULL OR x.undone_at > %(as_of)s)
        AND x.decision IN ('confirmed', 'corrected')
        AND NOT EXISTS (SELECT 1 FROM observations_blindname b
            WHERE b.finding_id = f.id AND b.checker_id = x.checker_id AND NOT b.blind)
    GROUP BY f.id) checked
"""


def gather_club(taxa: Taxa, as_of: datetime) -> Gathered:
    """Return all of the club's evidence, with how often blind checks of sightings named another species.

    Checkers name the species before they see the claim, so a checked sighting is a blind re-check; not of those who
    could read the claim elsewhere (`BlindName.blind`). Confirmations that came with an import of past records were not
    blind and do not count.
    """
    gathered = gather(taxa, (CLUB,), as_of)
    with connection.cursor() as cursor:
        cursor.execute(_RECHECKS, {"as_of": as_of})
        checked, wrong = cursor.fetchone()
    return replace(gathered, evidence=replace(gathered.evidence, rechecked=checked, recheck_wrong=wrong))


def gather(
    taxa: Taxa,
    scopes: Sequence[str],
    as_of: datetime,
    spot_ids: Sequence[uuid.UUID] | None = None,
    received_by: datetime | None = None,
    side: Sequence[str] = (),
) -> Gathered:
    """Return the evidence of these scopes as of a moment, for some spots or for all.

    `as_of` goes by when a look started, `received_by` (a cut-off) by when the server received it: looks of
    the scopes in `side` count whenever they came in, and proofs of others as they stood at the cut-off.
    """
    where = ["o.withdrawn_at IS NULL", f"(o.scope = ANY (%s) OR ('club' = ANY (%s) AND {_OPEN}))"]
    where.append("o.started_at <= %s")
    parameters: list[Any] = [list(scopes), list(scopes), as_of]
    if spot_ids is not None:
        where.append("o.spot_id = ANY (%s)")
        parameters.append(list(spot_ids))
    if received_by is not None:
        where.append(
            "((o.received_at <= %s AND (o.scope = ANY (%s) OR o.opens_at <= %s)) OR o.scope = ANY (%s))"
        )
        parameters += [received_by, list(scopes), received_by, list(side)]
    known, known_by = "%s::timestamptz", [as_of]
    if received_by is not None:
        known = "CASE WHEN o.scope = ANY (%s) THEN %s ELSE %s END"
        known_by = [list(side), as_of, min(received_by, as_of)]  # type: ignore[list-item]
    condition = " AND ".join(where)
    with connection.cursor() as cursor:
        cursor.execute(_LOOKS.format(where=condition, filtered=SMALL_ARE_FILTERED), parameters)
        looks = cursor.fetchall()
        cursor.execute(_FINDINGS.format(where=condition, known=known), [*known_by, *parameters])
        findings = cursor.fetchall()
        cursor.execute(
            "SELECT s.id, COALESCE(nullif(sh.cover, ''), %s), s.paused_at IS NOT NULL AND s.paused_at <= %s"
            " FROM spots_spot s LEFT JOIN spots_sheet sh ON sh.spot_id = s.id"
            + (" WHERE s.id = ANY (%s)" if spot_ids is not None else "")
            + " ORDER BY s.id",
            [NO_COVER, as_of, *([list(spot_ids)] if spot_ids is not None else [])],
        )
        spots = cursor.fetchall()
    return _assemble(taxa, as_of, spots, looks, findings)


def _assemble(
    taxa: Taxa,
    as_of: datetime,
    spots: Sequence[tuple[Any, ...]],
    looks: Sequence[tuple[Any, ...]],
    findings: Sequence[tuple[Any, ...]],
) -> Gathered:
    spot_index = {row[0]: i for i, row in enumerate(spots)}
    groups = tuple(sorted({row[1] for row in spots} | {NO_COVER}))
    observers = tuple(sorted({str(row[5]) for row in looks})) or ("",)
    observer_index = {key: i for i, key in enumerate(observers)}
    column = {code: k for k, code in enumerate(taxa.species)}
    found, ties, proved = _findings_by_look(taxa, column, findings)
    n, k = len(looks), len(taxa.species)
    look_number: dict[uuid.UUID, int] = {}
    on_device: list[bool] = []
    fish: list[tuple[int, int, int, float, int]] = []
    # Of groups of these very looks: one in another scope tells nothing here.
    placed = {row[11]: PLACEMENTS.index(row[13]) for row in looks if row[13]}
    rows: dict[str, list[Any]] = {name: [] for name in (
        "spot", "time", "method", "observer", "look", "outcome", "stated", "sealed", "minutes", "rod_hours",
        "secchi_m", "water_temp_c", "placement", "depth_m", "month", "tie", "random_check", "filtered")}  # fmt: skip
    grade, count = np.zeros((n, k), dtype=np.int64), np.zeros((n, k), dtype=np.int64)
    unclear = np.zeros((n, k), dtype=np.bool_)
    for i, row in enumerate(looks):
        (look, spot, at, offset, method, observer, minutes, rod_hours, secchi, celsius, drawn, group, band,
         placement, depth, called, stated, seal, sealed_at, from_memory, filtered) = row  # fmt: skip
        finds = method in PROVING
        if finds:
            outcome, tie = NO_OUTCOME, -1
            for species, grade_code, number, doubtful, deep, settled in found.get(look, ()):
                if doubtful or species not in column:
                    unclear[i] |= doubtful
                    continue
                grade[i, column[species]] = grade_code
                count[i, column[species]] = number
                if look not in look_number:  # once, however many rows the look has
                    fish.append((i, column[species], number, _or_nan(deep), placed.get(settled, -1)))
        else:
            outcome, tie = _outcome(taxa, band, called), ties.get(group, -1)
            if outcome == NO_ECHOES:
                tie = -1
        rows["spot"].append(spot_index[spot])
        rows["time"].append(days(at))
        rows["method"].append(METHODS.index(method))
        rows["observer"].append(observer_index[str(observer)])
        rows["look"].append(look_number.setdefault(look, len(look_number)))
        rows["outcome"].append(outcome)
        rows["stated"].append(np.nan if stated is None or called is None else stated)
        sealed = not from_memory and _sealed_before_proof(spot, at, seal, sealed_at, proved)
        rows["sealed"].append(finds or sealed)
        rows["minutes"].append(_or_nan(minutes))
        rows["rod_hours"].append(_or_nan(rod_hours))
        rows["secchi_m"].append(_or_nan(secchi))
        rows["water_temp_c"].append(_or_nan(celsius))
        rows["placement"].append(PLACEMENTS.index(placement) if placement else -1)
        rows["depth_m"].append(_or_nan(depth))
        rows["month"].append((at + timedelta(minutes=offset)).month)
        rows["tie"].append(tie)
        rows["random_check"].append(drawn)
        rows["filtered"].append(filtered and method in SONAR)
        on_device.append(seal == Call.Seal.DEVICE)
    arrays: dict[str, Any] = {**rows, "grade": grade, "count": count, "unclear": unclear}
    evidence = Evidence.make(
        taxa,
        days(as_of),
        spots=[str(row[0]) for row in spots],
        observers=observers,
        groups=groups,
        group=[groups.index(row[1]) for row in spots],
        paused=[row[2] for row in spots],
        **arrays,
    )
    looked = tuple(row[0] for row in looks)
    return Gathered(evidence, looked, Fish.of(fish), np.array(on_device, dtype=np.bool_))


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else float(value)


def _outcome(taxa: Taxa, band: str | None, called: str | None) -> int:
    if band in {None, EchoGroup.Band.NONE}:
        return NO_ECHOES
    return UNCALLED if called is None else taxa.node(called)


# Species, grade, fish, whether a checker rejected it, depth, and the group of echoes that were the same fish.
_Found = tuple[str, int, int, bool, float | None, uuid.UUID | None]


def _findings_by_look(
    taxa: Taxa, column: dict[str, int], findings: Sequence[tuple[Any, ...]]
) -> tuple[
    dict[uuid.UUID, list[_Found]],
    dict[uuid.UUID, int],
    dict[uuid.UUID, list[datetime]],
]:
    """Return findings by look, the species a *same fish* tie gives each group, and proof times by spot."""
    found: dict[uuid.UUID, list[_Found]] = {}
    ties: dict[uuid.UUID, int] = {}
    proved: dict[uuid.UUID, list[datetime]] = {}
    for look, species, number, depth, settles, tie, verified, rejected, spot, at, method in findings:
        code = VERIFIED if verified else LANDED if method == Method.ROD else SEEN
        found.setdefault(look, []).append(
            (species, code, number, rejected, depth, settles if tie == Finding.Tie.FISH else None)
        )
        proved.setdefault(spot, []).append(at)
        if tie == Finding.Tie.FISH and settles and not rejected and species in column:
            ties[settles] = column[species]
    return found, ties, proved


def _sealed_before_proof(
    spot: uuid.UUID,
    at: datetime,
    seal: str | None,
    sealed_at: datetime | None,
    proved: dict[uuid.UUID, list[datetime]],
) -> bool:
    """Say whether a call was sealed before any proof of its visit was there to be seen."""
    if sealed_at is None:
        return True
    # A device's word for the time is taken: most waters have no signal. Such calls are scored apart as well.
    if seal == Call.Seal.MEMORY:
        return False
    start = at - timedelta(hours=VISIT_HOURS)
    return not any(start <= proof <= sealed_at for proof in proved.get(spot, ()))
