"""Shapes from vector files, read only, in the analysis CRS: GeoPackage, GeoJSON and Shapefile.

Every row that cannot be used is reported with its number, and can stay without its shape.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import warnings
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

from underoak.base import crs as _crs
from underoak.base.crs import DATUM_FIX
from underoak.base.errors import Fault, Problems, UnderoakError, count_of, did_you_mean
from underoak.base.memory_errors import is_shortage, shortage
from underoak.layers.files import input_path
from underoak.layers.formats.safe_names import plain_to_read

if TYPE_CHECKING:
    import geopandas as gpd

NOTE = "_note"  # a column: what was done to a row's shape, "" when nothing
MAX_POINTS = 20_000_000
_MAX_AREA_CHANGE = 0.01
_FURTHEST_M = 1e8  # from a projection's origin: five times the greatest distance on Earth
_LONGEST_EDGE_DEG, _LONGEST_EDGE_M = 0.05, 5000.0
_DRIVERS = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".json": "GeoJSON", ".shp": "ESRI Shapefile"}
_BESIDE_SHP = (".shx", ".dbf", ".prj", ".cpg")
_SAMPLES, _SAMPLED = 8, 100  # places in a file, and rows there, that tell how many corners it has
_CORNER_BYTES = 16
_MOVED = 20_000  # shapes that are brought to another CRS at a time, to bound memory
_POLYGON, _MULTIPOLYGON = 3, 6

Shapes = npt.NDArray[Any]  # of shapely geometries or None


def read_features(
    path: Path | str,
    features: str | None,
    to_crs: str,
    *,
    problems: Problems,
    where: str = "",
    crs: str | None = None,
    keep_all: bool = False,
    any_kind: bool = False,
    max_points: int = MAX_POINTS,
) -> gpd.GeoDataFrame:
    """Read the polygons of one layer of a file, in `to_crs`, by row number (from 1), with a column `_note`.

    Rows without a usable polygon are left out with a warning; `keep_all` keeps them, without a shape. Broken outlines
    are repaired keeping their structure, which is noted. `crs` is for a file that does not state one. `any_kind` reads
    lines and points as well.

    Raises:
        UnderoakError: E242, E245, E246 as for any input, E247 another format, E401 no usable shape, E201 no CRS,
            E405 no such layer, E203 or E206
            coordinates outside the CRS, E408 shapes outside the area of `to_crs`, E420 a file that cannot be read,
            E510 too large. E402 (a repair that changes the area) is added to `problems`.
    """
    real = input_path(str(path), Path(), where)
    driver = _DRIVERS.get(Path(path).suffix.lower())
    if driver is None:
        what = f"{Path(path).name} is not read: shapes come as GeoPackage, GeoJSON or Shapefile"
        raise UnderoakError(Fault("E247", what, where, "save it as GeoPackage (.gpkg)"))
    with _failures(real, where):
        frame = _read(real, driver, features, where)
    if "geometry" not in frame or not len(frame):
        raise UnderoakError(Fault("E401", f"{real.name} holds no shape", where, "check the file and the layer in it"))
    source = _source_crs(frame, crs, real, where)
    shapes = np.asarray(frame.geometry.values, dtype=object)
    shapes, notes = _clean_shapes(shapes, source, real, where, problems, any_kind, max_points)
    _check_datum(shapes, source, to_crs, where, problems)
    shapes = _reproject(shapes, notes, source, to_crs, where)
    kind = "shape" if any_kind else "polygon"
    return _build_table(frame, shapes, notes, to_crs, keep_all, where, problems, kind)


def vector_files(path: Path | str) -> tuple[str, ...]:
    """Return every file that a vector file consists of, for hashing."""
    real = Path(os.path.realpath(path))
    sidecars = _BESIDE_SHP if real.suffix.lower() == ".shp" else ()
    return (str(real), *(str(real.with_suffix(s)) for s in sidecars if real.with_suffix(s).is_file()))


def vector_size(path: Path | str, features: str | None) -> tuple[int, int]:
    """Return how many rows a layer has, and about how many corners, by samples; zeros for a file that is not read."""
    import pyogrio

    driver = _DRIVERS.get(Path(path).suffix.lower())
    if driver is None:
        return 0, 0
    try:
        real = input_path(str(path), Path(), "")
        with _failures(real, ""):
            _check_content(real, driver, "")
            with plain_to_read(real, vector_files(real)) as plain:
                layer, options = _find_layer(plain, real, driver, features, "")
                count = max(int(pyogrio.read_info(plain, layer=layer, force_feature_count=True)["features"]), 0)
                places = sorted({count * part // _SAMPLES for part in range(_SAMPLES)})
                sizes = [
                    len(shape or b"")
                    for first in places
                    for shape in pyogrio.raw.read(
                        plain, layer=layer, columns=[], skip_features=first, max_features=_SAMPLED, **options
                    )[2]
                ]
    except UnderoakError:  # reported when it is read
        return 0, 0
    return count, int(sum(sizes) / max(len(sizes), 1) * count / _CORNER_BYTES)


def _read(real: Path, driver: str, features: str | None, where: str) -> gpd.GeoDataFrame:
    _check_content(real, driver, where)
    with plain_to_read(real, vector_files(real)) as path:
        return _read_plain(path, real, driver, features, where)


def _read_plain(path: Path, real: Path, driver: str, features: str | None, where: str) -> gpd.GeoDataFrame:
    import pyogrio

    layer, options = _find_layer(path, real, driver, features, where)
    return pyogrio.read_dataframe(path, layer=layer, on_invalid="ignore", **options)  # such a row has no shape


def _find_layer(path: Path, real: Path, driver: str, features: str | None, where: str) -> tuple[str, dict[str, str]]:
    """Return the layer to read, and the options to read it with."""
    import pyogrio

    options = {"IMMUTABLE": "YES"} if driver == "GPKG" else {}
    layers = {str(name): kind for name, kind in pyogrio.list_layers(path)}
    geometry_layers = [name for name, kind in layers.items() if kind is not None]
    layer = features or (geometry_layers[0] if len(geometry_layers) == 1 else "")
    if layer == real.stem and len(geometry_layers) == 1:  # a format that names its layer by the file
        layer = geometry_layers[0]
    if layer not in layers:
        what = (
            f'{real.name} has no layer "{layer}"'
            if layer
            else f"{real.name} holds {len(geometry_layers)} layers with shapes"
        )
        layer_list = f"its layers: {', '.join(map(str, layers)) or 'none'}"
        fix = did_you_mean(layer, layers, layer_list) if layer else f"name one; {layer_list}"
        raise UnderoakError(Fault("E405", what, where, fix if layer_list in fix else f"{fix} ({layer_list})"))
    info = pyogrio.read_info(path, layer=layer, **options)
    if info.get("driver", driver) != driver:
        raise UnderoakError(
            Fault("E420", f"{real.name} is another format than its name says", where, "save it as GeoPackage")
        )
    if driver == "GPKG":
        _refuse_view(path, real.name, layer, where)
    return layer, options


def _check_content(real: Path, driver: str, where: str) -> None:
    with real.open("rb") as stream:
        head = stream.read(64)
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    is_right = {
        "GPKG": head.startswith(b"SQLite format 3\0"),
        "GeoJSON": text.startswith(b"{"),
        "ESRI Shapefile": head.startswith(b"\x00\x00\x27\x0a"),
    }
    if not is_right[driver]:
        what = f"{real.name} does not begin like a {driver} file"
        raise UnderoakError(Fault("E420", what, where, "save it again, as GeoPackage (.gpkg)"))


def _refuse_view(path: Path, name: str, layer: str, where: str) -> None:
    """Refuse a view of a GeoPackage: it is a program that runs when it is read."""
    uri = f"{path.as_uri()}?mode=ro&immutable=1"
    with contextlib.closing(sqlite3.connect(uri, uri=True)) as base:
        kinds = base.execute("SELECT type FROM sqlite_master WHERE lower(name) = lower(?)", (layer,)).fetchall()
    if ("table",) not in kinds:
        what = f'"{layer}" in {name} is a view: reading it runs code in the file'
        raise UnderoakError(Fault("E420", what, where, "save the layer as a table of its own"))


@contextlib.contextmanager
def _failures(real: Path, where: str) -> Iterator[None]:
    import pyogrio

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library's remarks on a file are not for the user
            yield
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FeatureError) as error:
        raise _read_fault(real, where, error) from error
    except (pyogrio.errors.GeometryError, shapely.errors.ShapelyError, sqlite3.Error) as error:
        raise _read_fault(real, where, error) from error
    except (OSError, ValueError, RuntimeError, MemoryError) as error:
        raise _read_fault(real, where, error) from error


def _read_fault(real: Path, where: str, error: BaseException) -> UnderoakError:
    if is_shortage(error):
        return shortage(f"reading {real.name}", where)
    reason = (str(error).strip() or type(error).__name__).splitlines()[0][:200]
    return UnderoakError(
        Fault("E420", f"{real.name} cannot be read ({reason})", where, "save it again from its source")
    )


def _source_crs(frame: gpd.GeoDataFrame, crs: str | None, real: Path, where: str) -> str:
    crs_text = crs or (frame.crs.to_wkt() if frame.crs is not None else "")
    if not crs_text:
        what = f"{real.name} states no coordinate reference system"
        raise UnderoakError(Fault("E201", what, where, "save it with one, best as GeoPackage; it is never assumed"))
    try:
        _crs.parse(crs_text)
    except UnderoakError as error:
        raise UnderoakError(*(Fault(f.code, f.what, where, f.fix) for f in error.faults)) from error
    return str(crs_text)


def _clean_shapes(
    shapes: Shapes, source: str, real: Path, where: str, problems: Problems, any_kind: bool, max_points: int
) -> tuple[Shapes, dict[int, list[str]]]:
    """Return flat, valid polygons (or shapes of any kind), None where there is none, and notes by row."""
    shapes = shapes.copy()
    notes: dict[int, list[str]] = {}
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


def _is_finite(shapes: Shapes, of_points: np.ufunc) -> npt.NDArray[np.bool_]:
    """Return whether all (`logical_and`) or any (`logical_or`) of each shape's points have finite coordinates."""
    points, owner = shapely.get_coordinates(shapes, return_index=True)
    is_finite = np.full(len(shapes), of_points is np.logical_and)
    of_points.at(is_finite, owner, np.isfinite(points).all(axis=1))
    return is_finite


def _drop_shape(shapes: Shapes, notes: dict[int, list[str]], row: int, why: str) -> None:
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
            what = f"{_list_rows(far_rows)} of {real.name} cannot be on Earth: the file lies at {box}"
            raise UnderoakError(Fault("E206", what, where, f"draw the shape again, or {fix}"))
        return
    if max(abs(south), abs(north)) <= 90.0 + 1e-6 and max(abs(west), abs(east)) <= 540.0:
        return
    if max(abs(west), abs(east)) <= 90.0 and max(abs(south), abs(north)) <= 540.0:
        what = f"{real.name} lies at {box}: latitude and longitude look swapped"
        raise UnderoakError(Fault("E203", what, where, "swap them: x is longitude, y is latitude"))
    raise UnderoakError(Fault("E206", f"{real.name} is in degrees, but lies at {box}", where, fix))


def _drop_round_the_earth(shapes: Shapes, notes: dict[int, list[str]]) -> None:
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


def _repair(shapes: Shapes, notes: dict[int, list[str]], where: str, problems: Problems) -> None:
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
        problems.add("W402", f"outlines repaired without changing their area: {_list_rows(repaired_rows)}", where)


def _is_polygon(shapes: Shapes) -> npt.NDArray[np.bool_]:
    return np.isin(shapely.get_type_id(shapes), (_POLYGON, _MULTIPOLYGON))


def _polygon_parts(shape: Any) -> Any:
    """Return the polygons of a shape, as one shape; None when there are none."""
    parts = [part for part in shapely.get_parts(shapely.get_parts([shape])) if shapely.get_type_id(part) == _POLYGON]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def _check_datum(shapes: Shapes, source: str, to_crs: str, where: str, problems: Problems) -> None:
    """Warn of a shift between datums that is left out (W208)."""
    present = shapes[~shapely.is_missing(shapes)]
    if not len(present):
        return
    west, south, east, north = shapely.total_bounds(present).tolist()
    shift = _crs.left_out_shift(source, to_crs, (west + east) / 2.0, (south + north) / 2.0)
    if shift is not None:
        problems.add("W208", shift.words, where, DATUM_FIX)


def _reproject(shapes: Shapes, notes: dict[int, list[str]], source: str, to_crs: str, where: str) -> Shapes:
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


def _build_table(
    frame: gpd.GeoDataFrame,
    shapes: Shapes,
    notes: dict[int, list[str]],
    to_crs: str,
    keep_all: bool,
    where: str,
    problems: Problems,
    kind: str,
) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pandas as pd

    lost_rows = [row for row, shape in enumerate(shapes) if shape is None]
    table = gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=gpd.GeoSeries(shapes, index=frame.index))
    table = table.set_crs(_crs.parse(to_crs), allow_override=True)
    table[NOTE] = ["; ".join(notes.get(row, [])) for row in range(len(table))]
    table.index = pd.RangeIndex(1, len(table) + 1, name="row")
    if len(lost_rows) == len(table):
        why = "; ".join(sorted({table[NOTE].iloc[row] for row in lost_rows}))[:200]
        raise UnderoakError(Fault("E401", f"no row holds a {kind} that can be used ({why})", where, "check the file"))
    if lost_rows:
        why = ", ".join(sorted({notes[row][-1] for row in lost_rows}))[:200]
        have = "have" if len(lost_rows) > 1 else "has"
        rows = f"{len(lost_rows)} of {count_of(len(table), 'row')}"
        what = f"{rows} {have} no usable {kind} ({why}): {_list_rows(lost_rows)}"
        problems.add("W407", what, where)
    return table if keep_all else table[~table.geometry.isna()]


def _list_rows(indices: Iterable[int]) -> str:
    rows = [str(row + 1) for row in indices]
    more = f" and {len(rows) - 12} more" if len(rows) > 12 else ""
    return f"row{'s' if len(rows) > 1 else ''} {', '.join(rows[:12])}{more}"
