"""What goes in: the species tree, the evidence, and the options of a fit.

Everything here is plain arrays, checked once on the way in, so that the computations need not check again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

METHODS: Final = ("2d", "down", "side", "forward", "camera", "rod", "eye")
CALL_METHODS: Final = ("2d", "down", "side", "forward", "eye")
"""Methods whose looks end in a call; their order is the order of the call tables."""
FIND_METHODS: Final = ("camera", "rod")
"""Methods whose looks end in findings; their order is the order of the detection rates."""
CAMERA: Final = METHODS.index("camera")
ROD: Final = METHODS.index("rod")

NO_ECHOES: Final = -1
"""Outcome of a sonar look (or a look by eye) that showed nothing."""
UNCALLED: Final = -2
"""Outcome of a sonar look that showed echoes, left without a call."""
NO_OUTCOME: Final = -3
"""Outcome of camera and rod rows: they find, they do not call."""

SEEN: Final = 1
LANDED: Final = 2
VERIFIED: Final = 3

PLACEMENTS: Final = ("over", "in", "beside", "in front", "on bottom", "suspended", "roaming")

TEMPERATURE_C: Final = (-2.0, 45.0)
"""Coldest and warmest water that is believed."""


@dataclass(frozen=True)
class Taxa:
    """The species tree.

    Parameters
    ----------
    codes : tuple of n str
        One code per node, unique.
    parent : array_like of int, shape (n,)
        Index of the wider kind above each node; -1 for a root.
    leaf : array_like of bool, shape (n,)
        True for the K modelled fish species. Wider kinds, `bait` and `not-fish` are False.

    Raises
    ------
    ValueError
        If lengths differ, a code repeats, a parent is out of range or the tree has a cycle, a modelled
        species lies above another, or there is none.
    """

    codes: tuple[str, ...]
    parent: Int
    leaf: Bool

    def __post_init__(self) -> None:
        codes = tuple(self.codes)
        parent = _frozen(self.parent, np.int64)
        leaf = _frozen(self.leaf, np.bool_)
        n = len(codes)
        if parent.shape != (n,) or leaf.shape != (n,):
            raise ValueError(f"taxa: {n} codes need {n} parents and {n} leaf flags")
        if len(set(codes)) != n:
            raise ValueError("taxa: codes must be unique")
        if n and (parent.min() < -1 or parent.max() >= n):
            raise ValueError("taxa: parent out of range")
        if not leaf.any():
            raise ValueError("taxa: at least one modelled species is needed")
        object.__setattr__(self, "codes", codes)
        object.__setattr__(self, "parent", parent)
        object.__setattr__(self, "leaf", leaf)
        column = {int(node): k for k, node in enumerate(np.flatnonzero(leaf))}
        covers = np.zeros((n, len(column)), dtype=np.bool_)
        for node, k in column.items():
            at, steps = node, 0
            while at >= 0:
                covers[at, k] = True
                at, steps = int(parent[at]), steps + 1
                if steps > n:
                    raise ValueError("taxa: the tree has a cycle")
                if at in column:
                    raise ValueError(f"taxa: species {codes[at]!r} lies above another species")
        covers.flags.writeable = False
        object.__setattr__(self, "_covers", covers)

    @property
    def species(self) -> tuple[str, ...]:
        """Codes of the K modelled species, in the order of every species axis."""
        return tuple(code for code, leaf in zip(self.codes, self.leaf, strict=True) if leaf)

    @property
    def covers(self) -> Bool:
        """Shape (n, K): True where the species lies under (or is) the node, so a call there is right."""
        covers: Bool = self.__dict__["_covers"]
        return covers

    def node(self, code: str) -> int:
        """Index of a node. Raises KeyError for an unknown code."""
        try:
            return self.codes.index(code)
        except ValueError:
            raise KeyError(code) from None


_ROW_FIELDS: Final[Mapping[str, tuple[type, Any]]] = {
    # name: (dtype, default); None means required
    "spot": (np.int64, None),
    "time": (np.float64, None),
    "method": (np.int64, None),
    "observer": (np.int64, 0),
    "look": (np.int64, None),
    "outcome": (np.int64, NO_OUTCOME),
    "stated": (np.float64, np.nan),
    "sealed": (np.bool_, True),
    "minutes": (np.float64, np.nan),
    "rod_hours": (np.float64, np.nan),
    "secchi_m": (np.float64, np.nan),
    "cover_height_m": (np.float64, np.nan),
    "cover_size_m": (np.float64, np.nan),
    "placement": (np.int64, -1),
    "depth_m": (np.float64, np.nan),
    "water_temp_c": (np.float64, np.nan),
    "month": (np.int64, 0),
    "tie": (np.int64, -1),
    "random_check": (np.bool_, False),
    "filtered": (np.bool_, False),
}
_CELL_FIELDS: Final[Mapping[str, type]] = {"grade": np.int64, "count": np.int64, "unclear": np.bool_}


@dataclass(frozen=True)
class Evidence:
    """Looks as arrays: one row per camera, rod or eye look, one row per echo group of a sonar look.

    Build it with :meth:`make`, which fills defaults. Rows may come in any order. Times are days since
    1970-01-01T00:00Z.

    Attributes
    ----------
    taxa : Taxa
        n nodes, K species.
    now : float
        The moment of the evidence; no row may be later.
    spots : tuple of S str
    groups : tuple of G str
        Cover/structure groups.
    group : int (S,)
        Each spot's group.
    paused : bool (S,)
        Cover looked for and not found.
    observers : tuple of O str
        Ids by which a later, differently indexed Evidence is matched to a fit.
    spot, time, method, observer, look : (N,)
        `look` is the same integer for all groups of one look.
    outcome : int (N,)
        Node index called, or NO_ECHOES, UNCALLED; NO_OUTCOME on camera and rod rows.
    stated : float (N,)
        Stated probability of the call, 0 to 1, or NaN.
    sealed : bool (N,)
        False: sealed after its proof or drafted from memory. Such a call never feeds reliability, and feeds
        presence only in a visit without findings.
    minutes, rod_hours : float (N,)
        Effort, >= 0; NaN: not stated, see `Options`.
    secchi_m, cover_height_m, cover_size_m, depth_m : float (N,)
        Metres or NaN.
    water_temp_c : float (N,)
        Water temperature, degrees Celsius, TEMPERATURE_C at most; NaN: not read.
    placement : int (N,)
        Index into PLACEMENTS, or -1.
    month : int (N,)
        Local calendar month 1 to 12; 0: taken from `time` in UTC.
    grade : int (N, K)
        0 not found, SEEN, LANDED or VERIFIED; only camera and rod rows may be non-zero.
    count : int (N, K)
        Number of fish; a found species counts at least 1.
    unclear : bool (N, K)
        A wider kind was found that covers the species, and which one it was cannot be told: the row then
        says nothing for or against these species.
    tie : int (N,)
        On a row of a calling method: species index whose *same fish* proof settles this group; else -1.
    random_check : bool (N,)
        The look was asked for by the server's draw, whatever it looked like.
    filtered : bool (N,)
        The sonar was set so that small returns do not show; says nothing on rows without a call.
    rechecked, recheck_wrong : int
        Blind re-checks of `seen` findings, and how many of them named another species.
    """

    taxa: Taxa
    now: float
    spots: tuple[str, ...]
    groups: tuple[str, ...]
    group: Int
    paused: Bool
    observers: tuple[str, ...]
    spot: Int
    time: Float
    method: Int
    observer: Int
    look: Int
    outcome: Int
    stated: Float
    sealed: Bool
    minutes: Float
    rod_hours: Float
    secchi_m: Float
    cover_height_m: Float
    cover_size_m: Float
    placement: Int
    depth_m: Float
    water_temp_c: Float
    month: Int
    grade: Int
    count: Int
    unclear: Bool
    tie: Int
    random_check: Bool
    filtered: Bool
    rechecked: int = 0
    recheck_wrong: int = 0

    @classmethod
    def make(
        cls,
        taxa: Taxa,
        now: float,
        *,
        spots: Sequence[str],
        observers: Sequence[str] = ("",),
        groups: Sequence[str] = ("",),
        group: ArrayLike | None = None,
        paused: ArrayLike | None = None,
        rechecked: int = 0,
        recheck_wrong: int = 0,
        **rows: ArrayLike,
    ) -> Evidence:
        """Build checked evidence; row arrays left out take their defaults (`look`: every row its own).

        Raises
        ------
        ValueError
            Naming the array, the first bad row and the rule: lengths that differ, unknown names, NaN or
            infinite times, infinite or negative efforts and lengths, times after `now`, probabilities
            outside 0..1, indices out of range, findings on calling methods or calls on finding methods,
            a found count below 1, a tie without echoes.
        """
        unknown = set(rows) - set(_ROW_FIELDS) - set(_CELL_FIELDS)
        if unknown:
            raise ValueError(f"evidence: unknown arrays {sorted(unknown)}")
        n, k = len(np.asarray(rows.get("spot", ()))), len(taxa.species)
        rows.setdefault("look", np.arange(n))
        made: dict[str, Any] = {}
        for name, (dtype, default) in _ROW_FIELDS.items():
            if name not in rows and default is None and n:
                raise ValueError(f"evidence: {name} is required")
            made[name] = rows[name] if name in rows else np.full(n, 0 if default is None else default, dtype)
        for name, dtype in _CELL_FIELDS.items():
            made[name] = rows.get(name, np.zeros((n, k), dtype))
        if "count" not in rows:
            made["count"] = (np.asarray(made["grade"]) > 0).astype(np.int64)
        return cls(
            taxa=taxa,
            now=float(now),
            spots=tuple(spots),
            groups=tuple(groups),
            group=np.asarray(np.zeros(len(spots)) if group is None else group, dtype=np.int64),
            paused=np.asarray(np.zeros(len(spots)) if paused is None else paused, dtype=np.bool_),
            observers=tuple(observers),
            rechecked=rechecked,
            recheck_wrong=recheck_wrong,
            **made,
        )

    def __post_init__(self) -> None:
        n = len(np.asarray(self.spot))
        for name, (dtype, _) in _ROW_FIELDS.items():
            object.__setattr__(self, name, _frozen(getattr(self, name), dtype, (n,), name))
        for name, dtype in _CELL_FIELDS.items():
            shape = (n, len(self.taxa.species))
            object.__setattr__(self, name, _frozen(getattr(self, name), dtype, shape, name))
        object.__setattr__(self, "group", _frozen(self.group, np.int64, (len(self.spots),), "group"))
        object.__setattr__(self, "paused", _frozen(self.paused, np.bool_, (len(self.spots),), "paused"))
        _check(self)
        if n:
            month = np.where(self.month > 0, self.month, utc_month(self.time))
            object.__setattr__(self, "month", _frozen(month, np.int64))

    def __len__(self) -> int:
        return len(self.spot)

    @property
    def seen(self) -> Bool:
        """Shape (N, K): the species was seen or landed in this look."""
        return self.grade > 0

    def take(self, rows: ArrayLike) -> Evidence:
        """The same evidence with only these rows (indices or mask), in this order."""
        chosen = np.asarray(rows)
        index = np.arange(len(self))[chosen if chosen.size else chosen.astype(np.int64)]
        arrays = {name: getattr(self, name)[index] for name in (*_ROW_FIELDS, *_CELL_FIELDS)}
        return replace(self, **arrays)

    def of_spot(self, spot: int) -> Evidence:
        """Evidence about one spot only: its rows, and a spot axis of length 1."""
        return self.about(spot, np.flatnonzero(self.spot == spot))

    def about(self, spot: int, rows: Int) -> Evidence:
        """`of_spot` where the rows of the spot are known already."""
        part = self.take(rows)
        return replace(
            part,
            spots=(self.spots[spot],),
            group=self.group[[spot]],
            paused=self.paused[[spot]],
            spot=np.zeros(len(part), dtype=np.int64),
        )


@dataclass(frozen=True)
class Options:
    """Choices of a fit, all with defaults; units in the names.

    The prior means of the detection rates, the default efforts and the visibility range are common practice
    without a source: weak guesses that data soon overrule.
    """

    window_hours: float = 6.0
    grid_nodes: int = 31
    max_iterations: int = 500
    tolerance: float = 2e-4
    intercept_prior: tuple[float, float] = (-0.8, 1.5)
    harmonic_sd: float = 1.0
    group_intercept_sd: float = 0.7
    group_harmonic_sd: float = 0.35
    spread_sd: float | None = None
    """Prior sd of log sigma; None: 0.4 below 500 rows (a first-year club), else 0.7."""
    rate_prior: tuple[tuple[float, float], tuple[float, float]] = ((0.15, 1.0), (0.4, 1.0))
    """(median, sd of the log) of the pooled detection rate: camera per covered minute, rod per rod-hour."""
    rate_weight: float = 20.0
    """How many detections the pooled rate weighs against a species' own."""
    cell_prior: float = 0.3
    no_echo_prior: float = 0.3
    correct_prior: float = 1.0
    kappa_prior: tuple[float, float] = (20.0, 1.0)
    """(median, sd of the log) of both shrinkage weights, in calls."""
    default_minutes: float = 3.0
    default_rod_hours: float = 0.5
    default_secchi_m: float = 1.5
    default_cover_size_m: float = 4.0
    seen_error: float = 0.02
    """Prior mean of the error of an unchecked sighting, worth 50 re-checks."""
    landed_error: float = 0.002
    half_lives_days: tuple[float, ...] = (90.0, 180.0, 365.0, 730.0, float("inf"))
    nested_below_spots: int = 300
    spread_nodes: int = 7


def utc_month(time: ArrayLike) -> Int:
    """Calendar month 1..12, in UTC, of times in days since 1970-01-01."""
    days = np.floor(np.asarray(time, dtype=np.float64)).astype("timedelta64[D]")
    months = (np.datetime64("1970-01-01", "D") + days).astype("datetime64[M]").astype(np.int64)
    return np.asarray(months % 12 + 1, dtype=np.int64)


def _frozen(
    values: ArrayLike, dtype: type, shape: tuple[int, ...] | None = None, name: str = ""
) -> NDArray[Any]:
    raw = np.asarray(values)
    if dtype is np.int64 and raw.dtype.kind == "f" and raw.size and not np.all(np.isfinite(raw)):
        raise ValueError(f"evidence: {name} must be whole numbers, not NaN or infinite")
    made: NDArray[Any] = np.array(raw, dtype=dtype)
    if shape is not None and made.size == 0 and 0 in shape:
        made = made.reshape(shape)
    if shape is not None and made.shape != shape:
        raise ValueError(f"evidence: {name} has shape {made.shape}, not {shape}")
    made.flags.writeable = False
    return made


def _require(ok: Bool, name: str, rule: str) -> None:
    if not np.all(ok):
        bad = int(np.flatnonzero(~ok.reshape(len(ok), -1).all(axis=1))[0])
        raise ValueError(f"evidence: {name} of row {bad}: {rule}")


def _check(e: Evidence) -> None:
    if not np.isfinite(e.now):
        raise ValueError("evidence: now must be finite")
    if e.rechecked < 0 or not 0 <= e.recheck_wrong <= e.rechecked:
        raise ValueError("evidence: recheck_wrong must lie between 0 and rechecked")
    if len(e.group) and (e.group.min() < 0 or e.group.max() >= len(e.groups)):
        raise ValueError("evidence: group out of range")
    for name, upper in (
        ("spot", len(e.spots)),
        ("observer", len(e.observers)),
        ("method", len(METHODS)),
    ):
        values = getattr(e, name)
        _require((values >= 0) & (values < upper), name, f"must be an index below {upper}")
    _require(np.isfinite(e.time), "time", "must be finite")
    _require(e.time <= e.now, "time", "must not be in the future")
    _require(np.isnan(e.stated) | ((e.stated >= 0) & (e.stated <= 1)), "stated", "must be 0 to 1 or NaN")
    for name in ("minutes", "rod_hours", "secchi_m", "cover_height_m", "cover_size_m", "depth_m"):
        values = getattr(e, name)
        _require(np.isnan(values) | ((values >= 0) & (values < np.inf)), name, "must be finite, >= 0 or NaN")
    cold, warm = TEMPERATURE_C
    read = e.water_temp_c
    _require(
        np.isnan(read) | ((read >= cold) & (read <= warm)),
        "water_temp_c",
        f"must be {cold:g} to {warm:g} or NaN",
    )
    _require((e.placement >= -1) & (e.placement < len(PLACEMENTS)), "placement", "is unknown")
    _require((e.month >= 0) & (e.month <= 12), "month", "must be 1 to 12, or 0")
    finds = (e.method == CAMERA) | (e.method == ROD)
    n, k = len(e.taxa.codes), len(e.taxa.species)
    _require((e.outcome >= NO_OUTCOME) & (e.outcome < n), "outcome", "is no node of the tree")
    _require(
        (e.outcome == NO_OUTCOME) == finds, "outcome", "calls belong to sonar and eye rows, and only there"
    )
    _require((e.grade >= 0) & (e.grade <= VERIFIED), "grade", "is unknown")
    _require(
        finds[:, None] | ((e.grade == 0) & ~e.unclear), "grade", "findings belong to camera and rod rows"
    )
    _require(np.where(e.grade > 0, e.count >= 1, e.count == 0), "count", "is >= 1 if found, else 0")
    _require((e.tie >= -1) & (e.tie < k), "tie", "is no species")
    _require(
        (e.tie == -1) | (~finds & (e.outcome != NO_ECHOES)), "tie", "settles echoes of a sonar or eye row"
    )
