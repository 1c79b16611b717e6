"""Areas on the WGS 84 ellipsoid, by the cylindrical equal-area projection.

In this projection the squares of the web map grid stay rectangles, because their sides are meridians and
parallels, and every area is the ellipsoid's own. Snyder, Map Projections: A Working Manual (USGS
Professional Paper 1395, 1987), eq. 3-12 and 10-14 to 10-16, with the standard parallel at the equator.
"""

import numpy as np
import numpy.typing as npt
from shapely import transform
from shapely.geometry.base import BaseGeometry

SEMI_MAJOR_M = 6378137.0
_FLATTENING = 1 / 298.257223563
_E2 = _FLATTENING * (2 - _FLATTENING)
_E = float(np.sqrt(_E2))


def _authalic_q(latitude: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Snyder's q for latitudes in radians."""
    sine = np.sin(latitude)
    return (1 - _E2) * (sine / (1 - _E2 * sine**2) + np.arctanh(_E * sine) / _E)


def project(lonlat: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return metres east and north, shape (n, 2), of degrees of longitude and latitude, shape (n, 2)."""
    radians = np.radians(lonlat)
    return np.column_stack([SEMI_MAJOR_M * radians[:, 0], SEMI_MAJOR_M * _authalic_q(radians[:, 1]) / 2])


def to_equal_area(shape: BaseGeometry) -> BaseGeometry:
    """Return the shape with its vertices projected. Sides stay straight in the projection."""
    result: BaseGeometry = transform(shape, project)
    return result


def area_ha(shape: BaseGeometry) -> float:
    """Return the area in hectares of a shape in degrees of longitude and latitude.

    A side is taken as straight in the projection; against a geodesic side the difference is below 1e-5 of
    the area for sides under 1 km at 60 degrees of latitude.
    """
    return float(to_equal_area(shape).area) / 1e4
