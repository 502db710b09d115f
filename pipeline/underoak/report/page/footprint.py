"""Outline of a region in longitude and latitude as GeoJSON (RFC 7946), cut where it crosses the antimeridian."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from underoak.base import crs as _crs
from underoak.base.grid import Grid

_DIGITS = 7  # of a degree: a centimetre
_PIECES = 40  # of the longer side: straight lines of the region are bent in degrees

Bbox = list[float]  # west, south, east, north [degree]; west > east across the antimeridian


def footprint(grid: Grid, outline: Any = None) -> tuple[dict[str, Any], Bbox]:
    """Return the GeoJSON geometry and the bounding box of a region: of its outline, or of the whole grid.

    Args:
        grid: the analysis grid.
        outline: one or several polygons in the grid's coordinate system; None for all of the grid.

    >>> _, (west, south, east, north) = footprint(Grid.north_up("EPSG:25831", 400_000, 4_600_000, 30, 100, 100))
    >>> round(west, 2), round(south, 2), round(east, 2), round(north, 2)
    (1.8, 41.52, 1.84, 41.55)
    """
    left, bottom, right, top = grid.bounds
    outline = shapely.box(left, bottom, right, top) if outline is None else outline
    outline = shapely.segmentize(outline, max(right - left, top - bottom) / _PIECES)
    to_degrees = _crs.transformer(grid.crs, "OGC:CRS84")
    middle, _ = to_degrees.transform((left + right) / 2, (bottom + top) / 2)

    def project(xy: Any) -> Any:
        lon, lat = to_degrees.transform(xy[:, 0], xy[:, 1])
        return np.column_stack([middle + (np.asarray(lon) - middle + 180.0) % 360.0 - 180.0, lat])

    unwrapped = shapely.make_valid(shapely.transform(outline, project))
    west, south, east, north = unwrapped.bounds
    pieces = []
    for turn in (-360.0, 0.0, 360.0):
        inside = shapely.intersection(unwrapped, shapely.box(-180.0 + turn, -90.0, 180.0 + turn, 90.0))
        moved = shapely.transform(inside, lambda xy, turn=turn: xy - [turn, 0.0])
        pieces += [part for part in shapely.get_parts(moved) if part.geom_type == "Polygon" and part.area > 0]
    polygons = shapely.orient_polygons(shapely.set_precision(pieces, 10.0**-_DIGITS))
    outline_cut = polygons[0] if len(polygons) == 1 else shapely.multipolygons(list(shapely.get_parts(polygons)))
    geometry: dict[str, Any] = shapely.geometry.mapping(outline_cut)
    bbox = [_within_turn(west), south, _within_turn(east), north]
    return geometry, [round(bound, _DIGITS) for bound in bbox]


def _within_turn(longitude: float) -> float:
    """Return a longitude from -180 to 180."""
    return longitude if -180.0 <= longitude <= 180.0 else (longitude + 180.0) % 360.0 - 180.0
