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
_QUARTER = 32  # corners of a quarter of a circle: its area is true to a part in two thousand
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
    whole_ha: npt.NDArray[np.float64]  # largest connected polygon that touches, as a whole; NaN where none does


def nearness(near: NearShapes, parcels: Parcels) -> Nearness:
    """Return what of a file lies near each parcel, as measured on flat maps around the parcels; see `FlatMap`."""
    import shapely

    result = _nothing(near, parcels)
    tree, connected = shapely.STRtree(near.shapes), _Connected(near.shapes, parcels.crs)
    for places, flat in _flat_maps(parcels):
        box = flat.box_around(parcels.shapes[places], near.within_m)
        candidates = np.sort(tree.query(box, predicate="intersects"))
        if candidates.size:
            shapes = flat.drawn(shapely.intersection(near.shapes[candidates], box))
            drawn = flat.drawn(parcels.shapes[places])
            touching = _distances(result, places, drawn, shapes, near)
            _areas(result, places, drawn, shapes, near)
            for place, others in touching:
                result.whole_ha[place] = connected.largest_ha(candidates[others])
    return result


def _nothing(near: NearShapes, parcels: Parcels) -> Nearness:
    n = len(parcels)
    is_there = np.array([shape is not None for shape in parcels.shapes], bool)
    none, no_area = np.where(is_there, 0.0, np.nan), np.where(is_there & near.has_areas, 0.0, np.nan)
    return Nearness(np.full(n, np.nan), none, no_area, no_area.copy(), np.full(n, np.nan))


def _distances(
    result: Nearness, places: Places, parcels: Shapes, shapes: Shapes, near: NearShapes
) -> list[tuple[int, Places]]:
    """Set distances and counts of parcels on one flat map. Return the polygons that touch each, by their places."""
    import shapely

    of, other = shapely.STRtree(shapes).query(parcels, predicate="dwithin", distance=near.within_m)
    distances = shapely.distance(parcels[of], shapes[other])
    nearest = np.full(len(parcels), np.inf)
    np.minimum.at(nearest, of, distances)
    result.distance_m[places] = np.where(np.isfinite(nearest), nearest, np.nan)
    result.count[places] = np.bincount(of, minlength=len(parcels))
    does_touch = (distances <= near.touching_m) & (shapely.get_dimensions(shapes[other]) == _POLYGON)
    return [(int(places[i]), np.sort(other[does_touch & (of == i)])) for i in np.unique(of[does_touch])]


def _areas(result: Nearness, places: Places, parcels: Shapes, shapes: Shapes, near: NearShapes) -> None:
    """Set areas near the parcels of one flat map, and lengths of shared edges."""
    import shapely

    polygons = shapes[shapely.get_dimensions(shapes) == _POLYGON]
    if not polygons.size:
        return
    parts = shapely.get_parts(shapely.union_all(polygons))  # what overlaps counts once
    zones = shapely.difference(shapely.buffer(parcels, near.within_m, quad_segs=_QUARTER), parcels)
    shapely.prepare(zones)
    of, other = shapely.STRtree(parts).query(parcels, predicate="dwithin", distance=near.within_m)
    areas, is_cut = shapely.area(parts)[other], ~shapely.contains_properly(zones[of], parts[other])
    areas[is_cut] = shapely.area(shapely.intersection(parts[other[is_cut]], zones[of[is_cut]]))
    result.area_ha[places] = np.bincount(of, areas, len(parcels)) / 1e4
    of, other = shapely.STRtree(parts).query(parcels, predicate="dwithin", distance=near.touching_m)
    for i in np.unique(of):
        beside = shapely.buffer(shapely.union_all(parts[other[of == i]]), near.touching_m, quad_segs=_QUARTER)
        result.edge_m[places[i]] = shapely.length(shapely.intersection(shapely.boundary(parcels[i]), beside))


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
