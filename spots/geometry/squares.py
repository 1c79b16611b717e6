"""The squares of the OGC WebMercatorQuad grid (two-dimensional tile matrix set, OGC 17-083r4, Annex D)."""

from dataclasses import dataclass
from math import atan, degrees, pi, sinh

from shapely.geometry import Polygon, box


@dataclass(frozen=True, order=True)
class Square:
    """One square: `zoom` halvings of the world, `column` from the west, `row` from the north."""

    zoom: int
    column: int
    row: int

    def children(self) -> tuple["Square", "Square", "Square", "Square"]:
        z, x, y = self.zoom + 1, 2 * self.column, 2 * self.row
        return Square(z, x, y), Square(z, x + 1, y), Square(z, x, y + 1), Square(z, x + 1, y + 1)

    def bounds(self) -> tuple[float, float, float, float]:
        """Return west, south, east, north in degrees."""
        n = 2**self.zoom
        return (
            self.column / n * 360 - 180,
            _latitude((self.row + 1) / n),
            (self.column + 1) / n * 360 - 180,
            _latitude(self.row / n),
        )

    def polygon(self) -> Polygon:
        return box(*self.bounds())

    def at_zoom(self, zoom: int) -> tuple[int, int, int, int]:
        """Return the first and one-past-last column and row that the square covers at a finer zoom."""
        scale: int = 2 ** (zoom - self.zoom)
        return self.column * scale, (self.column + 1) * scale, self.row * scale, (self.row + 1) * scale


def _latitude(from_top: float) -> float:
    return degrees(atan(sinh(pi * (1 - 2 * from_top))))


def square_holding(bounds: tuple[float, float, float, float], deepest: int = 24) -> Square:
    """Return the smallest square that holds west, south, east, north."""
    from math import asinh, radians, tan

    def cell(lon: float, lat: float) -> tuple[int, int]:
        n = 2**deepest
        x = int((lon + 180) / 360 * n)
        y = int((1 - asinh(tan(radians(lat))) / pi) / 2 * n)
        return min(max(x, 0), n - 1), min(max(y, 0), n - 1)

    west, south, east, north = bounds
    (x0, y1), (x1, y0) = cell(west, south), cell(east, north)
    zoom = deepest
    while (x0, y0) != (x1, y1):
        x0, x1, y0, y1, zoom = x0 // 2, x1 // 2, y0 // 2, y1 // 2, zoom - 1
    return Square(zoom, x0, y0)
