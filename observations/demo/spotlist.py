"""The demo's spots: their names, owners, sheets, and who sees them how exactly."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np

from observations.demo import lake, places
from observations.demo.lake import Bottom
from observations.demo.people import ANGLERS, TEAM_A, TEAM_B
from observations.demo.rows import Grant, SpotRow
from observations.demo.sites import MARROWBY_PLAN, TANSY_PLAN, Site, choose

NOUNS = {
    "brush pile": ("Brush", "Tops", "Cedars", "Pile", "Tree Row", "Hurdle"),
    "stake bed": ("Stakes", "Stake Bed", "Palings"),
    "crib": ("Cribs", "Pallets", "Crib Row"),
    "standing timber": ("Timber", "Snags", "Poles"),
    "stump field": ("Stumps", "Stubs"),
    "laydown": ("Laydown", "Fallen Oak", "Windfall"),
    "dock": ("Docks", "Pier", "Landing"),
    "vegetation": ("Reeds", "Pads", "Weedline"),
    "rock pile": ("Rocks", "Cairn", "Rubble"),
    "bridge": ("Bridge Piers", "Bridge Shade"),
    "riprap": ("Riprap", "Stone Bank"),
    "none": ("Bend", "Shelf", "Edge", "Drop", "Gap"),
}
SIDES = ("", "North ", "Lower ", "Outer ", "Far ", "Inner ", "South ", "Upper ", "Little ", "Old ")

# Names that only their finders know the reason of.
WHIMS = (
    "Tin Roof", "Fence Row", "Blue Gate", "Two Crows", "Lost Anchor", "Twelve Oaks", "Hob's Hump",
    "Widow's Step", "The Larder", "Cold Kettle", "Half Acre", "Third Rail", "Wet Sock", "Granny's Porch",
    "Broken Oar", "Sixpence", "The Parlour", "Rook Tree", "Quiet Corner", "Barn Door", "Left Boot",
    "Long Wait", "Apple Crate", "Pepper Pot", "Noon Stop", "The Attic", "Rusty Gate", "Wren House",
    "Bottom Drawer", "Old Harrow", "Church Mouse", "The Pantry", "Last Cast Log", "Sugar Bowl",
    "Green Bucket", "Hedge End", "Spare Key", "The Cellar", "Ink Pot", "Dog's Leg", "Short Straw",
    "Lantern Post",
    "Milk Churn", "Pear Tree", "Flat Cap", "The Step", "Brass Hook", "Hay Wagon", "Thimble", "Stile",
)  # fmt: skip

PRIVATE_BY = {"member": 9, "captain": 2, "teammate": 2, "rival": 3, "checker": 2, "nadia": 2, "ruth": 2}
OTHERS_PRIVATE = 13
TEAM_SPOTS = {TEAM_A: 7, TEAM_B: 5}

FLAGSHIP = "Old Ferry Cribs"
"""The club's best-known spot, where it holds its method days."""

OPENING = datetime(2026, 12, 19, 18, 0, tzinfo=UTC)
"""When the embargoed grants open: after the winter event."""


def spots(seed: int = 20240303) -> tuple[SpotRow, ...]:
    """All spots of both waters, some 165, with owners and grants."""
    rng = np.random.default_rng(seed)
    large, small = lake.marrowby(), lake.tansy()
    rows = [
        *_named("marrowby", large, choose(large, MARROWBY_PLAN, places.NAMES, rng), rng, 1),
        *_named("tansy", small, choose(small, TANSY_PLAN, places.POND_NAMES, rng, apart=90.0), rng, 400),
    ]
    return tuple(_lives(_owned(rows, rng), rng))


def _named(
    water: str, bottom: Bottom, sites: Iterable[Site], rng: np.random.Generator, first: int
) -> list[SpotRow]:
    """Sheets with names that say where and what, all the club's for now."""
    taken: set[str] = set()
    rows = []
    for key, site in enumerate(sites, first):
        longitude, latitude = bottom.frame.lonlat(site.x, site.y)
        place = site.near.removeprefix("The ").removesuffix(" Arm").removesuffix(" Creek")
        place = place.replace("Kiln Islands", "Kiln Island").replace(" Point", "").replace(" Reach", "")
        nouns = NOUNS[site.cover]
        options = [f"{side}{place} {noun}" for side in SIDES for noun in rng.permutation(nouns)]
        name = next(option for option in options if option not in taken)
        taken.add(name)
        tall = {"brush pile": 1.8, "crib": 1.4, "stake bed": 1.0, "rock pile": 0.8}.get(site.cover, 0.4)
        top = max(round(site.shallow_m - 0.2 * tall, 1), 0.2)
        sunk = site.cover in ("brush pile", "crib", "stake bed")
        rows.append(
            SpotRow(
                key, water, name, "", site.cover, site.structure, round(longitude, 6), round(latitude, 6),
                top, site.deep_m, "club" if sunk and rng.random() < 0.6 else "found", "club", "club",
                _placed(rng) if sunk else None, "", "", "chart" if rng.random() < 0.3 else "phone",
                float(rng.choice([3, 4, 5, 8])), (),
            )
        )  # fmt: skip
    return rows


def _placed(rng: np.random.Generator) -> date:
    """A winter or early spring day, when brush is sunk."""
    return date(int(rng.integers(2018, 2024)), int(rng.integers(1, 4)), int(rng.integers(1, 28)))


def _owned(rows: list[SpotRow], rng: np.random.Generator) -> list[SpotRow]:
    """Deal out the spots to the club, teams and members, and grant sight of them."""
    flagship = min(
        (row for row in rows if row.cover == "crib" and row.water == "marrowby"),
        key=lambda row: _apart(row, 0.9, -0.7),
    ).key
    free = [row.key for row in rows if row.key != flagship and row.cover not in ("bridge", "riprap")]
    free = [int(key) for key in rng.permutation(free)]
    owners: dict[int, str] = {}
    deals = {f"member:{name}": number for name, number in PRIVATE_BY.items()}
    others = [person.username for person in ANGLERS if person.username not in PRIVATE_BY]
    for name in rng.choice(others, OTHERS_PRIVATE):
        deals[f"member:{name}"] = deals.get(f"member:{name}", 0) + 1
    deals.update({f"team:{team}": number for team, number in TEAM_SPOTS.items()})
    by_key = {row.key: row for row in rows}
    for owner, number in deals.items():
        # Members find spots where they mostly fish.
        x, y = _haunt(owner)
        free.sort(key=lambda key: _apart(by_key[key], x, y))
        for _ in range(number):
            owners[free.pop(int(rng.integers(min(10, len(free)))))] = owner
    whims = iter(rng.permutation(WHIMS))
    turn = 0
    done: list[SpotRow] = []
    for row in rows:
        owner = owners.get(row.key, "club")
        if row.key == flagship:
            done.append(_flagship(row))
        elif owner == "club":
            done.append(_clubs(row, rng))
        else:
            done.append(_privates(replace(row, owner=owner, name=str(next(whims))), rng, turn))
            turn += 1
    return done


def _haunt(owner: str) -> tuple[float, float]:
    """Where a member, or a team's captain, mostly fishes, in kilometres of Lake Marrowby."""
    kind, _, name = owner.partition(":")
    person = next(
        p for p in ANGLERS if p.username == name or (kind == "team" and p.team == name and p.captain)
    )
    return next((known.x, known.y) for known in places.NAMES if known.text == person.haunts)


def _apart(row: SpotRow, x: float, y: float) -> float:
    """Distance in metres from a point of Lake Marrowby given in kilometres."""
    east, north = lake.marrowby().frame.metres(row.longitude, row.latitude)
    return math.hypot(east - x * 1000, north - y * 1000)


def _flagship(row: SpotRow) -> SpotRow:
    return replace(
        row,
        name=FLAGSHIP,
        alias="Ferry cribs",
        provenance="club",
        placed_on=date(2021, 2, 13),
        permission="Water district, letter 2021-014 (invented)",
        notes="Six pallet cribs in two rows of three, sunk from the old ferry barge.",
        grants=(Grant("members", 3), Grant("guest", 2), Grant("public", 2)),
    )


def _clubs(row: SpotRow, rng: np.random.Generator) -> SpotRow:
    """A club spot: a third published by the agency, most exact to members, most `area` to the public."""
    roll = rng.random()
    agency = row.cover in ("riprap", "bridge") or (row.provenance == "club" and roll < 0.3)
    grants = [Grant("members", 3)]
    if agency or roll < 0.9:
        grants += [Grant("guest", None), Grant("public", None)]
    if not agency and roll > 0.93:
        grants = [Grant("members", 2)]
    sunk = row.provenance == "club" and not agency
    return replace(
        row,
        provenance="agency" if agency else row.provenance,
        permission="Water district, standing leave for brush (invented)" if sunk else "",
        alias="",
        grants=tuple(grants),
        source="import" if agency else row.source,
        error_m=10.0 if agency else row.error_m,
    )


def _privates(row: SpotRow, rng: np.random.Generator, turn: int) -> SpotRow:
    """A member's or a team's own spot: hidden, at area, shared exactly with a few, or under embargo."""
    kind, _, who = row.owner.partition(":")
    row = replace(row, provenance="found", placed_on=None)
    grants: tuple[Grant, ...]
    if kind == "team":
        shown = turn % 3 == 0
        grants = (Grant("members", 2),) if shown else ()
        return replace(row, scope="club" if shown else row.owner, grants=grants)
    style = turn % 8
    mates = [person.username for person in ANGLERS if person.username != who]
    if style in (0, 1, 2):
        return replace(row, scope=row.owner)
    if style in (3, 4):
        alias = ("Heron's Rest", "Number Nine", "The Willow", "Cedar Two", "Slow Water")[turn % 5]
        return replace(row, scope="club", alias=alias, grants=(Grant("members", 2), Grant("public", None)))
    if style == 5:
        friends = [str(name) for name in rng.choice(mates, 2, replace=False)]
        exact = tuple(Grant(f"member:{name}", 3) for name in friends)
        return replace(row, scope="club", grants=(Grant("members", 2), *exact))
    if style == 6:
        return replace(row, scope=row.owner, grants=(Grant("members", 2, OPENING), Grant("members", 1)))
    return replace(row, scope="club", grants=(Grant("members", 3), Grant("guest", 1)))


def _lives(rows: list[SpotRow], rng: np.random.Generator) -> list[SpotRow]:
    """One brush pile was not found again, and one washed away and was marked anew beside its old place."""
    brush = [i for i, row in enumerate(rows) if row.cover == "brush pile" and row.owner == "club"]
    lost, moved = (int(i) for i in rng.choice(brush, 2, replace=False))
    rows[lost] = replace(
        rows[lost],
        paused_at=datetime(2026, 7, 18, 15, 0, tzinfo=UTC),
        notes="Looked for on three passes in July 2026 and not found.",
    )
    old = rows[moved]
    longitude, latitude = _drifted(old)
    heir = replace(
        old,
        key=900,
        name=f"{old.name} (moved)",
        longitude=longitude,
        latitude=latitude,
        placed_on=date(2025, 3, 2),
        notes="Drifted in the flood of February 2025 and marked anew.",
    )
    rows[moved] = replace(old, paused_at=datetime(2025, 3, 2, 16, 0, tzinfo=UTC), successor=900)
    return [*rows, heir]


def _drifted(row: SpotRow) -> tuple[float, float]:
    """A place some 60 m off, at the depth nearest to what it was."""
    bottom = lake.marrowby() if row.water == "marrowby" else lake.tansy()
    x, y = bottom.frame.metres(row.longitude, row.latitude)
    around = [(x + 60 * math.cos(a), y + 60 * math.sin(a)) for a in np.arange(0, 2 * math.pi, 0.3)]
    middle = (row.depth_min_m + row.depth_max_m) / 2
    nearest = min(around, key=lambda place: abs(bottom.depth(*place) - middle))
    longitude, latitude = bottom.frame.lonlat(*nearest)
    return round(longitude, 6), round(latitude, 6)


def lively(row: SpotRow, day: date) -> bool:
    """Whether anybody would go to a spot on a day: it is there, and not paused for longer than a month."""
    if row.key == 900 and row.placed_on and day < row.placed_on:
        return False
    return row.paused_at is None or day < row.paused_at.date() - timedelta(days=1)
