"""Outline of a region in longitude and latitude as GeoJSON (RFC 7946), cut at the antimeridian and closed at a pole.

A ring round a pole ends a full turn from where it began. RFC 7946 closes it along the antimeridian and the pole,
and its box runs from -180 to 180 and to 90 or -90 (sections 3.1.9 and 5.3).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from underoak.base import crs as _crs
from underoak.base.grid import Grid

_DIGITS = 7  # of a degree: a centimetre
_PIECES = 40  # of the longer side: straight lines of the region are bent in degrees
_STEP = 15.0  # degrees of longitude between neighbouring points at most: lines near a pole bend most
_HALVINGS = 60  # of one piece at most
_TOUCH = 1e-9  # of the longer side: nearer to the outline than this, a pole lies on it
_POLES = (90.0, -90.0)
_NARROW = 1e-3  # of the longer side: a pole is one point of the grid's plane, and no line

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
    side = max(right - left, top - bottom)
    outline = shapely.box(left, bottom, right, top) if outline is None else outline
    poles = _poles(grid.crs, side)
    for pole in poles.values():
        if shapely.distance(shapely.boundary(outline), pole) <= side * _TOUCH:  # the pole itself has no longitude
            outline = shapely.difference(outline, shapely.buffer(pole, 2 * side * _TOUCH))
    outline = shapely.segmentize(outline, side / _PIECES)
    to_degrees = _crs.transformer(grid.crs, "OGC:CRS84")
    middle, _ = to_degrees.transform((left + right) / 2, (bottom + top) / 2)

    def filled(ring: Any) -> Any:
        lonlat = _unrolled(shapely.get_coordinates(ring), to_degrees)
        turn = round((middle - (lonlat[:, 0].min() + lonlat[:, 0].max()) / 2) / 360.0) * 360.0
        lonlat[:, 0] += turn
        if abs(lonlat[-1, 0] - lonlat[0, 0]) > 180.0:  # round a pole
            inside = [latitude for latitude, pole in poles.items() if shapely.Polygon(ring).contains(pole)]
            pole = inside[0] if inside else np.copysign(90.0, lonlat[:, 1].mean())
            lonlat = np.vstack([lonlat, [[lonlat[-1, 0], pole], [lonlat[0, 0], pole]]])
        return shapely.make_valid(shapely.Polygon(lonlat))

    shells, parts = [], []
    for polygon in shapely.get_parts(outline):
        shells.append(filled(polygon.exterior))
        holes = shapely.union_all([_wrapped(filled(ring)) for ring in polygon.interiors])
        parts.append(shapely.difference(_wrapped(shells[-1]), holes))
    region = shapely.set_precision(shapely.union_all(parts), 10.0**-_DIGITS)
    pieces = [part for part in shapely.get_parts(region) if part.geom_type == "Polygon" and part.area > 0]
    polygons = shapely.orient_polygons(pieces)
    outline_cut = polygons[0] if len(polygons) == 1 else shapely.multipolygons(list(polygons))
    geometry: dict[str, Any] = shapely.geometry.mapping(outline_cut)
    west, _, east, _ = shapely.total_bounds(shells)
    _, south, _, north = shapely.bounds(outline_cut)
    west, east = (-180.0, 180.0) if east - west >= 360.0 - 10.0**-_DIGITS else (_within_turn(west), _within_turn(east))
    return geometry, [round(float(bound), _DIGITS) for bound in (west, south, east, north)]


def _poles(crs: str, side: float) -> dict[float, Any]:
    """Return the poles that are one point in the plane of a coordinate system, by latitude."""
    from_degrees = _crs.transformer("OGC:CRS84", crs)
    points = {}
    for latitude in _POLES:
        x, y = (np.asarray(axis) for axis in from_degrees.transform([0.0, 90.0, 180.0], [latitude] * 3))
        if np.isfinite([x, y]).all() and max(np.ptp(x), np.ptp(y)) < side * _NARROW:
            points[latitude] = shapely.Point(x[0], y[0])
    return points


def _unrolled(xy: Any, to_degrees: Any) -> Any:
    """Return a closed ring in degrees `(points, 2)`, without jumps of longitude; round a pole it ends a turn later."""
    for _ in range(_HALVINGS):
        lon, lat = (np.asarray(axis) for axis in to_degrees.transform(xy[:, 0], xy[:, 1]))
        lon = np.unwrap(lon, period=360.0)
        wide = np.flatnonzero(np.abs(np.diff(lon)) > _STEP)
        if not len(wide):
            break
        xy = np.insert(xy, wide + 1, (xy[wide] + xy[wide + 1]) / 2, axis=0)
    return np.column_stack([lon, lat])


def _wrapped(unrolled: Any) -> Any:
    """Return a polygon in longitudes from -180 to 180, cut at the antimeridian."""
    pieces = []
    for turn in range(-720, 721, 360):
        inside = shapely.intersection(unrolled, shapely.box(-180.0 + turn, -90.0, 180.0 + turn, 90.0))
        pieces.append(shapely.transform(inside, lambda xy, turn=turn: xy - [turn, 0.0]))
    return shapely.union_all(pieces)


def _within_turn(longitude: float) -> float:
    """Return a longitude from -180 to 180."""
    return longitude if -180.0 <= longitude <= 180.0 else (longitude + 180.0) % 360.0 - 180.0
