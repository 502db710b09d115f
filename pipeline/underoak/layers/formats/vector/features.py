"""Shapes from vector files, read only, in the analysis CRS: GeoPackage, GeoJSON and Shapefile.

Every row that cannot be used is reported with its number, and can stay without its shape.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from underoak.base import crs as _crs
from underoak.base.errors import Fault, Problems, UnderoakError, count_of
from underoak.layers.formats.vector.outlines import (
    Notes,
    Shapes,
    check_datum,
    clean_shapes,
    list_rows,
    reproject,
)
from underoak.layers.formats.vector.vector_file import read_rows

if TYPE_CHECKING:
    import geopandas as gpd

NOTE = "_note"  # a column: what was done to a row's shape, "" when nothing
MAX_POINTS = 20_000_000


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
            E405 no such layer, E203 or E206 coordinates outside the CRS, E408 shapes outside the area of `to_crs`,
            E420 a file that cannot be read, E503 no memory to read it, E510 too large. E402 (a repair that changes the
            area) is added to `problems`.
    """
    real, frame = read_rows(path, features, where)
    if "geometry" not in frame or not len(frame):
        raise UnderoakError(Fault("E401", f"{real.name} holds no shape", where, "check the file and the layer in it"))
    source = _source_crs(frame, crs, real, where)
    shapes = np.asarray(frame.geometry.values, dtype=object)
    shapes, notes = clean_shapes(shapes, source, real, where, problems, any_kind, max_points)
    check_datum(shapes, source, to_crs, where, problems)
    shapes = reproject(shapes, notes, source, to_crs, where)
    kind = "shape" if any_kind else "polygon"
    return _build_table(frame, shapes, notes, to_crs, keep_all, where, problems, kind)


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


def _build_table(
    frame: gpd.GeoDataFrame,
    shapes: Shapes,
    notes: Notes,
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
        what = f"{rows} {have} no usable {kind} ({why}): {list_rows(lost_rows)}"
        problems.add("W407", what, where)
    return table if keep_all else table[~table.geometry.isna()]
