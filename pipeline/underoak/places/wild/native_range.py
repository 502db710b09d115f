"""Where a truffle is native: coarse ground of our own drawing, and what it says of a place or a shape."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from underoak.base import crs as _crs
from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid
from underoak.plan.shipped import shipped

NATIVE, EVIDENCE, OUTSIDE = "native", "needs evidence", "outside"
_MARGIN_DEG, _LONGEST_EDGE_DEG = 0.2, 0.02


@dataclass(frozen=True, eq=False)
class NativeRange:
    """Native ground of a species, and ground that needs evidence; shapes in longitude and latitude (EPSG:4326).

    Where the two lap over each other, ground is native.
    """

    species: str
    native: Any
    evidence: Any

    def at(self, longitude: float, latitude: float) -> str:
        """What holds at a point: native, needs evidence, or outside.

        >>> native_range("tuber_magnatum").at(8.03, 44.70), native_range("tuber_magnatum").at(19.91, 47.50)
        ('native', 'outside')
        """
        import shapely

        point = shapely.Point(longitude, latitude)
        return NATIVE if self.native.covers(point) else EVIDENCE if self.evidence.covers(point) else OUTSIDE

    def narrowed(self, shapes: Any) -> NativeRange:
        """The range inside further shapes, in longitude and latitude; it never grows."""
        return replace(self, native=self.native & shapes, evidence=self.evidence & shapes)

    def on(self, grid: Grid) -> LocalRange:
        """The range around a grid, in the grid's CRS."""
        # brought over as one, because two that meet would part along their common border
        return LocalRange(grid, _brought(self.native, grid), _brought(self.native | self.evidence, grid))


@dataclass(frozen=True, eq=False)
class LocalRange:
    """A range around a grid, in the grid's CRS."""

    grid: Grid
    native: Any
    ground: Any
    """All that is not refused: native, or in need of evidence."""

    def state(self, shape: Any) -> str:
        """What holds for a shape as a whole: outside as soon as it comes within a cell of the border, or crosses it.

        Nobody can say to a cell where so coarse a border runs.
        """
        if not self.ground.covers(shape.buffer(self.grid.cell_m / (_crs.unit_m(self.grid.crs) or 1.0))):
            return OUTSIDE
        return NATIVE if self.native.covers(shape) else EVIDENCE

    def shares(self, shape: Any) -> dict[str, float]:
        """Which share of a shape's area holds what."""
        whole = shape.area
        native = self.native.intersection(shape).area / whole
        ground = self.ground.intersection(shape).area / whole
        return {NATIVE: native, EVIDENCE: ground - native, OUTSIDE: 1.0 - ground}


@lru_cache(maxsize=32)
def native_range(species: str) -> NativeRange:
    """The range that comes with a species' profile.

    Raises:
        UnderoakError: E305 when it is not there, so the installation is not whole.
    """
    import shapely
    from shapely.geometry import shape

    text = shipped("configs", "ranges", f"{species}.geojson").read_text(encoding="utf-8")
    parts: dict[str, list[Any]] = {"native": [], "evidence": []}
    for feature in json.loads(text)["features"]:
        parts[feature["properties"]["state"]].append(shape(feature["geometry"]))
    return NativeRange(species, *(shapely.union_all(parts[state]) for state in ("native", "evidence")))


def _brought(shape: Any, grid: Grid) -> Any:
    """The part of a shape near the grid, in its CRS; edges get points in between, so that they stay where they were.

    Raises:
        UnderoakError: E206 when the grid reaches beyond the Earth that its CRS can hold.
    """
    import numpy as np
    import shapely

    to_degrees = _crs.transformer(grid.crs, "EPSG:4326")
    left, bottom, right, top = to_degrees.transform_bounds(*grid.bounds, densify_pts=21)
    if not np.isfinite([left, bottom, right, top]).all():
        what = "reaches beyond the ground that its coordinate reference system can hold"
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
    """A shape without the lines and points that cutting leaves where borders only touch."""
    import shapely

    parts = shapely.get_parts(shapely.get_parts([shape]))
    return shapely.MultiPolygon([part for part in parts if part.geom_type == "Polygon"])
