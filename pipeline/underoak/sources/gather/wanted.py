"""Files that a plan wants from open data: each with its map and the ground that it must cover."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from underoak.base import crs as _crs
from underoak.base import units
from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Bounds, Grid
from underoak.layers.files import Trust
from underoak.layers.shapes.region import read_region
from underoak.plan.keys.gather import GatherSpec
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.quantities import quantity_in
from underoak.plan.plan import Plan
from underoak.sources.catalogue.addresses import Map, chosen_map
from underoak.sources.catalogue.catalogue import data_set

_MARGIN_M = 1000.0  # around the region, beside what indicators look at
_MARGIN_CELLS = 2.0
_SIDE_POINTS = 65  # of the region, carried into the set's coordinate system


@dataclass(frozen=True)
class Wanted:
    """A file to make: the map it shows, and the ground (left, bottom, right, top) in the map's coordinate system."""

    file: Path
    name: str  # as the plan writes it
    layers: tuple[str, ...]
    chosen: Map
    bounds: Bounds

    @property
    def where(self) -> str:
        """The file as messages name it."""
        return f"{', '.join(self.layers)} ({self.name})"


def wanted_files(plan: Plan, folder: Path | None, problems: Problems) -> list[Wanted]:
    """Return every file that the plan wants from open data, in the plan's order; faults go to `problems`.

    `folder` holds catalogue files of the user's. Faults: E241 a file outside the trusted folders, E380 no such set or
    band, E381 a set that is fetched by hand, two maps for one file, or another unit; those of the region.
    """
    region = read_region(plan.region, plan.base, float(plan.trust.max_cells), problems)
    maps: dict[str, tuple[GatherSpec, Map]] = {}
    layers: dict[str, list[str]] = {}
    margins: dict[str, float] = {}
    for where, layer, file, spec, unit in _entries(plan):
        try:
            if file in maps and maps[file][0] != spec:
                what = f"{file} is wanted from two maps"
                raise UnderoakError(Fault("E381", what, where, "give each layer a file of its own"))
            chosen = maps[file][1] if file in maps else _map(spec, folder, where)
            _check_unit(chosen, unit, where)
            _check_folder(plan, file, where)
        except UnderoakError as error:
            problems.add_error(error)
            continue
        maps[file] = spec, chosen
        layers.setdefault(file, []).append(where.removeprefix("layers."))
        margins[file] = max(margins.get(file, 0.0), _reach(plan, layer))
    if region is None or problems.faults:
        return []
    return [
        Wanted(plan.file(file), file, tuple(layers[file]), chosen, _ground(region.grid, chosen, margins[file]))
        for file, (_, chosen) in maps.items()
    ]


def _entries(plan: Plan) -> Iterator[tuple[str, str, str, GatherSpec, str | None]]:
    """Yield place, layer, file, map and unit of everything that the plan gathers."""
    specs = plan.spec.layers
    for name, layer in specs.items():
        if layer.gather is not None and layer.file is not None:
            yield f"layers.{name}", name, layer.file, layer.gather, _stated_unit(layer)
        for level, quantile in (layer.quantiles or {}).items():
            if quantile.gather is not None:
                where = f"layers.{name}.quantiles.{level:g}"
                yield where, name, quantile.file, quantile.gather, quantile.unit or _stated_unit(layer)
    for scenario in plan.spec.scenarios:
        for name, change in scenario.replace.items():
            if change.gather is not None:
                where = f"scenarios.{scenario.name}.{name}"
                yield where, name, change.file, change.gather, change.unit or _stated_unit(specs[name])


def _stated_unit(layer: LayerSpec) -> str | None:
    return layer.unit if layer.scale is None else None


def _map(spec: GatherSpec, folder: Path | None, where: str) -> Map:
    each = data_set(spec.set, folder, where)
    if each.access != "open":
        raise UnderoakError(Fault("E381", f"underoak does not fetch {each.title}: {each.why}", where, f"{each.put}"))
    return chosen_map(spec.set, each, spec.band, where)


def _check_unit(chosen: Map, unit: str | None, where: str) -> None:
    fact = chosen.band.unit
    if fact is None or unit is None:
        return
    try:
        step = units.conversion(unit, fact.value)
    except UnderoakError:
        step = None
    if step is not None and (step.scale, step.offset) == (1.0, 0.0):
        return
    what = f"the plan says {unit}, and {chosen.set_name} has {chosen.name} in {fact.value} ({fact.known})"
    raise UnderoakError(Fault("E381", what, where, f"write `unit: {fact.value}`"))


def _check_folder(plan: Plan, file: str, where: str) -> None:
    path = plan.file(file)
    if not Trust.from_plan(plan.base, plan.trust).contains(str(path.parent.resolve() / path.name)):
        what = f"{file} lies outside the plan's folder and `trust: roots`"
        raise UnderoakError(Fault("E241", what, where, "name a file inside, such as data/elevation.tif"))


def _reach(plan: Plan, layer: str) -> float:
    """Return how far around a cell the indicators of a layer look [m]."""
    reach = 0.0
    for each in plan.spec.layers.values():
        if layer in each.origins.values() or each is plan.spec.layers.get(layer):
            for value in each.settings.values():
                try:
                    reach = max(reach, quantity_in(value, "m")) if isinstance(value, str) else reach
                except UnderoakError:
                    continue  # not a length
    return reach


def _ground(grid: Grid, chosen: Map, reach: float) -> Bounds:
    """Return the box of the region with its margin, in the map's coordinate system."""
    each = chosen.data_set
    assert each.crs is not None
    assert each.cell is not None
    assert each.grain is not None
    cells_m = max(each.cell.value) * (111_320.0 if _crs.is_geographic(each.crs.value) else _crs.unit_m(each.crs.value))
    margin = (_MARGIN_M + reach + _MARGIN_CELLS * cells_m) / _crs.unit_m(grid.crs)
    xs, ys = zip(*(grid.xy(col, row) for col in (0, grid.cols) for row in (0, grid.rows)), strict=True)
    left, right, bottom, top = min(xs) - margin, max(xs) + margin, min(ys) - margin, max(ys) + margin
    x, y = np.meshgrid(np.linspace(left, right, _SIDE_POINTS), np.linspace(bottom, top, _SIDE_POINTS))
    u, v = _crs.transformer(grid.crs, each.crs.value).transform(x.ravel(), y.ravel())
    is_good = np.isfinite(u) & np.isfinite(v)
    if not is_good.any():
        what = "the region has no place in the coordinate system of the map"
        raise UnderoakError(Fault("E206", what, chosen.set_name, "check region.crs"))
    return float(u[is_good].min()), float(v[is_good].min()), float(u[is_good].max()), float(v[is_good].max())
