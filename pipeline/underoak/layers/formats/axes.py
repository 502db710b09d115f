"""Which dimensions of a labelled array run across, down and along time, and the regular grid they make."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.errors import Problems, UnderoakError, count_of
from underoak.base.units import conversion
from underoak.layers.layer_request import LayerRequest

if TYPE_CHECKING:
    import xarray as xr

_STANDARD = {
    "longitude": "x", "projection_x_coordinate": "x", "grid_longitude": "x",
    "latitude": "y", "projection_y_coordinate": "y", "grid_latitude": "y",
    "time": "t",
}  # fmt: skip
_NAMES = {
    "x": "x", "lon": "x", "long": "x", "longitude": "x", "easting": "x", "eastings": "x", "rlon": "x", "xc": "x",
    "y": "y", "lat": "y", "latitude": "y", "northing": "y", "northings": "y", "rlat": "y", "yc": "y",
    "time": "t", "month": "t", "months": "t", "t": "t",
}  # fmt: skip
_EAST = {"degrees_east", "degree_east", "degrees_e", "degree_e", "degreese", "degreee"}
_NORTH = {"degrees_north", "degree_north", "degrees_n", "degree_n", "degreesn", "degreen"}
_UNEVEN = 0.01  # of a cell


@dataclass(frozen=True, slots=True)
class Axes:
    """Names of the dimensions; `t` is "" where there is no time, and `single` are others, of one step each."""

    x: str
    y: str
    t: str = ""
    single: tuple[str, ...] = ()


def find_axes(dataset: xr.Dataset, variable: str) -> Axes | None:
    """The axes of a variable by their attributes, else by common names; None when it is no map.

    A further dimension is let pass when it has one step only.
    """
    sizes = dataset[variable].sizes
    roles = {str(dim): _role(dataset, str(dim)) for dim in sizes}
    by_role: dict[str, list[str]] = {"x": [], "y": [], "t": []}
    for dim, role in roles.items():
        if role:
            by_role[role].append(dim)
    others = [dim for dim, role in roles.items() if not role]
    if len(by_role["x"]) != 1 or len(by_role["y"]) != 1 or len(by_role["t"]) > 1:
        return None
    if any(sizes[dim] != 1 for dim in others):
        return None
    time = by_role["t"][0] if by_role["t"] else ""
    return Axes(by_role["x"][0], by_role["y"][0], time, tuple(others))


def _role(dataset: xr.Dataset, dim: str) -> str:
    about: Mapping[Any, Any] = dataset[dim].attrs if dim in dataset.variables else {}
    axis = str(about.get("axis", "")).lower()
    if axis in {"x", "y", "t"}:
        return axis
    standard = str(about.get("standard_name", "")).lower()
    if standard in _STANDARD:
        return _STANDARD[standard]
    units = str(about.get("units", "")).lower()
    if units in _EAST:
        return "x"
    if units in _NORTH:
        return "y"
    if " since " in f" {units} ":
        return "t"
    return _NAMES.get(dim.lower(), "")


def read_crs(dataset: xr.Dataset, variable: str, axes: Axes) -> str:
    """The CRS the file gives: by CF grid mapping, else degrees of longitude and latitude; "" when it gives none."""
    import pyproj

    named = str(dataset[variable].attrs.get("grid_mapping", dataset[variable].encoding.get("grid_mapping", "")))
    mapping = named.split(":")[0].split()[0] if named.split() else ""
    if mapping in dataset.variables:
        about = {str(k): _plain(v) for k, v in dataset[mapping].attrs.items()}
        try:
            return str(pyproj.CRS.from_cf(about).to_wkt())
        except (pyproj.exceptions.CRSError, KeyError, ValueError, TypeError):
            return str(about.get("crs_wkt") or about.get("spatial_ref") or f"grid mapping {mapping}")
    units = [str(dataset[dim].attrs.get("units", "")).lower() for dim in (axes.x, axes.y) if dim in dataset.variables]
    return "EPSG:4326" if len(units) == 2 and units[0] in _EAST and units[1] in _NORTH else ""


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray | np.generic) else value


def read_transform(
    dataset: xr.Dataset, axes: Axes, crs: str, asked: LayerRequest, problems: Problems
) -> tuple[float, float, float, float, float, float] | None:
    """The grid's transform, cells half a step around their coordinates; None after a fault E224."""
    lines = []
    for dim in (axes.x, axes.y):
        if dim not in dataset.variables or dataset[dim].dims != (dim,):
            what = f'nothing says where the cells along "{dim}" lie'
            problems.add("E224", what, asked.where, "give the file a coordinate variable of the dimension's name")
            continue
        line = _regular(dataset[dim].values, dim, _crs.is_geographic(crs), asked, problems)
        if line:
            factor = _factor(str(dataset[dim].attrs.get("units", "")), crs)
            lines.append((line[0] * factor, line[1] * factor))
    if len(lines) != 2:
        return None
    (x, dx), (y, dy) = lines
    return dx, 0.0, x - dx / 2.0, 0.0, dy, y - dy / 2.0


def _regular(
    stored: npt.NDArray[Any], dim: str, turns: bool, asked: LayerRequest, problems: Problems
) -> tuple[float, float] | None:
    """First coordinate and step of an evenly spaced axis."""
    values = np.asarray(stored, np.float64)
    if values.size < 2 or not np.isfinite(values).all():
        what = f'the axis "{dim}" has {count_of(values.size, "coordinate")}' if values.size < 2 else f'"{dim}" has gaps'
        problems.add("E224", what, asked.where, "give a file whose axes have at least two coordinates each")
        return None
    step = (values[-1] - values[0]) / (values.size - 1)
    exact = np.asarray(stored).dtype.kind == "f" and float(np.spacing(np.abs(stored).max()))
    loose = max(_UNEVEN * abs(step), 2.0 * exact)
    off = np.abs(values - (values[0] + step * np.arange(values.size)))
    if step == 0.0 or off.max() > loose:
        at = int(np.abs(np.diff(values) - np.median(np.diff(values))).argmax())
        what = f'the axis "{dim}" is not evenly spaced: from {values[at]:.8g} to {values[at + 1]:.8g} at place {at}'
        problems.add("E224", what, asked.where, "regrid the file to even steps, or cut out the even part")
        return None
    if turns and abs(values.size * abs(step) - 360.0) <= 4.0 * exact + 1e-9:
        step = math.copysign(360.0 / values.size, step)  # coordinates in float32 miss the full turn by a hair
    return float(values[0]), float(step)


def _factor(units: str, crs: str) -> float:
    """Coordinates in km on a CRS in metres become metres."""
    if _crs.is_geographic(crs) or not units:
        return 1.0
    try:
        return conversion(units, "m").scale / _crs.unit_m(crs)
    except UnderoakError:
        return 1.0  # a word that is no length: the CRS's own unit holds
