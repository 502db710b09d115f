"""What lies near each parcel, from the user's own files: distances, counts, hectares and shared edges; no score."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.decision.ground.flat_map import FlatMap
from underoak.indicators.cell_size import to_lonlat
from underoak.places.geometry.areas import areas_ha

if TYPE_CHECKING:
    from underoak.places.geometry.parcel_shapes import Parcels

_SQUARE_DEG = 0.1  # parcels whose middles share such a square are measured on one flat map
_QUARTER = 64  # corners of a quarter of a circle: its area is true to a part in ten thousand
_POLYGON = 2  # dimensions

Shapes = npt.NDArray[Any]
Places = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class NearShapes:
    """The shapes of one file near the parcels, in the coordinate reference system of the parcels."""

    name: str
    shapes: Shapes
    within_m: float
    touching_m: float

    @property
    def has_areas(self) -> bool:
        """True if a shape is a polygon."""
        import shapely

        return bool((shapely.get_dimensions(self.shapes) == _POLYGON).any())


@dataclass(frozen=True, slots=True, eq=False)
class Nearness:
    """What lies near each parcel, in their order. NaN where it is not known or there is none."""

    distance_m: npt.NDArray[np.float64]  # to the nearest shape; 0 where one meets the parcel; NaN beyond `within`
    count: npt.NDArray[np.float64]  # shapes within that distance
    area_ha: npt.NDArray[np.float64]  # of polygons within that distance and outside the parcel
    edge_m: npt.NDArray[np.float64]  # length of the parcel's outline along which a polygon touches
    touching_ha: npt.NDArray[np.float64]  # largest connected polygon that touches, as a whole; NaN where none does


def nearness(near: NearShapes, parcels: Parcels) -> Nearness:
    """Return what of a file lies near each parcel, as measured on flat maps around the parcels; see `FlatMap`."""
    import shapely

    result = _nothing(near, parcels)
    tree, connected = shapely.STRtree(near.shapes), _Connected(near.shapes, parcels.crs)
    for places, flat in _flat_maps(parcels):
        box = flat.box_around(parcels.shapes[places], near.within_m)
        candidates = np.sort(tree.query(box, predicate="intersects"))
        if candidates.size:
            drawn = flat.drawn(shapely.intersection(near.shapes[candidates], box))
            for place, parcel in zip(places.tolist(), flat.drawn(parcels.shapes[places]), strict=True):
                touching = _measure(result, place, parcel, drawn, near)
                if touching.size:
                    result.touching_ha[place] = connected.largest_ha(candidates[touching])
    return result


def _nothing(near: NearShapes, parcels: Parcels) -> Nearness:
    n = len(parcels)
    is_there = np.array([shape is not None for shape in parcels.shapes], bool)
    none, no_area = np.where(is_there, 0.0, np.nan), np.where(is_there & near.has_areas, 0.0, np.nan)
    return Nearness(np.full(n, np.nan), none, no_area, no_area.copy(), np.full(n, np.nan))


def _measure(result: Nearness, place: int, parcel: Any, shapes: Shapes, near: NearShapes) -> Places:
    """Measure what lies near one parcel, all on one flat map. Return the polygons that touch it, by their places."""
    import shapely

    distances = shapely.distance(shapes, parcel)
    around: Places = np.flatnonzero(distances <= near.within_m)
    if not around.size:
        return around
    result.distance_m[place], result.count[place] = distances[around].min(), around.size
    polygons: Places = around[shapely.get_dimensions(shapes[around]) == _POLYGON]
    if not polygons.size:
        return polygons
    zone = shapely.difference(shapely.buffer(parcel, near.within_m, quad_segs=_QUARTER), parcel)
    result.area_ha[place] = shapely.area(shapely.intersection(shapely.union_all(shapes[polygons]), zone)) / 1e4
    touching: Places = polygons[distances[polygons] <= near.touching_m]
    if touching.size:
        beside = shapely.buffer(shapely.union_all(shapes[touching]), near.touching_m, quad_segs=_QUARTER)
        result.edge_m[place] = shapely.length(shapely.intersection(shapely.boundary(parcel), beside))
    return touching


def _flat_maps(parcels: Parcels) -> Iterator[tuple[Places, FlatMap]]:
    """Yield the places of parcels that lie close together, with a flat map around them."""
    import shapely

    there = np.flatnonzero([shape is not None for shape in parcels.shapes])
    middles = shapely.get_coordinates(shapely.centroid(parcels.shapes[there]))
    lon, lat = to_lonlat(parcels.crs, middles[:, 0], middles[:, 1])
    squares = np.floor(np.column_stack([lon, lat]) / _SQUARE_DEG)
    for square in np.unique(squares, axis=0):
        is_here = (squares == square).all(axis=1)
        yield there[is_here], FlatMap(parcels.crs, float(lon[is_here].mean()), float(lat[is_here].mean()))


class _Connected:
    """Polygons that meet, such as the parts of one wood, and their area as a whole."""

    def __init__(self, shapes: Shapes, crs: str) -> None:
        import shapely
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        self._shapes, self._crs = shapes, crs
        is_area = shapely.get_dimensions(shapes) == _POLYGON
        first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
        are_areas = is_area[first] & is_area[second]
        first, second = first[are_areas], second[are_areas]
        links = coo_array((np.ones(len(first), np.int8), (first, second)), (len(shapes), len(shapes)))
        self._labels = connected_components(links, directed=False)[1]
        self._ha: dict[int, float] = {}

    def largest_ha(self, places: Places) -> float:
        """Return the area of the largest whole to which some polygons belong [ha]."""
        return max(self._area(label) for label in np.unique(self._labels[places]).tolist())

    def _area(self, label: int) -> float:
        import shapely

        if label not in self._ha:
            union = shapely.union_all(self._shapes[self._labels == label])
            self._ha[label] = float(areas_ha(np.array([union], object), self._crs)[0])
        return self._ha[label]
