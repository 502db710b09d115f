"""Parcels of a file: one for every feature, ids as text, none dropped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean, printable
from underoak.base.grid import Grid
from underoak.layers.formats.vector import NOTE, read_features
from underoak.layers.shapes.coverage import Edges, polygon_edges
from underoak.places.geometry.areas import areas_ha


@dataclass(frozen=True, slots=True, eq=False)
class Parcels:
    """Every feature of a file, in its order. A parcel without area (a point, nothing) has None for a shape."""

    ids: tuple[str, ...]
    shapes: npt.NDArray[Any]  # valid polygons and multipolygons without heights, in `crs`
    crs: str
    area_ha: npt.NDArray[np.float64]  # on the ellipsoid; NaN without a shape
    notes: tuple[str, ...]  # repairs of a shape, or why there is none; "" for nothing
    _edges: dict[Grid, Edges] = field(default_factory=dict, repr=False)

    def __len__(self) -> int:
        return len(self.ids)

    def on(self, grid: Grid) -> Edges:
        """Return the parcels in the cells of a grid of their CRS, computed once."""
        if grid not in self._edges:
            self._edges[grid] = polygon_edges(self.shapes, grid)
        return self._edges[grid]


def read_parcels(
    path: Path,
    id: str,
    crs: str,
    problems: Problems,
    features: str | None = None,
    where: str = "parcels",
) -> Parcels | None:
    """Read the parcels of a GeoPackage, GeoJSON or Shapefile, in `crs`; None when a fault was added to `problems`.

    `id` names the field of their ids, `features` the layer where the file has several. A feature of several parts is
    one parcel. A polygon that crosses itself is repaired so that it keeps all it encloses; a change of its area by more
    than 1 % is a fault (E402), because its outline is ambiguous.

    Faults besides those of `layers.formats.vector`: E403 an id twice, E406 no such field, E409 no id.
    """
    before = len(problems.faults)
    try:
        frame = read_features(path, features, crs, problems=problems, where=where, keep_all=True)
        if id not in frame.columns.drop([NOTE, "geometry"]):
            known = [str(name) for name in frame.columns.drop([NOTE, "geometry"])]
            listed = ", ".join(known) or "none"
            what = f'there is no field "{id}"; the fields are: {listed}'
            raise UnderoakError(Fault("E406", what, where, did_you_mean(id, known, 'correct "id:"')))
    except UnderoakError as error:
        problems.add_error(error)
        return None
    ids = tuple(map(id_text, frame[id].tolist()))
    _check_ids(ids, id, where, problems)
    if len(problems.faults) > before:
        return None
    shapes = np.array([*frame.geometry, None], object)[:-1]
    return Parcels(ids, shapes, crs, areas_ha(shapes, crs), tuple(frame[NOTE]))


def overlap_shares(parcels: Parcels) -> npt.NDArray[np.float64]:
    """Return the share of each parcel that others cover too, by its outline; 0 without a shape or an area."""
    shapes = parcels.shapes
    areas = np.nan_to_num(shapely.area(shapes))
    tree = shapely.STRtree(shapes)
    first, second = tree.query(shapes, predicate="intersects")
    is_pair = first != second
    first, second = first[is_pair], second[is_pair]
    shared = np.zeros(len(shapes))
    overlaps = shapely.intersection(shapes[first], shapes[second])
    has_area = shapely.area(overlaps) > 0.0
    order = np.argsort(first[has_area], kind="stable")
    owners, parts = first[has_area][order], overlaps[has_area][order]
    owned, starts = np.unique(owners, return_index=True)
    for owner, several in zip(owned.tolist(), np.split(parts, starts[1:]), strict=False):  # none owned: one empty part
        shared[owner] = shapely.area(shapely.union_all(several))
    return np.asarray(np.divide(shared, areas, out=np.zeros(len(shapes)), where=areas > 0.0))


def id_text(value: Any) -> str:
    """Return an id as text; whole numbers without decimals, "" for nothing, control characters escaped.

    >>> [id_text(value) for value in ("007", 7, 1e3, 0.5, None, float("nan"))]
    ['007', '7', '1000', '0.5', '', '']
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return printable(str(value))


def _check_ids(ids: Sequence[str], field: str, where: str, problems: Problems) -> None:
    first: dict[str, int] = {}
    for row, name in enumerate(ids, start=1):
        if not name.strip():
            problems.add("E409", f'row {row} has no "{field}"', where, "give every parcel its own")
        elif first.setdefault(name, row) != row:
            what = f'rows {first[name]} and {row} have the same "{field}": {name}'
            problems.add("E403", what, where, "give every parcel its own")
