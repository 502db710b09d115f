"""Outlines from files: what cannot be used is dropped, what is broken is repaired, and all come into one CRS."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from underoak.base import crs as _crs
from underoak.base.crs import DATUM_FIX
from underoak.base.errors import Fault, Problems, UnderoakError, count_of

_MAX_AREA_CHANGE = 0.01
_FURTHEST_M = 1e8  # from a projection's origin: five times the greatest distance on Earth
_LONGEST_EDGE_DEG, _LONGEST_EDGE_M = 0.05, 5000.0
_MOVED = 20_000  # shapes that are brought to another CRS at a time, to bound memory
_POLYGON, _MULTIPOLYGON = 3, 6

Shapes = npt.NDArray[Any]  # of shapely geometries or None
Notes = dict[int, list[str]]  # what was done to the shape of a row, by its place


def clean_shapes(
    shapes: Shapes, source: str, real: Path, where: str, problems: Problems, any_kind: bool, max_points: int
) -> tuple[Shapes, Notes]:
    """Return flat, valid polygons (or shapes of any kind), None where there is none, and notes by row."""
    shapes = shapes.copy()
    notes: Notes = {}
    points = int(shapely.get_num_coordinates(shapes).sum())
    if points > max_points:
        what = f"{real.name} has {points:,} corner points, more than the limit of {max_points:,}"
        raise UnderoakError(Fault("E510", what, where, "simplify the shapes, or cut out your region"))
    with_heights = np.flatnonzero(shapely.has_z(shapes))
    if with_heights.size:
        shapes[with_heights] = shapely.force_2d(shapes[with_heights])
        problems.add(
            "W406", f"{count_of(with_heights.size, 'shape has', 'shapes have')} heights, which are left out", where
        )
    is_absent = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    is_wrong_kind = ~is_absent & ~(any_kind | _is_polygon(shapes))
    is_not_finite = ~is_absent & ~is_wrong_kind & ~_is_finite(shapes, np.logical_and)
    for row in np.flatnonzero(is_absent | is_wrong_kind | is_not_finite).tolist():
        no_polygon = f"a {shapes[row].geom_type}, no polygon" if is_wrong_kind[row] else ""
        _drop_shape(
            shapes, notes, row, no_polygon or ("no shape" if is_absent[row] else "coordinates that are not numbers")
        )
    _check_place(shapes, source, real, where)
    if _crs.is_geographic(source):
        _drop_round_the_earth(shapes, notes)
    _repair(shapes, notes, where, problems)
    return shapes, notes


def check_datum(shapes: Shapes, source: str, to_crs: str, where: str, problems: Problems) -> None:
    """Warn of a shift between datums that is left out (W208)."""
    present = shapes[~shapely.is_missing(shapes)]
    if not len(present):
        return
    west, south, east, north = shapely.total_bounds(present).tolist()
    shift = _crs.left_out_shift(source, to_crs, (west + east) / 2.0, (south + north) / 2.0)
    if shift is not None:
        problems.add("W208", shift.words, where, DATUM_FIX)


def reproject(shapes: Shapes, notes: Notes, source: str, to_crs: str, where: str) -> Shapes:
    """Return the shapes in another CRS; long edges get points in between, so that they stay where they were drawn."""
    if _crs.same(source, to_crs):
        return shapes
    unit = _crs.unit_m(source)
    longest = _LONGEST_EDGE_M / unit if unit else _LONGEST_EDGE_DEG
    transformer = _crs.transformer(source, to_crs)

    def move(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.column_stack(transformer.transform(points[:, 0], points[:, 1]))

    present = np.flatnonzero(~shapely.is_missing(shapes))
    out = shapes.copy()
    for first in range(0, len(present), _MOVED):
        part = present[first : first + _MOVED]
        out[part] = shapely.transform(shapely.segmentize(shapes[part], longest), move)
    has_any, has_all = (_is_finite(out, of_points) for of_points in (np.logical_or, np.logical_and))
    partly_outside = present[has_any[present] & ~has_all[present]]
    if partly_outside.size:
        what = f"row {partly_outside[0] + 1} reaches beyond the area of {_crs.parse(to_crs).name}"
        raise UnderoakError(Fault("E408", what, where, "cut the shapes to the surroundings of your region"))
    for row in present[~has_any[present]].tolist():
        _drop_shape(out, notes, row, f"lies where {_crs.parse(to_crs).name} is not defined")
    for row in np.flatnonzero(_is_polygon(out) & ~shapely.is_valid(out)):
        out[row] = _polygon_parts(shapely.make_valid(out[row], method="structure", keep_collapsed=False))
    return out


def list_rows(indices: Iterable[int]) -> str:
    """Return "rows 3, 7": rows count from 1."""
    rows = [str(row + 1) for row in indices]
    more = f" and {len(rows) - 12} more" if len(rows) > 12 else ""
    return f"row{'s' if len(rows) > 1 else ''} {', '.join(rows[:12])}{more}"


def _is_finite(shapes: Shapes, of_points: np.ufunc) -> npt.NDArray[np.bool_]:
    """Return whether all (`logical_and`) or any (`logical_or`) of each shape's points have finite coordinates."""
    points, owner = shapely.get_coordinates(shapes, return_index=True)
    is_finite = np.full(len(shapes), of_points is np.logical_and)
    of_points.at(is_finite, owner, np.isfinite(points).all(axis=1))
    return is_finite


def _drop_shape(shapes: Shapes, notes: Notes, row: int, why: str) -> None:
    shapes[row] = None
    notes.setdefault(row, []).append(why)


def _check_place(shapes: Shapes, source: str, real: Path, where: str) -> None:
    """Raise E203 or E206 for coordinates that their reference system cannot have."""
    points, row = shapely.get_coordinates(shapes, return_index=True)  # those of holes, too
    if not len(points):
        return
    (west, south), (east, north) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    box = f"x {west:g}..{east:g}, y {south:g}..{north:g}"
    fix = "save it with its true coordinate reference system"
    if not _crs.is_geographic(source):
        limit = _FURTHEST_M / (_crs.unit_m(source) or 1.0)
        far_rows = np.unique(row[np.abs(points).max(axis=1) > limit])
        if far_rows.size:
            what = f"{list_rows(far_rows)} of {real.name} cannot be on Earth: the file lies at {box}"
            raise UnderoakError(Fault("E206", what, where, f"draw the shape again, or {fix}"))
        return
    if max(abs(south), abs(north)) <= 90.0 + 1e-6 and max(abs(west), abs(east)) <= 540.0:
        return
    if max(abs(west), abs(east)) <= 90.0 and max(abs(south), abs(north)) <= 540.0:
        what = f"{real.name} lies at {box}: latitude and longitude look swapped"
        raise UnderoakError(Fault("E203", what, where, "swap them: x is longitude, y is latitude"))
    raise UnderoakError(Fault("E206", f"{real.name} is in degrees, but lies at {box}", where, fix))


def _drop_round_the_earth(shapes: Shapes, notes: Notes) -> None:
    """Drop shapes in degrees that go round the Earth the wrong way, or cover all of it."""
    with np.errstate(invalid="ignore"):
        west, _, east, _ = shapely.bounds(shapes).reshape(-1, 4).T
        wide_rows = np.flatnonzero(east - west > 180.0)
    for row in wide_rows.tolist():
        if any(_covers_earth(part) for part in shapely.get_parts(shapes[row])):
            _drop_shape(shapes, notes, row, "covers the whole Earth")
        elif any(_jumps(line) for line in _lines_of(shapes[row])):
            _drop_shape(shapes, notes, row, "crosses the antimeridian and is not split there")


def _covers_earth(part: Any) -> bool:
    west, south, east, north = shapely.bounds(part).tolist()
    return bool(_is_polygon(part)) and east - west >= 359.0 and north - south >= 170.0


def _lines_of(shape: Any) -> list[Any]:
    parts = shapely.get_parts(shape)
    is_polygon = _is_polygon(parts)
    return [*shapely.get_rings(parts[is_polygon]), *parts[~is_polygon]]


def _jumps(line: Any) -> bool:
    """Return whether an edge spans more than half the Earth; along a pole it has no length."""
    points = shapely.get_coordinates(line)
    is_far = np.abs(np.diff(points[:, 0])) > 180.0
    is_polar = (np.abs(points[:-1, 1]) >= 90.0 - 1e-9) & (np.abs(points[1:, 1]) >= 90.0 - 1e-9)
    return bool((is_far & ~is_polar).any())


def _repair(shapes: Shapes, notes: Notes, where: str, problems: Problems) -> None:
    repaired_rows = []
    for row in np.flatnonzero(~shapely.is_valid(shapes) & _is_polygon(shapes)):
        why = shapely.is_valid_reason(shapes[row]).split("[")[0].lower()
        before = abs(shapes[row].area)
        repaired_shape = _polygon_parts(shapely.make_valid(shapes[row], method="structure", keep_collapsed=False))
        after = 0.0 if repaired_shape is None else repaired_shape.area
        if before == after == 0.0:
            _drop_shape(shapes, notes, int(row), "an outline that encloses nothing")
            continue
        change = abs(after - before) / max(after, before) if max(after, before) > 0.0 else 1.0
        shapes[row] = repaired_shape
        text = f"outline repaired ({why}), area changed by {100 * change:.2g} %"
        notes.setdefault(int(row), []).append(text)
        if change > _MAX_AREA_CHANGE:
            problems.add(
                "E402", f"row {row + 1}: {text}", where, "draw the outline again so that it does not cross itself"
            )
        else:
            repaired_rows.append(int(row))
    if repaired_rows:
        problems.add("W402", f"outlines repaired without changing their area: {list_rows(repaired_rows)}", where)


def _is_polygon(shapes: Shapes) -> npt.NDArray[np.bool_]:
    return np.isin(shapely.get_type_id(shapes), (_POLYGON, _MULTIPOLYGON))


def _polygon_parts(shape: Any) -> Any:
    """Return the polygons of a shape, as one shape; None when there are none."""
    parts = [part for part in shapely.get_parts(shapely.get_parts([shape])) if shapely.get_type_id(part) == _POLYGON]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
