"""NetCDF and Zarr: one variable on a regular grid, with months along its time axis where it has one.

A file of several years gives the mean of each calendar month over the years. A rate of water becomes the depth of
each month, by the month's true length in the file's own calendar, before any mean is taken.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled
from underoak.base.errors import Problems, UnderoakError, did_you_mean
from underoak.base.grid import Grid, Window
from underoak.layers.decoding.encoding import Encoding, Probe
from underoak.layers.decoding.rules import DecodingRules, FileFacts, resolve_rules
from underoak.layers.decoding.time_axis import TimeStep, read_steps
from underoak.layers.files import Trust, check_size, file_stamp
from underoak.layers.formats import netcdf_zarr_files
from underoak.layers.formats.axes import Axes, find_axes, read_crs, read_transform
from underoak.layers.formats.georeference import check_grid, is_global, resolve_crs
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import Reading, SourceFacts

if TYPE_CHECKING:
    import xarray as xr

_SLAB_BYTES = 32 * 2**20
_PROBED_STEPS = 12
_FORMATS = {"h5netcdf": "NetCDF", "scipy": "NetCDF", "zarr": "Zarr"}


@dataclass(frozen=True, slots=True)
class NetcdfZarrSource:
    """One variable on its own grid; readings are (months, rows, cols) where there is a time axis."""

    path: str
    variable: str
    axes: Axes
    encoding: Encoding
    grid: Grid
    is_periodic: bool
    facts: SourceFacts
    asked: LayerRequest = field(compare=False)
    months: tuple[int, ...] = ()  # calendar months that readings have, in order
    slots: tuple[int, ...] = ()  # for each stored step, its place in `months`
    factors: tuple[float, ...] = ()  # for each stored step, what a rate is multiplied by
    unsigned: bool = False
    slab: int = 1  # steps that are stored together

    def read(self, window: Window) -> Reading:
        """As `Source.read`; cells that are not finite count among the implausible."""
        _inside(window, self.grid)
        if not self.months:
            decoded = self.encoding.decode(self.stored(window))
            return Reading(decoded.values, decoded.implausible + decoded.infinite)
        shape = (len(self.months), *window.shape)
        total, count = np.zeros(shape, np.float64), np.zeros(shape, np.int32)
        dropped = 0
        each = window.rows * window.cols * np.dtype(self.facts.dtype).itemsize
        together = max(self.slab, _SLAB_BYTES // each // self.slab * self.slab, 1)
        for first in range(0, len(self.slots), together):
            steps = slice(first, min(first + together, len(self.slots)))
            stored = self.stored(window, steps)
            for at in range(steps.start, steps.stop):
                decoded = self.encoding.times(self.factors[at]).decode(stored[at - steps.start])
                dropped += decoded.implausible + decoded.infinite
                _add(decoded.values, total[self.slots[at]], count[self.slots[at]])
        years = np.bincount(self.slots, minlength=len(self.months)).astype(np.int32)
        return Reading(_means(total, count, years), dropped)

    def probe(self, window: Window) -> list[Probe]:
        """Stored cells of a window, a year's worth of steps at most, to judge whether unit and nodata are right."""
        if not self.months:
            return [Probe(self.stored(window), None, self.encoding)]
        count = min(_PROBED_STEPS, len(self.slots))
        stored = self.stored(window, slice(0, count))
        return [Probe(stored[at], None, self.encoding.times(self.factors[at])) for at in range(count)]

    def stored(self, window: Window, steps: slice | None = None) -> npt.NDArray[Any]:
        """Cells as stored, (rows, cols) or (steps, rows, cols).

        Raises:
            UnderoakError: E230 when the file cannot be read there.
        """
        rows, cols = window.slices
        at: dict[Any, Any] = {self.axes.y: rows, self.axes.x: cols, **dict.fromkeys(self.axes.single, 0)}
        order = [self.axes.y, self.axes.x]
        if self.axes.t and steps is None:
            at[self.axes.t] = 0
        elif self.axes.t:
            at[self.axes.t] = steps
            order.insert(0, self.axes.t)
        what = f"rows {window.row}+{window.rows}, columns {window.col}+{window.cols}"
        with netcdf_zarr_files.open_dataset(self.path, file_stamp(self.path), what, self.asked.where) as dataset:
            block = np.asarray(dataset[self.variable].isel(at).transpose(*order).values)
        return block.view(f"{block.dtype.byteorder}u{block.dtype.itemsize}") if self.unsigned else block


def open_netcdf_zarr(path: Path, asked: LayerRequest, trust: Trust, problems: Problems) -> NetcdfZarrSource | None:
    """Open one variable of a NetCDF file or a Zarr folder; None when a fault was added to `problems`."""
    before = len(problems.faults)
    try:
        files = netcdf_zarr_files.check_store(path, asked.where)
        with netcdf_zarr_files.open_dataset(path, file_stamp(path), "its header", asked.where) as dataset:
            source = _describe(dataset, path, asked, trust, problems)
    except UnderoakError as error:
        problems.add_error(error)
        return None
    if source is None or len(problems.faults) > before:
        return None
    return replace(source, facts=replace(source.facts, files=files))


def _describe(
    dataset: xr.Dataset, path: Path, asked: LayerRequest, trust: Trust, problems: Problems
) -> NetcdfZarrSource | None:
    variable, axes = _variable(dataset, asked, problems)
    if axes is None:
        return None
    array = dataset[variable]
    shape = (int(array.sizes[axes.y]), int(array.sizes[axes.x]))
    chunks = dict(zip(array.dims, _chunks(array), strict=True))
    if not check_size(shape, 0, trust.max_source_cells, asked.where, problems):
        return None
    unsigned = str(array.attrs.get("_Unsigned", "")).lower() == "true" and array.dtype.kind == "i"
    found = _found(array, unsigned, asked, problems)
    steps = _steps(dataset, axes, asked, problems)
    by_month = steps is not None and len(steps) > (0 if asked.monthly else 1)
    decision = resolve_rules(found, asked, problems, by_month) if found else None
    crs = resolve_crs(read_crs(dataset, variable, axes), asked, problems)
    transform = read_transform(dataset, axes, crs or "EPSG:3857", asked, problems)
    if crs is None or transform is None or decision is None or found is None or steps is None:
        return None
    grid = Grid(crs, transform, *shape)
    if not check_grid(grid, asked, problems):
        return None
    months = tuple(sorted({step.month for step in steps})) if by_month else ()
    return NetcdfZarrSource(
        path=str(path),
        variable=variable,
        axes=axes,
        encoding=decision.encoding,
        grid=grid,
        is_periodic=is_global(grid),
        facts=SourceFacts(
            path=str(path),
            format=_FORMATS[netcdf_zarr_files.store_engine(path)],
            dtype=found.dtype,
            stored_unit=decision.stored_unit,
            unit=decision.unit,
            decoding=_decision_text(decision, steps if by_month else (), dataset, axes),
            block=(chunks[axes.y], chunks[axes.x]),
        ),
        asked=asked,
        months=months,
        slots=tuple(months.index(step.month) for step in steps) if by_month else (),
        factors=tuple(step.times(decision.per) for step in steps) if by_month else (),
        unsigned=unsigned,
        slab=chunks.get(axes.t, 1),
    )


def _variable(dataset: xr.Dataset, asked: LayerRequest, problems: Problems) -> tuple[str, Axes | None]:
    """The variable asked for, or the only map there is."""
    maps: dict[str, Axes] = {}
    for name, array in dataset.data_vars.items():
        axes = find_axes(dataset, str(name)) if array.dtype.kind in "iufb" else None
        if axes:
            maps[str(name)] = axes
    wanted = asked.variable or (next(iter(maps)) if len(maps) == 1 else "")
    if wanted in maps:
        return wanted, maps[wanted]
    listed = ", ".join(maps) or "none"
    if not wanted:
        what = "it holds several maps" if maps else "it holds no map: no variable has one axis across and one down"
        problems.add("E227", what, asked.where, f'add "variable:" under {asked.key}, one of: {listed}')
    elif wanted in dataset.variables:
        dims = ", ".join(f"{dim} {size}" for dim, size in dataset[wanted].sizes.items())
        what = f'"{wanted}" ({dims}) is no map with one axis across, one down and at most one of time'
        problems.add("E227", what, asked.where, f"choose one step of the other axes first. Maps here: {listed}")
    else:
        problems.add("E227", f'there is no "{wanted}"', asked.where, did_you_mean(wanted, maps, f"one of: {listed}"))
    return wanted, None


def _found(array: Any, unsigned: bool, asked: LayerRequest, problems: Problems) -> FileFacts | None:
    about = array.attrs
    kind = np.dtype(f"u{array.dtype.itemsize}") if unsigned else array.dtype.newbyteorder("=")
    kind = np.dtype("uint8") if kind.kind == "b" else kind
    try:
        tags = [
            float(np.asarray(tag).astype(array.dtype).view(kind) if unsigned else tag)
            for key in ("_FillValue", "missing_value")
            for tag in np.atleast_1d(about.get(key, []))
        ]
        scale, offset = (float(np.ravel(about.get(k, d))[0]) for k, d in (("scale_factor", 1.0), ("add_offset", 0.0)))
    except (ValueError, TypeError, IndexError):
        what = "its _FillValue, missing_value, scale_factor or add_offset is no number"
        problems.add("E214", what, asked.where, "correct the attribute in the file")
        return None
    return FileFacts(str(kind), scale, offset, str(about.get("units", "")).strip(), tuple(dict.fromkeys(tags)))


def _steps(dataset: xr.Dataset, axes: Axes, asked: LayerRequest, problems: Problems) -> tuple[TimeStep, ...] | None:
    """Steps of the time axis; () without one, None after a fault."""
    if not axes.t:
        return ()
    if axes.t not in dataset.variables:
        problems.add("E225", f'nothing says which months "{axes.t}" has', asked.where, "give it a time coordinate")
        return None
    time = dataset[axes.t]
    named = str(time.attrs.get("bounds", ""))
    bounds = dataset[named].values if named in dataset.variables else None
    values = time.values
    if values.size == 1 and not asked.monthly:
        quiet = Problems()
        return read_steps(values, bounds, time.attrs, asked.where, quiet) or ()
    return read_steps(values, bounds, time.attrs, asked.where, problems) or None


def _chunks(array: Any) -> tuple[int, ...]:
    stored = array.encoding.get("chunksizes") or array.encoding.get("chunks")
    if stored and len(stored) == array.ndim:
        return tuple(int(n) for n in stored)
    return (*(1 for _ in array.shape[1:]), *map(int, array.shape[-1:]))


def _decision_text(decision: DecodingRules, steps: tuple[TimeStep, ...], dataset: xr.Dataset, axes: Axes) -> str:
    if not steps:
        return decision.text
    calendar = str(dataset[axes.t].attrs.get("calendar", "standard"))
    years = len({step.year for step in steps})
    mean = f", mean of {years} years for each calendar month" if years > 1 else ""
    return f"{decision.text}; {steps[0]} to {steps[-1]}, {calendar} calendar{mean}"


def _inside(window: Window, grid: Grid) -> None:
    if window.is_empty or window != window.clip(*grid.shape):
        raise ValueError(f"{window} does not lie inside a grid of {grid.shape}")


def _means(total: npt.NDArray[Any], count: npt.NDArray[Any], years: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    """Means over the years; missing where fewer than half of them have a value."""
    enough = (count > 0) & (2 * count >= years[:, None, None])
    out = np.full(total.shape, np.nan, np.float32)
    np.divide(total, count, out=total, where=enough)
    np.copyto(out, total, where=enough, casting="same_kind")
    return out


@compiled
def _add(values: npt.NDArray[Any], total: npt.NDArray[Any], count: npt.NDArray[Any]) -> None:
    for row in range(values.shape[0]):
        for col in range(values.shape[1]):
            value = values[row, col]
            if value == value:
                total[row, col] += value
                count[row, col] += 1
