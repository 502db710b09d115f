"""Axes of a labelled array (across, down, time), and the regular grid that they make."""

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
    """A set of dimension names; `t` is "" where there is no time, and `single` are others, of one step each."""

    x: str
    y: str
    t: str = ""
    single: tuple[str, ...] = ()


def find_axes(dataset: xr.Dataset, variable: str) -> Axes | None:
    """Return the axes of a variable by their attributes, else by common names; None when it has no grid.

    A further dimension may have one step only.
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
    attributes: Mapping[Any, Any] = dataset[dim].attrs if dim in dataset.variables else {}
    axis = str(attributes.get("axis", "")).lower()
    if axis in {"x", "y", "t"}:
        return axis
    standard = str(attributes.get("standard_name", "")).lower()
    if standard in _STANDARD:
        return _STANDARD[standard]
    units = str(attributes.get("units", "")).lower()
    if units in _EAST:
        return "x"
    if units in _NORTH:
        return "y"
    if " since " in f" {units} ":
        return "t"
    return _NAMES.get(dim.lower(), "")


def read_crs(dataset: xr.Dataset, variable: str, axes: Axes) -> str:
    """Return the file's CRS: by CF grid mapping, else degrees of longitude and latitude; "" without any."""
    import pyproj

    grid_mapping = str(dataset[variable].attrs.get("grid_mapping", dataset[variable].encoding.get("grid_mapping", "")))
    mapping = grid_mapping.split(":")[0].split()[0] if grid_mapping.split() else ""
    if mapping in dataset.variables:
        attributes = {str(k): _plain_value(v) for k, v in dataset[mapping].attrs.items()}
        try:
            return str(pyproj.CRS.from_cf(attributes).to_wkt())
        except (pyproj.exceptions.CRSError, KeyError, ValueError, TypeError):
            return str(attributes.get("crs_wkt") or attributes.get("spatial_ref") or f"grid mapping {mapping}")
    units = [str(dataset[dim].attrs.get("units", "")).lower() for dim in (axes.x, axes.y) if dim in dataset.variables]
    return "EPSG:4326" if len(units) == 2 and units[0] in _EAST and units[1] in _NORTH else ""


def _plain_value(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray | np.generic) else value


def read_transform(
    dataset: xr.Dataset, axes: Axes, crs: str, request: LayerRequest, problems: Problems
) -> tuple[float, float, float, float, float, float] | None:
    """Return the grid's transform, cells half a step around their coordinates; None after a fault E224."""
    axes_steps = []
    for dim in (axes.x, axes.y):
        if dim not in dataset.variables or dataset[dim].dims != (dim,):
            what = f'the coordinates along "{dim}" are not given'
            problems.add("E224", what, request.where, "give the file a coordinate variable of the dimension's name")
            continue
        axis_step = _regular_axis(dataset[dim].values, dim, _crs.is_geographic(crs), request, problems)
        if axis_step:
            factor = _metre_factor(str(dataset[dim].attrs.get("units", "")), crs)
            axes_steps.append((axis_step[0] * factor, axis_step[1] * factor))
    if len(axes_steps) != 2:
        return None
    (x, dx), (y, dy) = axes_steps
    return dx, 0.0, x - dx / 2.0, 0.0, dy, y - dy / 2.0


def _regular_axis(
    stored: npt.NDArray[Any], dim: str, is_degrees: bool, request: LayerRequest, problems: Problems
) -> tuple[float, float] | None:
    """Return the first coordinate and the step of an evenly spaced axis; None after a fault E224."""
    values = np.asarray(stored, np.float64)
    if values.size < 2 or not np.isfinite(values).all():
        what = f'the axis "{dim}" has {count_of(values.size, "coordinate")}' if values.size < 2 else f'"{dim}" has gaps'
        problems.add("E224", what, request.where, "give a file whose axes have at least two coordinates each")
        return None
    step = (values[-1] - values[0]) / (values.size - 1)
    rounding = np.asarray(stored).dtype.kind == "f" and float(np.spacing(np.abs(stored).max()))
    tolerance = max(_UNEVEN * abs(step), 2.0 * rounding)
    deviation = np.abs(values - (values[0] + step * np.arange(values.size)))
    if step == 0.0 or deviation.max() > tolerance:
        i_gap = int(np.abs(np.diff(values) - np.median(np.diff(values))).argmax())
        gap = f"from {values[i_gap]:.8g} to {values[i_gap + 1]:.8g} at index {i_gap}"
        what = f'the axis "{dim}" is not evenly spaced: {gap}'
        problems.add("E224", what, request.where, "regrid the file to even steps, or cut out the even part")
        return None
    if is_degrees and abs(values.size * abs(step) - 360.0) <= 4.0 * rounding + 1e-9:
        step = math.copysign(360.0 / values.size, step)  # coordinates in float32 miss the full circle by their rounding
    return float(values[0]), float(step)


def _metre_factor(units: str, crs: str) -> float:
    """Return the factor from the unit of coordinates to that of the CRS, such as km to m."""
    if _crs.is_geographic(crs) or not units:
        return 1.0
    try:
        return conversion(units, "m").scale / _crs.unit_m(crs)
    except UnderoakError:
        return 1.0  # not a length: the unit of the CRS holds
