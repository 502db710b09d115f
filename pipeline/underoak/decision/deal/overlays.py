"""The share of each parcel that the shapes of an overlay cover."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems, UnderoakError
from underoak.layers.formats.vector import read_features
from underoak.places.geometry.areas import areas_ha

if TYPE_CHECKING:
    from pathlib import Path

    from underoak.places.geometry.parcel_shapes import Parcels


def read_overlay(
    path: Path, features: str | None, parcels: Parcels, where: str, problems: Problems
) -> npt.NDArray[np.float64] | None:
    """Read the polygons of a file, and return the share of each parcel that they cover; None if a fault was added."""
    try:
        frame = read_features(path, features, parcels.crs, problems=problems, where=where)
    except UnderoakError as error:
        problems.add_error(error)
        return None
    return covered_shares(parcels, np.array([*frame.geometry, None], object)[:-1])


def covered_shares(parcels: Parcels, shapes: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    """Return the share of each parcel that some polygons cover, by true areas; 0 for a parcel without a shape.

    Polygons that overlap count once.

    >>> from shapely import box
    >>> from underoak.places.geometry.parcel_shapes import Parcels
    >>> field = np.array([box(400000, 4600000, 400200, 4600100)])
    >>> parcels = Parcels(("a",), field, "EPSG:25831", areas_ha(field, "EPSG:25831"), ("",))
    >>> strips = np.array([box(400000, 0, 400040, 5000000), box(400020, 0, 400060, 5000000)])
    >>> covered_shares(parcels, strips).round(6).tolist()
    [0.3]
    """
    import shapely

    shares = np.zeros(len(parcels))
    has_shape = np.array([shape is not None for shape in parcels.shapes], bool)
    if not len(shapes) or not has_shape.any():
        return shares
    tree, rows = shapely.STRtree(shapes), np.flatnonzero(has_shape)
    places, hits = tree.query(parcels.shapes[rows], predicate="intersects")
    order = np.lexsort((hits, places))
    owners, starts = np.unique(places[order], return_index=True)
    for owner, several in zip(owners.tolist(), np.split(hits[order], starts[1:]), strict=False):
        row = rows[owner]
        shape = parcels.shapes[row]
        parts = [part for part in shapely.intersection(shape, shapes[several]) if part.area > 0.0]
        if not parts:
            continue
        polygons = [
            polygon for polygon in shapely.get_parts(shapely.union_all(parts)) if polygon.geom_type == "Polygon"
        ]
        covered = np.array([shapely.MultiPolygon(polygons)], object)
        shares[row] = min(float(areas_ha(covered, parcels.crs)[0] / parcels.area_ha[row]), 1.0)
    return np.nan_to_num(shares)
