"""The native range of a truffle: coarse polygons of our own drawing, and the state of a point or a shape in them."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from underoak.base import crs as _crs
from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid
from underoak.places.answers.native import NativeState
from underoak.plan.shipped import shipped

_MARGIN_DEG, _LONGEST_EDGE_DEG = 0.2, 0.02


@dataclass(frozen=True, eq=False)
class NativeRange:
    """The native range of a species, and land that needs evidence; shapes in longitude and latitude (EPSG:4326).

    Where the two overlap, land is native.
    """

    species: str
    native: Any
    evidence: Any

    def at(self, longitude: float, latitude: float) -> NativeState:
        """Return the state of a point.

        >>> native_range("tuber_magnatum").at(8.03, 44.70).value, native_range("tuber_magnatum").at(19.91, 47.50).value
        ('native', 'outside')
        """
        import shapely

        point = shapely.Point(longitude, latitude)
        if self.native.covers(point):
            return NativeState.NATIVE
        return NativeState.EVIDENCE if self.evidence.covers(point) else NativeState.OUTSIDE

    def narrowed(self, shapes: Any) -> NativeRange:
        """Return the range inside further shapes, in longitude and latitude; it never grows."""
        return replace(self, native=self.native & shapes, evidence=self.evidence & shapes)

    def on(self, grid: Grid) -> LocalRange:
        """Return the range around a grid, in the grid's CRS."""
        # one transformation of both together: transformed apart, they would part along their common border
        return LocalRange(grid, _transform(self.native, grid), _transform(self.native | self.evidence, grid))


@dataclass(frozen=True, eq=False)
class LocalRange:
    """A range around a grid, in the grid's CRS."""

    grid: Grid
    native: Any
    allowed: Any
    """Land that is not refused: native, or in need of evidence."""

    def state(self, shape: Any) -> NativeState:
        """Return the state of a shape: outside as soon as it crosses the border or comes within a cell of it.

        So coarse a border is not known to a cell.
        """
        if not self.allowed.covers(shape.buffer(self.grid.cell_m / (_crs.unit_m(self.grid.crs) or 1.0))):
            return NativeState.OUTSIDE
        return NativeState.NATIVE if self.native.covers(shape) else NativeState.EVIDENCE

    def shares(self, shape: Any) -> dict[NativeState, float]:
        """Return the share of a shape's area in each state."""
        native = self.native.intersection(shape).area / shape.area
        allowed = self.allowed.intersection(shape).area / shape.area
        return {
            NativeState.NATIVE: native,
            NativeState.EVIDENCE: allowed - native,
            NativeState.OUTSIDE: 1.0 - allowed,
        }


@lru_cache(maxsize=32)
def native_range(species: str) -> NativeRange:
    """Return the range that comes with a species' profile.

    Raises:
        UnderoakError: E305 when its file is missing from the installation.
    """
    import shapely
    from shapely.geometry import shape

    text = shipped("configs", "ranges", f"{species}.geojson").read_text(encoding="utf-8")
    parts: dict[str, list[Any]] = {"native": [], "evidence": []}
    for feature in json.loads(text)["features"]:
        parts[feature["properties"]["state"]].append(shape(feature["geometry"]))
    return NativeRange(species, *(shapely.union_all(parts[state]) for state in ("native", "evidence")))


def _transform(shape: Any, grid: Grid) -> Any:
    """Return the part of a shape near the grid, in its CRS; extra points along the edges keep them in place.

    Raises:
        UnderoakError: E206 when the grid reaches beyond the Earth that its CRS can hold.
    """
    import numpy as np
    import shapely

    to_degrees = _crs.transformer(grid.crs, "EPSG:4326")
    left, bottom, right, top = to_degrees.transform_bounds(*grid.bounds, densify_pts=21)
    if not np.isfinite([left, bottom, right, top]).all():
        what = "reaches beyond the area of its coordinate reference system"
        raise UnderoakError(Fault("E206", what, "region", "take a smaller region, or a local grid as region.crs"))
    across = [(left, right)] if left <= right else [(left, 180.0), (-180.0, right)]
    boxes = [
        shapely.box(west - _MARGIN_DEG, bottom - _MARGIN_DEG, east + _MARGIN_DEG, top + _MARGIN_DEG)
        for west, east in across
    ]
    near = _polygons(shape & shapely.union_all(boxes))
    back = _crs.transformer("EPSG:4326", grid.crs)
    return shapely.transform(
        shapely.segmentize(near, _LONGEST_EDGE_DEG), lambda xy: np.column_stack(back.transform(xy[:, 0], xy[:, 1]))
    )


def _polygons(shape: Any) -> Any:
    """Return a shape without the lines and points that cutting leaves where borders only touch."""
    import shapely

    parts = shapely.get_parts(shapely.get_parts([shape]))
    return shapely.MultiPolygon([part for part in parts if part.geom_type == "Polygon"])
