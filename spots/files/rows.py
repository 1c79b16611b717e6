"""A place as a file describes it, whatever kind of file it is."""

from dataclasses import dataclass, field
from typing import Any


@dataclass
class SpotRow:
    """One place of a file. Positions are text as it stood there; `line` is where, or the number of the feature.

    `sheet` has what else the file knows, by the names of `spots.services.SpotDraft`, in SI units.
    """

    line: int
    name: str = ""
    lat: str = ""
    lon: str = ""
    notes: str = ""
    water: str = ""
    # The id that it had where it came from; one that the importer sees exactly is there already.
    id: str = ""
    symbol: str = ""
    sheet: dict[str, Any] = field(default_factory=dict)

    @property
    def has_place(self) -> bool:
        return bool(self.lat or self.lon)
