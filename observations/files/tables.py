"""The tables that can be imported, and the columns that a member chose for files of their own."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from club.models import Member
from observations.files import looks_csv
from observations.import_models import ImportMap
from spots.files import levels, spots_csv
from spots.files.guessing import guess, guess_order
from spots.files.known import name_key
from spots.files.mapping import DATE, ColumnMap, mapped_table
from spots.files.table import RawTable, Table, named_table
from spots.models import Water


@dataclass(frozen=True)
class Kind:
    """A kind of table: its columns, those that it needs, and the one that has its time."""

    name: str
    words: str
    columns: tuple[str, ...]
    needed: tuple[str, ...]
    time_column: str = ""


KINDS = {
    kind.name: kind
    for kind in (
        Kind("looks", "Looks, one row a look", looks_csv.COLUMNS, looks_csv.NEEDED, "started_at"),
        Kind("spots", "Spots, one row a spot", spots_csv.READ, spots_csv.NEEDED),
        Kind("levels", "Pool levels of a water", levels.COLUMNS, levels.NEEDED, "at"),
    )
}


@dataclass(frozen=True)
class Read:
    """A table as it was read: of which kind, and by which chosen columns, if not by our own."""

    kind: str
    table: Table
    chosen: ImportMap | None


def kind_of(names: list[str]) -> str:
    """Return which of our tables a header of our own names is; looks, where nothing says otherwise."""
    told = set(names)
    if told & {"spot", "started_at", "method"}:
        return "looks"
    if told & {"level_m", "elevation_m"}:
        return "levels"
    return "spots" if "name" in told else "looks"


def chosen_for(raw: RawTable, member: Member) -> ImportMap | None:
    """Return what the member chose for this header, if it is no table of our own."""
    names = raw.names
    if set(names) <= set(KINDS[kind_of(names)].columns):
        return None
    return ImportMap.objects.filter(member=member, header=names).first()


def read_chosen(raw: RawTable, member: Member, water: Water | None) -> Read:
    """Return the table in our columns. Raises FileError where neither they nor chosen ones are there."""
    chosen = chosen_for(raw, member)
    if chosen is None:
        kind = KINDS[kind_of(raw.names)]
        return Read(kind.name, named_table(raw, kind.columns, kind.needed), None)
    kind = KINDS[chosen.kind]
    table = mapped_table(
        raw,
        ColumnMap(chosen.columns, chosen.units, chosen.fixed, chosen.order),
        columns=kind.columns,
        needed=kind.needed,
        time_column=kind.time_column,
        zone_of=_zones(water),
    )
    return Read(kind.name, table, chosen)


def _zones(water: Water | None) -> Callable[[Mapping[str, str]], ZoneInfo | None]:
    """Return what tells the clock of a row: its water's, the import's, or the one that all waters share."""
    waters = list(Water.objects.all())
    by_name = {name_key(item.name): item for item in waters}
    zones = {item.time_zone for item in waters}
    shared = ZoneInfo(zones.pop()) if len(zones) == 1 else None

    def zone_of(cells: Mapping[str, str]) -> ZoneInfo | None:
        named = by_name.get(name_key(cells.get("water", ""))) or water
        return ZoneInfo(named.time_zone) if named else shared

    return zone_of


def guessed(raw: RawTable, member: Member, moment: datetime) -> ImportMap:
    """Return an unsaved first choice for a foreign header."""
    names = raw.names
    looks = guess(names, looks_csv.COLUMNS)
    kind = "looks" if set(looks[0].values()) & {"finding_species", "echoes", "call", "method"} else "spots"
    columns, units = looks if kind == "looks" else guess(names, (*spots_csv.OF_A_SPOT, "symbol"))
    days = [number for number, name in enumerate(names) if columns.get(name) in (DATE, "started_at")]
    cells = [row[number] for _, row in raw.records for number in days]
    order = guess_order(cells, month_first=member.length_unit == "ft")
    return ImportMap(
        member=member, header=names, kind=kind, columns=columns, units=units, order=order, chosen_at=moment
    )
