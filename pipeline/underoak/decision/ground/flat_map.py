"""Flat maps of small parts of the Earth: equidistant from their middle, so that lengths and areas are true."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.indicators.cell_size import to_lonlat

_STEP_M = 1000.0  # longer edges are drawn in pieces: straight in one map is not straight in another
_ROOM = 1.2  # of a box, since the scale of a map changes across it

Shapes = npt.NDArray[Any]
Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FlatMap:
    """A map of the surroundings of a place, equidistant from it, on the ellipsoid of a coordinate reference system.

    Within 60 km of the middle lengths and areas are true to a part in fifty thousand (textbook: the scale across the
    radius is 1 + r² / 6R²).

    >>> import shapely
    >>> flat = FlatMap("EPSG:4326", 2.0, 48.0)
    >>> float(shapely.length(flat.drawn(np.array([shapely.LineString([(2, 48), (2, 48.5)])])))[0].round())
    55598.0
    """

    crs: str
    lon: float
    lat: float

    def drawn(self, shapes: Shapes) -> Shapes:
        """Return shapes of the coordinate reference system on this map [m]."""
        import shapely

        step = _STEP_M / (_crs.unit_m(self.crs) or 111_000.0)
        pieces = shapely.segmentize(shapes, step)
        coords = shapely.get_coordinates(pieces)
        return np.asarray(shapely.set_coordinates(pieces, self._placed(coords[:, 0], coords[:, 1])))

    def _placed(self, x: Doubles, y: Doubles) -> Doubles:
        lon, lat = to_lonlat(self.crs, x, y)
        from_lon, from_lat = np.full(len(lon), self.lon), np.full(len(lat), self.lat)
        azimuth, _, distance = _crs.geod(self.crs).inv(from_lon, from_lat, lon, lat)
        angle = np.radians(azimuth)
        return np.column_stack([distance * np.sin(angle), distance * np.cos(angle)])

    def box_around(self, shapes: Shapes, metres: float) -> Any:
        """Return a box in the coordinate reference system that holds all that is within some metres of the shapes."""
        import shapely

        west, south, east, north = map(float, shapely.total_bounds(shapes))
        x, y = (west + east) / 2.0, (south + north) / 2.0
        h = 1.0 / (_crs.unit_m(self.crs) or 111_000.0)  # about a metre
        at = self._placed(np.array([x, x + h, x]), np.array([y, y, y + h]))
        across, up = np.hypot(*(at[1] - at[0])) / h, np.hypot(*(at[2] - at[0])) / h
        dx, dy = _ROOM * metres / across, _ROOM * metres / up
        return shapely.box(west - dx, south - dy, east + dx, north + dy)
