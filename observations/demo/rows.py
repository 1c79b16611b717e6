"""What the demo consists of, as plain rows. Keys are text or small numbers; times are aware, in UTC.

The codes of methods, bands, placements and so on are the application's own (``observations.models``), written
out here so that the rows need no database.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

SONAR = ("2d", "down", "side", "forward")
PROVING = ("camera", "rod")
METHODS = (*SONAR, *PROVING, "eye")

# Species as the reference lists name them; codes are the names in lower case with hyphens.
SPECIES = (
    "largemouth-bass",
    "smallmouth-bass",
    "spotted-bass",
    "white-crappie",
    "black-crappie",
    "bluegill",
    "redear-sunfish",
    "channel-catfish",
    "blue-catfish",
    "flathead-catfish",
    "walleye",
    "white-bass",
    "gizzard-shad",
)
WIDER = {
    "black-bass": ("largemouth-bass", "smallmouth-bass", "spotted-bass"),
    "crappie": ("white-crappie", "black-crappie"),
    "sunfish": ("bluegill", "redear-sunfish"),
    "catfish": ("channel-catfish", "blue-catfish", "flathead-catfish"),
    "temperate-bass": ("white-bass",),
    "bait": ("gizzard-shad",),
}
UNKNOWN = "fish"
NOT_FISH = "not-fish"


def wider_of(species: str) -> str:
    """The wider kind a species stands under."""
    return next((kind for kind, members in WIDER.items() if species in members), UNKNOWN)


def right(call: str, truth: str | None) -> bool:
    """Whether a call holds: the truth is it, or lies under it; "not fish" holds when nothing was there."""
    if truth is None:
        return call == NOT_FISH
    return call in (truth, wider_of(truth), UNKNOWN)


@dataclass(frozen=True)
class Grant:
    """One audience's sight of a spot: level 0 hidden, 1 water, 2 area, 3 exact; None: the club's default."""

    audience: str
    level: int | None
    starts_at: datetime | None = None
    ends_at: datetime | None = None


@dataclass(frozen=True)
class SpotRow:
    """A spot with its sheet and its position. ``owner`` is "club", "team:<name>" or "member:<username>"."""

    key: int
    water: str
    name: str
    alias: str
    cover: str
    structure: str
    longitude: float
    latitude: float
    depth_min_m: float
    depth_max_m: float
    provenance: str
    owner: str
    scope: str
    placed_on: date | None
    permission: str
    notes: str
    source: str
    error_m: float
    grants: tuple[Grant, ...]
    paused_at: datetime | None = None
    successor: int | None = None


@dataclass(frozen=True)
class TripRow:
    """A member's time on a water."""

    key: int
    member: str
    water: str
    started_at: datetime
    ended_at: datetime
    note: str


@dataclass(frozen=True)
class GroupRow:
    """One group of echoes of a look, with the sealed call on it (``call`` empty: none was made)."""

    key: int
    band: str
    count: int
    placement: str
    depth_m: float | None
    call: str = ""
    probability: float | None = None
    size: str = ""
    withdrawn: bool = False


@dataclass(frozen=True)
class FindingRow:
    """A species seen or landed. ``settles`` is the key of the group of echoes that it proves."""

    key: int
    species: str
    count: int
    lengths_mm: tuple[int, ...]
    fate: str
    depth_m: float
    settles: int | None
    tie: str
    truth: str


@dataclass(frozen=True)
class PresentationRow:
    """What was put before the fish, and the response."""

    what: str
    minutes: float
    response: str


@dataclass(frozen=True)
class LookRow:
    """One look at one spot with one method."""

    key: int
    spot: int
    trip: int | None
    visit: int
    observer: str
    method: str
    started_at: datetime
    utc_offset_min: int
    minutes: float
    rod_hours: float | None
    settings: dict[str, str]
    secchi_m: float | None
    clarity: str
    water_temp_c: float | None
    pool_level_m: float
    wind_m_s: float
    wind_from_deg: int
    sky: str
    note: str
    scope: str
    # Of a sonar look: it was drawn for a camera drop; of a drop: it was made for such a look.
    random_check: bool
    received_at: datetime
    groups: tuple[GroupRow, ...] = ()
    findings: tuple[FindingRow, ...] = ()
    presentations: tuple[PresentationRow, ...] = ()


@dataclass(frozen=True)
class ConfirmationRow:
    """A checker's decision on a finding."""

    finding: int
    checker: str
    species: str
    decision: str
    reason: str
    at: datetime


@dataclass(frozen=True)
class Visit:
    """The truth behind the looks at one spot within a few hours: what was there, what the screen shows."""

    key: int
    spot: int
    day: date
    present: frozenset[str]
    chance: dict[str, float]
    target: str | None
    target_count: int
    target_depth_m: float
    placement: str


@dataclass(frozen=True)
class PictureRow:
    """A picture to be drawn: of a look, and where it shows a finding, of that finding."""

    key: int
    look: int
    finding: int | None
    kind: str
    seed: int


@dataclass(frozen=True)
class Demo:
    """Everything the simulator made, and the truth it made it from."""

    spots: tuple[SpotRow, ...]
    trips: tuple[TripRow, ...]
    looks: tuple[LookRow, ...]
    confirmations: tuple[ConfirmationRow, ...]
    pictures: tuple[PictureRow, ...]
    visits: dict[int, Visit]
    refusals: int = 0
    extra: dict[str, str] = field(default_factory=dict)
