"""KML 2.2 out: exact spots as points, zones as polygons, and spots known by their water alone without a place."""

import uuid
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from xml.sax.saxutils import escape, quoteattr

from spots.files.features import file_words
from spots.files.gpx import for_xml
from spots.precision import ReleasedSpot

# KML has colours as alpha, blue, green, red: the magenta of a restricted area on charts.
_STYLE = (
    '<Style id="zone"><LineStyle><color>ff9c3ca8</color><width>2</width></LineStyle>'
    "<PolyStyle><color>339c3ca8</color></PolyStyle></Style>"
)
Ring = Sequence[Sequence[float]]


def write_kml(spots: Sequence[ReleasedSpot], waters: Mapping[uuid.UUID, str]) -> str:
    """Return a KML document with a folder for each water; `waters` has their names."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Document>',
        f"<name>Spots</name><description>{_text(file_words(spots))}</description>{_STYLE}",
    ]
    for water_id, found in groupby(spots, key=lambda spot: spot.water_id):
        lines.append(f"<Folder><name>{_text(waters[water_id])}</name>")
        lines += [_placemark(spot, waters[water_id]) for spot in found]
        lines.append("</Folder>")
    return "\n".join([*lines, "</Document></kml>", ""])


def _text(text: str) -> str:
    return escape(for_xml(text))


def _placemark(spot: ReleasedSpot, water: str) -> str:
    data = "".join(
        f"<Data name={quoteattr(name)}><value>{_text(value)}</value></Data>" for name, value in _data(spot)
    )
    geometry = style = ""
    if spot.geometry is None:
        words = f"Somewhere on {water}."
    elif spot.geometry["type"] == "Point":
        longitude, latitude = spot.geometry["coordinates"]
        geometry = f"<Point><coordinates>{longitude!r},{latitude!r}</coordinates></Point>"
        words = spot.notes or ""
    else:
        polygons = "".join(_polygon(rings) for rings in spot.geometry["coordinates"])
        geometry, style = f"<MultiGeometry>{polygons}</MultiGeometry>", "<styleUrl>#zone</styleUrl>"
        words = f"Somewhere in these squares, which hold {spot.zone_ha:,.0f} ha of water."
    return (
        f'<Placemark id="s-{spot.id}"><name>{_text(spot.label)}</name>'
        f"<description>{_text(words)}</description>{style}<ExtendedData>{data}</ExtendedData>{geometry}</Placemark>"
    )


def _data(spot: ReleasedSpot) -> Iterator[tuple[str, str]]:
    """Yield what else is known of the spot, as (name, text)."""
    values = {
        "precision": spot.precision,
        "cover": spot.cover,
        "structure": spot.structure,
        "depth_min_m": spot.depth_min_m,
        "depth_max_m": spot.depth_max_m,
        "band_from_m": spot.band_from_m,
        "band_to_m": spot.band_to_m,
    }
    for name, value in values.items():
        if value not in (None, ""):
            yield name, str(value)


def _polygon(rings: Sequence[Ring]) -> str:
    outer, *holes = rings
    inner = "".join(f"<innerBoundaryIs>{_ring(hole)}</innerBoundaryIs>" for hole in holes)
    return f"<Polygon><outerBoundaryIs>{_ring(outer)}</outerBoundaryIs>{inner}</Polygon>"


def _ring(ring: Ring) -> str:
    corners = " ".join(f"{longitude!r},{latitude!r}" for longitude, latitude in ring)
    return f"<LinearRing><coordinates>{corners}</coordinates></LinearRing>"
