"""NetCDF and Zarr: one variable on a regular grid, with months along its time axis where it has one.

A file of several years gives the mean of each calendar month over the years. A rate of water becomes the depth of
each month, by the month's length in the file's calendar, before any mean is taken.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.base.errors import Problems, UnderoakError, did_you_mean
from underoak.base.grid import Grid, Window
from underoak.layers.decoding.encoding import Encoding, Probe
from underoak.layers.decoding.rules import DecodingRules, FileFacts, resolve_rules
from underoak.layers.decoding.time_axis import TimeStep, read_steps
from underoak.layers.files import Trust, check_size, file_stamp
from underoak.layers.formats import netcdf_zarr_files
from underoak.layers.formats.axes import Axes, find_axes, read_crs, read_transform
from underoak.layers.formats.georeference import check_grid, check_inside, is_global, resolve_crs
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import Reading, SourceFacts

if TYPE_CHECKING:
    import xarray as xr

_MAX_PROBED_STEPS = 12
_FORMATS = {"h5netcdf": "NetCDF", "scipy": "NetCDF", "zarr": "Zarr"}


@dataclass(frozen=True, slots=True)
class NetcdfZarrSource:
    """A variable on the source grid; readings are (months, rows, cols) where there is a time axis."""

    path: str
    variable: str
    axes: Axes
    encoding: Encoding
    grid: Grid
    is_periodic: bool
    facts: SourceFacts
    request: LayerRequest = field(compare=False)
    months: tuple[int, ...] = ()  # calendar months that readings have, in order
    month_indices: tuple[int, ...] = ()  # for each stored step, its place in `months`
    factors: tuple[float, ...] = ()  # for each stored step, what a rate is multiplied by
    step_names: tuple[str, ...] = ()  # for each stored step
    is_unsigned: bool = False
    steps_per_chunk: int = 1
    max_bytes_at_once: int = 32 * 2**20  # of stored steps in memory

    def read(self, window: Window) -> Reading:
        """Read decoded cells as `Source.read`; cells that are not finite count as implausible."""
        check_inside(window, self.grid)
        if not self.months:
            decoded = self.encoding.decode(self.stored(window))
            return Reading(decoded.values, decoded.implausible + decoded.infinite)
        shape = (len(self.months), *window.shape)
        total, count = np.zeros(shape, np.float64), np.zeros(shape, np.int32)
        dropped = 0
        for steps in self.step_slices(window, len(self.factors)):
            stored = self.stored(window, steps)
            for step, month in enumerate(self.month_indices[steps]):
                decoded = self.encoding.times(self.factors[steps.start + step]).decode(stored[step])
                dropped += decoded.implausible + decoded.infinite
                _add_step(decoded.values, total[month], count[month])
        years = np.bincount(self.month_indices, minlength=len(self.months)).astype(np.int32)
        return Reading(_mean_of_years(total, count, years), dropped)

    def probe(self, window: Window, every_step: bool = False) -> Iterator[Probe]:
        """Yield stored cells of a window step by step, with the encoding of each: of twelve steps, or of every one."""
        if not self.months:
            yield Probe(self.stored(window), None, self.encoding)
            return
        count = len(self.factors) if every_step else min(_MAX_PROBED_STEPS, len(self.factors))
        for steps in self.step_slices(window, count):
            stored = self.stored(window, steps)
            for step in range(steps.start, steps.stop):
                month = self.months[self.month_indices[step]]
                encoding = self.encoding.times(self.factors[step])
                yield Probe(stored[step - steps.start], None, encoding, month, self.step_names[step])

    def files_at(self, row: int, col: int) -> tuple[str, ...]:
        """Return no files: this is not a mosaic."""
        return ()

    def step_slices(self, window: Window, count: int) -> Iterator[slice]:
        """Yield the first `count` steps in parts that fit into memory, in whole chunks of the file."""
        step_bytes = window.rows * window.cols * np.dtype(self.facts.dtype).itemsize
        n_chunks = self.max_bytes_at_once // step_bytes // self.steps_per_chunk
        steps_at_once = max(self.steps_per_chunk, n_chunks * self.steps_per_chunk, 1)
        for first in range(0, count, steps_at_once):
            yield slice(first, min(first + steps_at_once, count))

    def stored(self, window: Window, steps: slice | None = None) -> npt.NDArray[Any]:
        """Read cells as stored, (rows, cols) or (steps, rows, cols).

        Raises:
            UnderoakError: E230 when the file cannot be read there.
        """
        rows, cols = window.slices
        index: dict[str, slice | int] = {self.axes.y: rows, self.axes.x: cols, **dict.fromkeys(self.axes.single, 0)}
        order = [self.axes.y, self.axes.x]
        if self.axes.t:
            index[self.axes.t] = 0 if steps is None else steps
            if steps is not None:
                order.insert(0, self.axes.t)
        what = f"rows {window.row}+{window.rows}, columns {window.col}+{window.cols}"
        with netcdf_zarr_files.open_dataset(self.path, file_stamp(self.path), what, self.request.where) as dataset:
            block = np.asarray(dataset[self.variable].isel(index).transpose(*order).values)
        return block.view(f"{block.dtype.byteorder}u{block.dtype.itemsize}") if self.is_unsigned else block


def open_netcdf_zarr(path: Path, request: LayerRequest, trust: Trust, problems: Problems) -> NetcdfZarrSource | None:
    """Open one variable of a NetCDF file or a Zarr folder; None when a fault was added to `problems`."""
    n_faults_before = len(problems.faults)
    try:
        files = netcdf_zarr_files.check_store(path, request.where)
        with netcdf_zarr_files.open_dataset(path, file_stamp(path), "its header", request.where) as dataset:
            source = _open_variable(dataset, path, request, trust, problems)
    except UnderoakError as error:
        problems.add_error(error)
        return None
    if source is None or len(problems.faults) > n_faults_before:
        return None
    return replace(source, facts=replace(source.facts, files=files))


def _open_variable(
    dataset: xr.Dataset, path: Path, request: LayerRequest, trust: Trust, problems: Problems
) -> NetcdfZarrSource | None:
    variable, axes = _select_variable(dataset, request, problems)
    if axes is None:
        return None
    array = dataset[variable]
    shape = (int(array.sizes[axes.y]), int(array.sizes[axes.x]))
    chunks = dict(zip(array.dims, _chunk_shape(array), strict=True))
    if not check_size(shape, 0, trust.max_source_cells, request.where, problems):
        return None
    is_unsigned = str(array.attrs.get("_Unsigned", "")).lower() == "true" and array.dtype.kind == "i"
    facts = _file_facts(array, is_unsigned, request, problems)
    steps = _read_time_steps(dataset, axes, request, problems)
    by_month = steps is not None and len(steps) > (0 if request.monthly else 1)
    rules = resolve_rules(facts, request, problems, by_month) if facts else None
    crs = resolve_crs(read_crs(dataset, variable, axes), request, problems)
    transform = read_transform(dataset, axes, crs or "EPSG:3857", request, problems)
    if crs is None or transform is None or rules is None or facts is None or steps is None:
        return None
    grid = Grid(crs, transform, *shape)
    if not check_grid(grid, request, problems):
        return None
    months = tuple(sorted({step.month for step in steps})) if by_month else ()
    return NetcdfZarrSource(
        path=str(path),
        variable=variable,
        axes=axes,
        encoding=rules.encoding,
        grid=grid,
        is_periodic=is_global(grid),
        facts=SourceFacts(
            path=str(path),
            format=_FORMATS[netcdf_zarr_files.store_engine(path)],
            dtype=facts.dtype,
            stored_unit=rules.stored_unit,
            unit=rules.unit,
            decoding=_rules_text(rules, steps if by_month else (), dataset, axes),
            block=(chunks[axes.y], chunks[axes.x]),
            file=request.file,
        ),
        request=request,
        months=months,
        month_indices=tuple(months.index(step.month) for step in steps) if by_month else (),
        factors=tuple(step.times(rules.per) for step in steps) if by_month else (),
        step_names=tuple(map(str, steps)) if by_month else (),
        is_unsigned=is_unsigned,
        steps_per_chunk=chunks.get(axes.t, 1),
    )


def _select_variable(dataset: xr.Dataset, request: LayerRequest, problems: Problems) -> tuple[str, Axes | None]:
    """Return the requested variable, or the only one with a grid, and its axes; no axes after a fault."""
    axes_by_variable: dict[str, Axes] = {}
    for name, array in dataset.data_vars.items():
        axes = find_axes(dataset, str(name)) if array.dtype.kind in "iufb" else None
        if axes:
            axes_by_variable[str(name)] = axes
    variable = request.variable or (next(iter(axes_by_variable)) if len(axes_by_variable) == 1 else "")
    if variable in axes_by_variable:
        return variable, axes_by_variable[variable]
    listed = ", ".join(axes_by_variable) or "none"
    if not variable:
        what = "no variable has one axis across and one down"
        if axes_by_variable:
            what = "several variables have a grid"
        problems.add("E227", what, request.where, f'add "variable:" under {request.key}, one of: {listed}')
    elif variable in dataset.variables:
        dims = ", ".join(f"{dim} {size}" for dim, size in dataset[variable].sizes.items())
        what = f'"{variable}" ({dims}) is not a grid with one axis across, one down and at most one of time'
        problems.add(
            "E227", what, request.where, f"choose one step of the other axes first. Variables with a grid: {listed}"
        )
    else:
        problems.add(
            "E227",
            f'there is no variable "{variable}"',
            request.where,
            did_you_mean(variable, axes_by_variable, f"one of: {listed}"),
        )
    return variable, None


def _file_facts(array: xr.DataArray, is_unsigned: bool, request: LayerRequest, problems: Problems) -> FileFacts | None:
    attributes = array.attrs
    kind = np.dtype(f"u{array.dtype.itemsize}") if is_unsigned else array.dtype.newbyteorder("=")
    kind = np.dtype("uint8") if kind.kind == "b" else kind
    try:
        tags = [
            float(np.asarray(tag).astype(array.dtype).view(kind) if is_unsigned else tag)
            for key in ("_FillValue", "missing_value")
            for tag in np.atleast_1d(attributes.get(key, []))
        ]
        scale, offset = (
            float(np.ravel(attributes.get(k, d))[0]) for k, d in (("scale_factor", 1.0), ("add_offset", 0.0))
        )
    except (ValueError, TypeError, IndexError):
        what = "its _FillValue, missing_value, scale_factor or add_offset is not a number"
        problems.add("E214", what, request.where, "correct the attribute in the file")
        return None
    return FileFacts(str(kind), scale, offset, str(attributes.get("units", "")).strip(), tuple(dict.fromkeys(tags)))


def _read_time_steps(
    dataset: xr.Dataset, axes: Axes, request: LayerRequest, problems: Problems
) -> tuple[TimeStep, ...] | None:
    """Return the steps of the time axis; () without one, None after a fault."""
    if not axes.t:
        return ()
    if axes.t not in dataset.variables:
        problems.add("E225", f'the months of "{axes.t}" are not given', request.where, "give it a time coordinate")
        return None
    time = dataset[axes.t]
    bounds_name = str(time.attrs.get("bounds", ""))
    bounds = dataset[bounds_name].values if bounds_name in dataset.variables else None
    values = time.values
    if values.size == 1 and not request.monthly:
        ignored = Problems()
        return read_steps(values, bounds, time.attrs, request.where, ignored) or ()
    return read_steps(values, bounds, time.attrs, request.where, problems) or None


def _chunk_shape(array: xr.DataArray) -> tuple[int, ...]:
    stored = array.encoding.get("chunksizes") or array.encoding.get("chunks")
    if stored and len(stored) == array.ndim:
        return tuple(int(n) for n in stored)
    return (*(1 for _ in array.shape[1:]), *map(int, array.shape[-1:]))


def _rules_text(rules: DecodingRules, steps: tuple[TimeStep, ...], dataset: xr.Dataset, axes: Axes) -> str:
    if not steps:
        return rules.text
    calendar = str(dataset[axes.t].attrs.get("calendar", "standard"))
    years = len({step.year for step in steps})
    mean = f", mean of {years} years for each calendar month" if years > 1 else ""
    return f"{rules.text}; {steps[0]} to {steps[-1]}, {calendar} calendar{mean}"


def _mean_of_years(
    total: npt.NDArray[np.float64], count: npt.NDArray[np.int32], years: npt.NDArray[np.int32]
) -> npt.NDArray[np.float32]:
    """Return the means over the years, (months, rows, cols); missing where fewer than half of them have a value."""
    enough = (count > 0) & (2 * count >= years[:, None, None])
    out = np.full(total.shape, np.nan, np.float32)
    np.divide(total, count, out=total, where=enough)
    np.copyto(out, total, where=enough, casting="same_kind")
    return out


@compiled
def _add_step(values: FloatArray, total: npt.NDArray[np.float64], count: npt.NDArray[np.int32]) -> None:
    """Add the values of one step to `total`, and 1 to `count`, where they are not missing."""
    for row in range(values.shape[0]):
        for col in range(values.shape[1]):
            value = values[row, col]
            if value == value:
                total[row, col] += value
                count[row, col] += 1
