"""A first guess of what a spreadsheet's columns are, for its owner to put right. Common practice, no source."""

import re

from spots.files.mapping import UNITS

_WORDS = {
    "spot": "spot name waypoint place location structure_name",
    "name": "name spot waypoint title",
    "water": "water lake river reservoir pond",
    "lat": "lat latitude y",
    "lon": "lon long lng longitude x",
    "position": "position coordinates coords gps",
    "date": "date day",
    "time": "time clock hour",
    "started_at": "started_at timestamp datetime when",
    "at": "at timestamp datetime when date",
    "observer": "observer angler member who fisherman",
    "method": "method gear",
    "minutes": "minutes min mins duration",
    "secchi_m": "secchi visibility clarity",
    "water_temp_c": "water_temp temp temperature",
    "depth_m": "depth",
    "depth_min_m": "depth min_depth depth_min top",
    "depth_max_m": "max_depth depth_max bottom",
    "echoes": "echoes marks returns targets",
    "call": "call guess",
    "call_probability": "probability sure confidence",
    "finding_species": "species fish kind",
    "finding_count": "many count number qty quantity caught",
    "finding_length_mm": "length size",
    "rod_hours": "rod_hours hours",
    "presentation": "presentation lure bait fly",
    "response": "response result",
    "confirmed_by": "confirmed_by checker witness",
    "cover": "cover",
    "structure": "structure",
    "notes": "notes note comment comments remarks description",
    "symbol": "symbol icon sym",
    "level_m": "level stage pool",
    "elevation_m": "elevation",
    "source": "source gauge",
}
_UNIT_HINTS = (
    (r"\b(ft|feet|foot)\b", "ft"),
    (r"\b(in|inch|inches)\b", "in"),
    (r"\bcm\b", "cm"),
    (r"\bmm\b", "mm"),
    (r"(°\s*f|\bf\b|fahrenheit)", "°F"),
    (r"(°\s*c|\bc\b|celsius)", "°C"),
    (r"%|percent", "%"),
)


def guess(header: list[str], columns: tuple[str, ...]) -> tuple[dict[str, str], dict[str, str]]:
    """Return (theirs to ours, units by ours) for the names of a header, each of ours once."""
    taken: dict[str, str] = {}
    units: dict[str, str] = {}
    for exact in (True, False):
        for name in header:
            if name in taken:
                continue
            plain = re.sub(r"\(.*?\)|\[.*?\]", " ", name)
            words = "_".join(re.findall(r"[a-z]+", plain))
            for ours in (*columns, "position", "date", "time"):
                known = _WORDS.get(ours, "").split()
                fits = name == ours or words in known if exact else any(w in known for w in words.split("_"))
                if ours not in taken.values() and fits:
                    taken[name] = ours
                    hinted = next((unit for hint, unit in _UNIT_HINTS if re.search(hint, name)), "")
                    if hinted in UNITS.get(ours, ()):
                        units[ours] = hinted
                    break
    return taken, units


def guess_order(days: list[str], *, month_first: bool) -> str:
    """Return how days are written: what a number above 12 or of four digits says, or else what is usual."""
    found = [match for day in days if (match := re.match(r"(\d{1,4})[-/. ](\d{1,2})[-/. ]\d", day.strip()))]
    if not found or len(found[0][1]) == 4:
        return "ymd"
    if any(int(match[1]) > 12 for match in found):
        return "dmy"
    return "mdy" if month_first or any(int(match[2]) > 12 for match in found) else "dmy"
