"""Shapes from open vector files: GeoPackage, GeoJSON and Shapefile, read only, in the analysis CRS.

No row is lost unseen: what cannot be used is told, with its row number, and can be kept without its shape.
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
from underoak.base.errors import Fault, Problems, UnderoakError, count_of, did_you_mean
from underoak.layers.files import input_path
from underoak.layers.formats.safe_names import plain_to_read

if TYPE_CHECKING:
    import geopandas as gpd

NOTE = "_note"  # a column: what was done to a row's shape, "" when nothing
MOST_POINTS = 20_000_000
_MOST_AREA_CHANGE = 0.01
_FURTHEST_M = 1e8  # from a projection's origin: five times as far as any place is from another
_LONGEST_EDGE_DEG, _LONGEST_EDGE_M = 0.05, 5000.0
_DRIVERS = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".json": "GeoJSON", ".shp": "ESRI Shapefile"}
_BESIDE_SHP = (".shx", ".dbf", ".prj", ".cpg")
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
) -> gpd.GeoDataFrame:
    """Polygons of one layer of a file, in `to_crs`, indexed by row number (from 1), with a column `_note`.

    Rows without a usable polygon are left out with a warning; `keep_all` keeps them, without a shape. Broken outlines
    are repaired keeping their structure, which is noted. `crs` is for a file that does not say its own. `any_kind`
    takes lines and points as well.

    Raises:
        UnderoakError: E242, E245, E246 as for any input, E247 another format, E401 nothing in it, E201 no CRS, E405 no
            such layer, E203 or E206 coordinates that cannot be, E408 shapes that `to_crs` cannot hold, E420 a file
            that cannot be read, E510 too large. E402 (a repair that changes the area) is added to `problems`.
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
    shapes, notes = _usable(np.asarray(frame.geometry.values, dtype=object), source, real, where, problems, any_kind)
    shapes = _moved(shapes, notes, source, to_crs, where)
    kind = "shape" if any_kind else "polygon"
    return _framed(frame, shapes, notes, to_crs, keep_all, where, problems, kind)


def vector_files(path: Path | str) -> tuple[str, ...]:
    """Every file that a vector file consists of, for hashing."""
    real = Path(os.path.realpath(path))
    beside = _BESIDE_SHP if real.suffix.lower() == ".shp" else ()
    return (str(real), *(str(real.with_suffix(s)) for s in beside if real.with_suffix(s).is_file()))


def _read(real: Path, driver: str, features: str | None, where: str) -> Any:
    _check_content(real, driver, where)
    with plain_to_read(real, vector_files(real)) as path:
        return _read_plain(path, real, driver, features, where)


def _read_plain(path: Path, real: Path, driver: str, features: str | None, where: str) -> Any:
    import pyogrio

    options = {"IMMUTABLE": "YES"} if driver == "GPKG" else {}
    listed = {str(name): kind for name, kind in pyogrio.list_layers(path)}
    held = [name for name, kind in listed.items() if kind is not None]
    chosen = features or (held[0] if len(held) == 1 else "")
    if chosen == real.stem and len(held) == 1:  # a format that names its layer by the file
        chosen = held[0]
    if chosen not in listed:
        what = f'{real.name} has no layer "{chosen}"' if chosen else f"{real.name} holds {len(held)} layers with shapes"
        there = f"its layers: {', '.join(map(str, listed)) or 'none'}"
        fix = did_you_mean(chosen, listed, there) if chosen else f"say which one; {there}"
        raise UnderoakError(Fault("E405", what, where, fix if there in fix else f"{fix} ({there})"))
    info = pyogrio.read_info(path, layer=chosen, **options)
    if info.get("driver", driver) != driver:
        raise UnderoakError(Fault("E420", f"{real.name} is not what its name says", where, "save it as GeoPackage"))
    if driver == "GPKG":
        _refuse_view(path, real.name, chosen, where)
    return pyogrio.read_dataframe(path, layer=chosen, on_invalid="ignore", **options)  # such a row has no shape


def _check_content(real: Path, driver: str, where: str) -> None:
    with real.open("rb") as stream:
        head = stream.read(64)
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    right = {
        "GPKG": head.startswith(b"SQLite format 3\0"),
        "GeoJSON": text.startswith(b"{"),
        "ESRI Shapefile": head.startswith(b"\x00\x00\x27\x0a"),
    }
    if not right[driver]:
        what = f"{real.name} does not begin like a {driver} file"
        raise UnderoakError(Fault("E420", what, where, "save it again, as GeoPackage (.gpkg)"))


def _refuse_view(path: Path, name: str, layer: str, where: str) -> None:
    """A view is a program that runs when it is read."""
    uri = f"{path.as_uri()}?mode=ro&immutable=1"
    with contextlib.closing(sqlite3.connect(uri, uri=True)) as base:
        kinds = base.execute("SELECT type FROM sqlite_master WHERE lower(name) = lower(?)", (layer,)).fetchall()
    if ("table",) not in kinds:
        what = f'"{layer}" in {name} is a view: reading it runs what the file brings'
        raise UnderoakError(Fault("E420", what, where, "save the layer as a table of its own"))


@contextlib.contextmanager
def _failures(real: Path, where: str) -> Iterator[None]:
    import pyogrio

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library's remarks on a file are not for our user
            yield
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FeatureError) as error:
        raise _unread(real, where, error) from error
    except (pyogrio.errors.GeometryError, shapely.errors.ShapelyError, sqlite3.Error) as error:
        raise _unread(real, where, error) from error
    except (OSError, ValueError, RuntimeError) as error:
        raise _unread(real, where, error) from error


def _unread(real: Path, where: str, error: BaseException) -> UnderoakError:
    reason = (str(error).strip() or type(error).__name__).splitlines()[0][:200]
    return UnderoakError(
        Fault("E420", f"{real.name} cannot be read ({reason})", where, "save it again from its source")
    )


def _source_crs(frame: Any, crs: str | None, real: Path, where: str) -> str:
    said = crs or (frame.crs.to_wkt() if frame.crs is not None else "")
    if not said:
        what = f"{real.name} says no coordinate reference system"
        raise UnderoakError(Fault("E201", what, where, "save it with one, best as GeoPackage; it is never assumed"))
    try:
        _crs.parse(said)
    except UnderoakError as error:
        raise UnderoakError(*(Fault(f.code, f.what, where, f.fix) for f in error.faults)) from error
    return str(said)


def _usable(
    shapes: Shapes, source: str, real: Path, where: str, problems: Problems, any_kind: bool
) -> tuple[Shapes, dict[int, list[str]]]:
    """Flat, valid polygons (or shapes of any kind), None where there is none, and notes by position."""
    shapes = shapes.copy()
    notes: dict[int, list[str]] = {}
    points = int(shapely.get_num_coordinates(shapes).sum())
    if points > MOST_POINTS:
        what = f"{real.name} has {points:,} corner points, more than the {MOST_POINTS:,} that are read"
        raise UnderoakError(Fault("E510", what, where, "simplify the shapes, or cut out your region"))
    flat = np.flatnonzero(shapely.has_z(shapes))
    if flat.size:
        shapes[flat] = shapely.force_2d(shapes[flat])
        problems.add("W406", f"{count_of(flat.size, 'shape has', 'shapes have')} heights, which are left out", where)
    gone = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    other = ~gone & ~(any_kind | _is_polygon(shapes))
    odd = ~gone & ~other & ~_finite(shapes, np.logical_and)
    for at in np.flatnonzero(gone | other | odd).tolist():
        no_polygon = f"a {shapes[at].geom_type}, no polygon" if other[at] else ""
        _drop(shapes, notes, at, no_polygon or ("no shape" if gone[at] else "coordinates that are no numbers"))
    _check_place(shapes, source, real, where)
    _repair(shapes, notes, where, problems)
    return shapes, notes


def _finite(shapes: Shapes, of_points: np.ufunc) -> npt.NDArray[np.bool_]:
    """Whether all (`logical_and`) or any (`logical_or`) of each shape's points have numbers for coordinates."""
    points, owner = shapely.get_coordinates(shapes, return_index=True)
    found = np.full(len(shapes), of_points is np.logical_and)
    of_points.at(found, owner, np.isfinite(points).all(axis=1))
    return found


def _drop(shapes: Shapes, notes: dict[int, list[str]], at: int, why: str) -> None:
    shapes[at] = None
    notes.setdefault(at, []).append(why)


def _check_place(shapes: Shapes, source: str, real: Path, where: str) -> None:
    """Coordinates that their reference system cannot have: E203, E206."""
    points, row = shapely.get_coordinates(shapes, return_index=True)  # those of holes, too
    if not len(points):
        return
    (left, bottom), (right, top) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    box = f"x {left:g}..{right:g}, y {bottom:g}..{top:g}"
    fix = "save it with its true coordinate reference system"
    if not _crs.is_geographic(source):
        most = _FURTHEST_M / (_crs.unit_m(source) or 1.0)
        far = np.unique(row[np.abs(points).max(axis=1) > most])
        if far.size:
            what = f"{_rows(far)} of {real.name} cannot be on Earth: the file lies at {box}"
            raise UnderoakError(Fault("E206", what, where, f"draw the shape again, or {fix}"))
        return
    if max(abs(bottom), abs(top)) <= 90.0 + 1e-6 and max(abs(left), abs(right)) <= 540.0:
        return
    if max(abs(left), abs(right)) <= 90.0 and max(abs(bottom), abs(top)) <= 540.0:
        what = f"{real.name} lies at {box}: latitude and longitude look swapped"
        raise UnderoakError(Fault("E203", what, where, "swap them: x is longitude, y is latitude"))
    raise UnderoakError(Fault("E206", f"{real.name} says degrees, but lies at {box}", where, fix))


def _repair(shapes: Shapes, notes: dict[int, list[str]], where: str, problems: Problems) -> None:
    repaired = []
    for at in np.flatnonzero(~shapely.is_valid(shapes) & _is_polygon(shapes)):
        why = shapely.is_valid_reason(shapes[at]).split("[")[0].lower()
        before = abs(shapes[at].area)
        made = _polygons(shapely.make_valid(shapes[at], method="structure", keep_collapsed=False))
        after = 0.0 if made is None else made.area
        if before == after == 0.0:
            _drop(shapes, notes, int(at), "an outline that encloses nothing")
            continue
        change = abs(after - before) / max(after, before) if max(after, before) > 0.0 else 1.0
        shapes[at] = made
        text = f"outline repaired ({why}), area changed by {100 * change:.2g} %"
        notes.setdefault(int(at), []).append(text)
        if change > _MOST_AREA_CHANGE:
            problems.add(
                "E402", f"row {at + 1}: {text}", where, "draw the outline again so that it does not cross itself"
            )
        else:
            repaired.append(int(at))
    if repaired:
        problems.add("W402", f"outlines repaired without changing their area: {_rows(repaired)}", where)


def _is_polygon(shapes: Any) -> Any:
    return np.isin(shapely.get_type_id(shapes), (_POLYGON, _MULTIPOLYGON))


def _polygons(shape: Any) -> Any:
    """The polygons of a shape, as one; None when there are none."""
    parts = [part for part in shapely.get_parts(shapely.get_parts([shape])) if shapely.get_type_id(part) == _POLYGON]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def _moved(shapes: Shapes, notes: dict[int, list[str]], source: str, to_crs: str, where: str) -> Shapes:
    """The shapes in another CRS; long edges get points in between, so that they stay where they were drawn."""
    if _crs.same(source, to_crs):
        return shapes
    unit = _crs.unit_m(source)
    longest = _LONGEST_EDGE_M / unit if unit else _LONGEST_EDGE_DEG
    transformer = _crs.transformer(source, to_crs)

    def move(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.column_stack(transformer.transform(points[:, 0], points[:, 1]))

    held = np.flatnonzero(~shapely.is_missing(shapes))
    out = shapes.copy()
    out[held] = shapely.transform(shapely.segmentize(shapes[held], longest), move)
    some, every = (_finite(out, of_points) for of_points in (np.logical_or, np.logical_and))
    beyond = held[some[held] & ~every[held]]
    if beyond.size:
        what = f"row {beyond[0] + 1} reaches beyond the ground that {_crs.parse(to_crs).name} can hold"
        raise UnderoakError(Fault("E408", what, where, "cut the shapes to the surroundings of your region"))
    for at in held[~some[held]].tolist():
        _drop(out, notes, at, f"lies where {_crs.parse(to_crs).name} says nothing")
    for at in np.flatnonzero(_is_polygon(out) & ~shapely.is_valid(out)):
        out[at] = _polygons(shapely.make_valid(out[at], method="structure", keep_collapsed=False))
    return out


def _framed(
    frame: Any,
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

    lost = [at for at, shape in enumerate(shapes) if shape is None]
    whole = gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=gpd.GeoSeries(shapes, index=frame.index))
    whole = whole.set_crs(_crs.parse(to_crs), allow_override=True)
    whole[NOTE] = ["; ".join(notes.get(at, [])) for at in range(len(whole))]
    whole.index = pd.RangeIndex(1, len(whole) + 1, name="row")
    if len(lost) == len(whole):
        why = "; ".join(sorted({whole[NOTE].iloc[at] for at in lost}))[:200]
        raise UnderoakError(Fault("E401", f"no row holds a {kind} that can be used ({why})", where, "check the file"))
    if lost:
        why = ", ".join(sorted({notes[at][-1] for at in lost}))[:200]
        have = "have" if len(lost) > 1 else "has"
        what = f"{len(lost)} of {count_of(len(whole), 'row')} {have} no usable {kind} ({why}): {_rows(lost)}"
        problems.add("W407", what, where)
    return whole if keep_all else whole[~whole.geometry.isna()]


def _rows(positions: Iterable[int]) -> str:
    held = [str(at + 1) for at in positions]
    more = f" and {len(held) - 12} more" if len(held) > 12 else ""
    return f"row{'s' if len(held) > 1 else ''} {', '.join(held[:12])}{more}"
