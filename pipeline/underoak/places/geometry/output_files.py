"""Parcels and zones as files: complete or absent, and the same bytes for the same results."""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from underoak.engine.storage.disk import disk_error
from underoak.layers.formats.safe_names import plain_to_write
from underoak.places.columns.column import Column, encode_table
from underoak.places.columns.zones import ZONES
from underoak.places.geometry.parcel_shapes import Parcels

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

STAMP = "2000-01-01T00:00:00.000Z"  # a GeoPackage must carry a time of change; the true one would change its bytes
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\0")
_NEEDS_QUOTES = re.compile(r'[,"\r\n]')
_ROWS = 20_000  # rows of a table that are text at the same time
_one_at_a_time = threading.Lock()  # the stamp is a setting of the whole process


def write_parcels(folder: Path, table: pd.DataFrame, parcels: Parcels, columns: tuple[Column, ...]) -> list[Path]:
    """Write `parcels.gpkg` (the table with shapes, in the parcels' CRS) and `parcels.csv` (the table).

    Raises:
        UnderoakError: E501, E502 when disk or folder cannot be written.
    """
    import geopandas as gpd

    shape_of = dict(zip(parcels.ids, parcels.shapes, strict=True))
    shapes = np.empty(len(table), object)
    shapes[:] = [shape_of[id] for id in table["id"]]
    encoded = encode_table(table, columns)
    frame = gpd.GeoDataFrame(encoded, geometry=gpd.GeoSeries(shapes, crs=parcels.crs))
    paths = folder / "parcels.gpkg", folder / "parcels.csv"
    write_safely(paths[0], lambda path: geopackage(path, frame, "parcels"))
    write_safely(paths[1], lambda path: write_csv(path, encoded))
    return list(paths)


def write_zones(folder: Path, zones: gpd.GeoDataFrame) -> Path:
    """Write `zones.gpkg`, in the grid's CRS.

    Raises:
        UnderoakError: E501, E502 when disk or folder cannot be written.
    """
    path = folder / "zones.gpkg"
    encoded = encode_table(zones, ZONES)
    write_safely(path, lambda temporary: geopackage(temporary, encoded, "zones"))
    return path


def csv_text(table: pd.DataFrame) -> str:
    """Return a table as comma-separated text: six decimals after a point, lines that end in LF, empty for nothing.

    Text that a spreadsheet would read as a formula (it begins with = + - @, a tab, a line break or NUL) gets a ' in
    front; numbers stay numbers.

    >>> import pandas as pd
    >>> print(csv_text(pd.DataFrame({"id": ["=1+1", "007"], "gain": [-3.2, None]})), end="")
    id,gain
    '=1+1,-3.200000
    007,
    """
    return "".join(_csv_parts(table))


def write_csv(path: Path, table: pd.DataFrame) -> None:
    """Write the same as a file, some rows at a time; call it within `write_safely`."""
    with open(path, "wb") as file:
        for part in _csv_parts(table):
            file.write(part.encode())


def _csv_parts(table: pd.DataFrame) -> Iterator[str]:
    """Yield the line of names, then some lines at a time."""
    yield ",".join(map(_text, table.columns)) + "\n"
    for first in range(0, len(table), _ROWS):
        rows = table.iloc[first : first + _ROWS]
        columns = [_formatted(rows[name]) for name in table.columns]
        yield "".join(",".join(row) + "\n" for row in zip(*columns, strict=True))


def _formatted(column: pd.Series) -> list[str]:
    from pandas.api import types

    if types.is_integer_dtype(column):
        text = [str(value) for value in column]
    elif types.is_numeric_dtype(column):
        text = [f"{value:z.6f}" for value in column.to_numpy(np.float64, na_value=np.nan)]
    else:
        text = list(map(lru_cache(maxsize=None, typed=True)(_text), column))  # most columns repeat a few values
    for row in np.flatnonzero(column.isna().to_numpy()).tolist():
        text[row] = ""
    return text


def _text(value: Any) -> str:
    text = str(value)
    if text.startswith(_STARTS_FORMULA):
        text = "'" + text
    return '"' + text.replace('"', '""') + '"' if _NEEDS_QUOTES.search(text) else text


def geopackage(path: Path, frame: gpd.GeoDataFrame, layer: str, geometry_type: str = "MultiPolygon") -> None:
    """Write one layer as a GeoPackage without the time of writing; call it within `write_safely`."""
    import pyogrio

    is_multi = geometry_type.startswith("Multi")
    with _one_at_a_time, _stamped(), plain_to_write(path) as plain:
        pyogrio.write_dataframe(
            frame, plain, layer=layer, driver="GPKG", geometry_type=geometry_type, promote_to_multi=is_multi
        )


@contextmanager
def _stamped() -> Iterator[None]:
    import pyogrio

    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def write_safely(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file under a temporary name, sync it to disk, then give it its final name.

    Raises:
        UnderoakError: E501, E502 when disk or folder cannot be written.
    """
    import pyogrio

    temporary = path.with_name(f".{path.stem}.{os.getpid()}{path.suffix}")
    try:
        temporary.unlink(missing_ok=True)
        write(temporary)
        with open(temporary, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError as error:
        raise disk_error(error, path) from error
    except (pyogrio.errors.DataSourceError, pyogrio.errors.FeatureError) as error:
        raise disk_error(OSError(str(error)), path) from error
    finally:
        temporary.unlink(missing_ok=True)
