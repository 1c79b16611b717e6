"""What geometry and published equations add to a look, in words: the cone's width, the sight, a fish's weight.

The formulas stand in `inference`; here is what goes into them, and what is assumed is said.
"""

import math
import re

from club.units import Units
from observations.inference.condition import STANDARDS, length_category, standard_weight
from observations.inference.coverage import sighting_range
from observations.inference.sonar import footprint_diameter
from observations.models import Method, Observation

# A common cone at 200 kHz, taken where the settings name none: common practice, no source.
ASSUMED_CONE_DEG = 20.0
_DEGREES = re.compile(r"(\d{1,3}(?:[.,]\d{1,2})?)\s*(?:°|deg\b|degrees?\b)", re.I)


def cone_of(look: Observation) -> float | None:
    """Return the cone's whole angle in degrees that the settings name; none where they name none or several."""
    named = {float(found.replace(",", ".")) for found in _DEGREES.findall(str(look.settings.get("text", "")))}
    for name, value in look.settings.items():
        if "cone" in name.lower() and isinstance(value, int | float) and not isinstance(value, bool):
            named.add(float(value))
    return angle if len(named) == 1 and 1 <= (angle := named.pop()) < 180 else None


def footprint_words(look: Observation, units: Units) -> str:
    """`1.6 m across at 4.6 m: the 20° of the settings`; empty for other methods and without a depth."""
    if look.method != Method.SONAR_2D:
        return ""
    depths = sorted({group.depth_m for group in look.groups.all() if group.depth_m is not None})
    if not depths:
        return ""
    told = cone_of(look)
    cone = told or ASSUMED_CONE_DEG
    across = [
        f"{units.span_text(float(footprint_diameter(depth, cone)))} across at {units.depth_text(depth)}"
        for depth in depths
    ]
    source = (
        f"by the {cone:g}° of the settings" if told else f"if the cone is {cone:g}°: the settings name none"
    )
    return f"{', '.join(across)}, {source}"


def sight_words(look: Observation, units: Units) -> str:
    """`1 to 1.6 m, a rough band for a dark fish`; empty unless a camera's look has its disc reading."""
    if look.method != Method.CAMERA or not look.secchi_m:
        return ""
    low, high = sighting_range(look.secchi_m)
    return f"{units.depth_range(float(low), float(high))} around the lens, a rough band"


def weight_words(species: str, lengths_mm: list[int], units: Units) -> str:
    """Say the standard weight and the length category of measured fish; empty where no equation is published.

    Taken as total lengths, which the published equations are for.
    """
    standard = STANDARDS.get(species)
    if standard is None or not lengths_mm:
        return ""
    lengths = sorted({length for length in lengths_mm if length > 0})
    weights = [float(weight) for weight in standard_weight(species, lengths)]
    known = [weight for weight in weights if not math.isnan(weight)]
    if not known:
        return f"no standard weight below {units.fish_text(standard.least_mm)}"
    words = f"standard weight {units.weight_range(known[0], known[-1])}"
    if len(known) < len(weights):
        words += f", none given below {units.fish_text(standard.least_mm)}"
    if category := length_category(species, lengths[-1]):
        words += f"; {category} length" if len(lengths) == 1 else f"; the longest of {category} length"
    return words


WEIGHT_NOTE = (
    "Standard weight: what a well-fed fish of that total length weighs, the upper quarter of waters. Length categories"
    " after Gabelhouse 1984."
)
