"""The analysis grid for a place: a metric coordinate system, cells, and bounds, each with its reason."""

from __future__ import annotations

import math
from dataclasses import dataclass

from underoak.base import crs as _crs
from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Bounds

_ZONE_WIDTH = 6.0  # degrees
_UTM_LATITUDES = (-80.0, 84.0)  # where the zones are defined
_MOST_UTM_RADIUS_M = 150_000.0  # beyond, cells at the edge differ too much in size; common practice, no source
_CELLS_M = (30, 90, 250)
_MOST_CELLS = 25_000_000
_MARGIN_M = 500.0
_LARGEST_RADIUS_M = 1_000_000.0


@dataclass(frozen=True, slots=True)
class PlaceGrid:
    """A grid for a place, and why."""

    crs: str
    cell_m: int
    bounds: tuple[int, int, int, int]  # left, bottom, right, top [m]
    crs_reason: str
    cell_reason: str


def place_grid(degrees: Bounds, around_m: float) -> PlaceGrid:
    """Return the grid for a box (west, south, east, north in degrees) and what lies up to `around_m` around it.

    >>> place_grid((4.9, 44.1, 4.9, 44.1), 8000.0).crs
    'EPSG:32631'

    Raises:
        UnderoakError: E304 a place off the Earth or at a pole, or a radius of no use.
    """
    west, south, east, north = degrees
    longitude, latitude = (west + east) / 2.0, (south + north) / 2.0
    if not (-180.0 <= west <= east <= 180.0 and _UTM_LATITUDES[0] <= south <= north <= _UTM_LATITUDES[1]):
        what = f"{latitude:g}, {longitude:g} is no latitude and longitude between 80 S and 84 N"
        raise UnderoakError(Fault("E304", what, "--at", "write latitude, then longitude, like 44.1,4.9"))
    if not 0.0 < around_m <= _LARGEST_RADIUS_M:
        what = f"{around_m:g} m is no radius of a region"
        raise UnderoakError(Fault("E304", what, "--radius", "write a length up to 1000 km, like 8km"))
    height = (north - south) * 111_320.0
    width = (east - west) * 111_320.0 * math.cos(math.radians(latitude))
    reach = max(height, width) / 2.0 + around_m + _MARGIN_M
    if reach <= _MOST_UTM_RADIUS_M:
        zone = min(int((longitude + 180.0) // _ZONE_WIDTH) + 1, 60)
        crs = f"EPSG:{32600 + zone if latitude >= 0 else 32700 + zone}"
        reason = f"zone {zone} of UTM, which holds the place: metres, and cells of nearly one size"
    else:
        crs = f"+proj=laea +lat_0={latitude:.1f} +lon_0={longitude:.1f} +datum=WGS84 +units=m"
        reason = "an equal-area system around the place: the region is too wide for one zone of UTM"
    box = _crs.transformer("EPSG:4326", crs).transform_bounds(west, south, east, north, densify_pts=21)
    cell = next((c for c in _CELLS_M if (2.0 * reach / c) ** 2 <= _MOST_CELLS), _CELLS_M[-1])
    cell_reason = (
        "that of the elevation" if cell == _CELLS_M[0] else f"more than {_CELLS_M[0]} m, so that a run is not too long"
    )
    low = [math.floor((value - around_m - _MARGIN_M) / cell) * cell for value in box[:2]]
    high = [math.ceil((value + around_m + _MARGIN_M) / cell) * cell for value in box[2:]]
    return PlaceGrid(crs, cell, (low[0], low[1], high[0], high[1]), reason, cell_reason)
