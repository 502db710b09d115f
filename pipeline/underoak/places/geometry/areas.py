"""True areas of polygons on the ellipsoid of their own coordinate reference system."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.indicators.cell_size import equal_area, to_lonlat

STEP_M = 100.0  # longer edges are measured in pieces of this length: straight on the map is not straight on the ground
_MOST_PIECES = 200_000  # of one outline: one round a continent is measured in longer ones
_AT_ONCE = 50_000  # shapes that are cut into pieces at the same time


def areas_ha(shapes: npt.NDArray[Any], crs: str) -> npt.NDArray[np.float64]:
    """Return the area of each polygon [ha]; edges are straight in `crs`. NaN without a shape, or off the Earth.

    Measured in an equal-area cylinder on the ellipsoid of the CRS, so degrees, feet and web maps give true areas.

    >>> import numpy as np
    >>> from shapely import box
    >>> areas_ha(np.array([box(0, 0, 90, 90)]), "EPSG:4326").round(2).tolist()  # an eighth of the Earth
    [6375820271.55]
    """
    starts = range(0, max(len(shapes), 1), _AT_ONCE)
    return np.concatenate([_areas_ha(shapes[first : first + _AT_ONCE], crs) for first in starts])


def _areas_ha(shapes: npt.NDArray[Any], crs: str) -> npt.NDArray[np.float64]:
    import shapely

    there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    parts, owner = shapely.get_parts(shapes[there], return_index=True)
    step = np.maximum(STEP_M / (_crs.unit_m(crs) or 111_000.0), shapely.length(parts) / _MOST_PIECES)
    pieces = shapely.segmentize(parts, step)
    coords, part = shapely.get_coordinates(pieces, return_index=True)
    lon, lat = to_lonlat(crs, coords[:, 0], coords[:, 1])
    if not _crs.is_geographic(crs):  # a projection may jump at the antimeridian; degrees are taken as drawn
        first = lon[np.searchsorted(part, np.arange(len(parts)))][part]
        lon = first + (lon - first + 180.0) % 360.0 - 180.0
    finite = np.isfinite(lon) & np.isfinite(lat)
    flat = np.column_stack(equal_area(np.where(finite, lon, 0.0), np.where(finite, lat, 0.0), crs))
    area = shapely.area(shapely.set_coordinates(pieces, flat)) / 10_000.0
    area[np.unique(part[~finite])] = np.nan
    areas = np.full(len(shapes), np.nan)
    areas[there] = np.bincount(owner, area, int(there.sum()))
    return areas
