"""Vector files as they are stored: what they consist of, which layer is meant, how large it is, its rows."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import shapely

from underoak.base.errors import Fault, UnderoakError, did_you_mean
from underoak.layers.files import input_path, read_shortage
from underoak.layers.formats.safe_names import plain_to_read

if TYPE_CHECKING:
    import geopandas as gpd

_DRIVERS = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".json": "GeoJSON", ".shp": "ESRI Shapefile"}
_BESIDE_SHP = (".shx", ".dbf", ".prj", ".cpg")
_SAMPLES, _SAMPLED = 8, 100  # places in a file, and rows there, that tell how many corners it has
_CORNER_BYTES = 16


def read_rows(path: Path | str, features: str | None, where: str) -> tuple[Path, gpd.GeoDataFrame]:
    """Return the real path of a file, and the rows of one of its layers as they are stored.

    Raises:
        UnderoakError: E242, E245, E246 as for any input, E247 another format, E405 no such layer, E420 a file that
            cannot be read, E503 no memory to read it.
    """
    import pyogrio

    real = input_path(str(path), Path(), where)
    driver = _DRIVERS.get(Path(path).suffix.lower())
    if driver is None:
        what = f"{Path(path).name} is not read: shapes come as GeoPackage, GeoJSON or Shapefile"
        raise UnderoakError(Fault("E247", what, where, "save it as GeoPackage (.gpkg)"))
    with _opened(real, driver, features, where) as (plain, layer, options):
        frame = pyogrio.read_dataframe(plain, layer=layer, on_invalid="ignore", **options)  # such a row has no shape
    return real, frame


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
        with _opened(input_path(str(path), Path(), ""), driver, features, "") as (plain, layer, options):
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


@contextlib.contextmanager
def _opened(real: Path, driver: str, features: str | None, where: str) -> Iterator[tuple[Path, str, dict[str, str]]]:
    """Check a file, and give a path that every library reads, the layer to read, and options to read it with."""
    with _failures(real, where):
        _check_content(real, driver, where)
        with plain_to_read(real, vector_files(real)) as plain:
            yield plain, *_find_layer(plain, real, driver, features, where)


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
    except (
        pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FeatureError,
        pyogrio.errors.GeometryError, shapely.errors.ShapelyError, sqlite3.Error,
        OSError, ValueError, RuntimeError, MemoryError,
    ) as error:  # fmt: skip
        raise read_shortage(error, real.name, where) or _read_fault(real, where, error) from error


def _read_fault(real: Path, where: str, error: BaseException) -> UnderoakError:
    reason = (str(error).strip() or type(error).__name__).splitlines()[0][:200]
    return UnderoakError(
        Fault("E420", f"{real.name} cannot be read ({reason})", where, "save it again from its source")
    )
