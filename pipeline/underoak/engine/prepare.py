"""From a plan to a recipe: everything opened, checked and told at once, before anything is computed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from underoak import crs as _crs
from underoak.engine.recipe import Criterion, LayerTest, Recipe, Shapes
from underoak.errors import Fault, Problems, UnderoakError
from underoak.grid import Bounds, Grid, Window
from underoak.layers.burn import edges_of
from underoak.layers.catalogue import open_layers, unit_of
from underoak.layers.files import Trust
from underoak.layers.plausible import judge_sample, sample
from underoak.layers.region import Region, read_region
from underoak.layers.source import SourceFacts
from underoak.layers.stack import Stack, StackedLayer
from underoak.layers.vector import read_features

_THIN_OVERLAP = 0.10  # share of the region below which a layer's overlap is told


@dataclass(frozen=True)
class Prepared:
    """A plan made ready: the recipe, and what was found in the files."""

    region: Region
    recipe: Recipe
    layers: tuple[StackedLayer, ...]  # all the plan names, those that nothing judges by too
    facts: dict[str, SourceFacts]  # layer -> its source
    units: dict[str, str]  # layer -> unit of its values
    warnings: tuple[Fault, ...]

    @property
    def grid(self) -> Grid:
        """The analysis grid."""
        return self.recipe.grid


def prepare(plan: Any, strict: bool = False, deep: bool = False) -> Prepared:
    """Open and check all that a plan names; all faults are raised together.

    `deep` reads every cell of every layer instead of a sample.

    Raises:
        UnderoakError: with every fault found (and every warning, when strict).
    """
    problems = Problems(warnings=list(plan.warnings))
    region = read_region(plan.region, plan.base, plan.trust.max_cells, problems)
    is_south = region.is_south if region else False
    trust = Trust.of(plan.base, plan.trust)
    layers = open_layers(plan.layers, plan.base, trust, is_south, problems)
    if region is None or problems.faults:
        problems.stop_if_any(strict)
    assert region is not None
    stack = Stack(region.grid, layers)
    for layer in layers:
        _check_overlap(stack, layer, problems)
    if not problems.faults:
        _check_values(stack, problems, deep)
    tests, shapes = _constraints(plan, region.grid, stack, problems)
    problems.stop_if_any(strict)
    used = {c.layer for c in plan.criteria} | {test.layer for test in tests}
    # a layer that nothing judges by is opened and checked, but not read on every tile
    judged = Stack(region.grid, tuple(layer for layer in layers if layer.name in used))
    criteria = tuple(Criterion(c.name, c.layer, c.curve) for c in plan.criteria)
    recipe = Recipe(region.grid, judged, criteria, tests, shapes, region.outline, plan.rules)
    facts = {layer.name: layer.native.source.facts for layer in layers}
    names = {layer.name: unit_of(layer, plan.layers[layer.name]) for layer in layers}
    return Prepared(region, recipe, layers, facts, names, tuple(problems.warnings))


def _where(layer: StackedLayer) -> str:
    return f"{layer.name} ({layer.native.source.facts.path})"


def _check_overlap(stack: Stack, layer: StackedLayer, problems: Problems) -> None:
    grid, source = stack.grid, layer.native.source
    window = stack.region_window(layer)
    held = window.clip(source.grid.rows, source.grid.cols if not source.is_periodic else window.col + window.cols)
    if held.is_empty or (not source.is_periodic and window.clip(*source.grid.shape).is_empty):
        what = f"does not overlap the region: the layer covers {_box(source.grid)}, the region {_box(grid)}"
        problems.add("E220", what, _where(layer), "check both coordinate reference systems and the area")
        return
    share = held.rows * held.cols / (window.rows * window.cols)
    if share < _THIN_OVERLAP:
        what = f"covers only about {share:.1%} of the region"
        problems.add("W221", what, _where(layer), "look whether the right file is named")


def _box(grid: Grid) -> str:
    """A grid's extent in degrees, for a sentence."""
    left, bottom, right, top = grid.bounds
    if not _crs.is_geographic(grid.crs):
        to_degrees = _crs.transformer(grid.crs, "EPSG:4326")
        bounds: Bounds = to_degrees.transform_bounds(left, bottom, right, top, densify_pts=21)
        left, bottom, right, top = bounds
    if not np.isfinite([left, bottom, right, top]).all():
        return "ground that cannot be told in degrees"
    return f"longitude {left:.3f} to {right:.3f}, latitude {bottom:.3f} to {top:.3f}"


def _check_values(stack: Stack, problems: Problems, deep: bool) -> None:
    seen = []
    for layer in stack.layers:
        source: Any = layer.native.source
        if source in seen:
            continue
        seen.append(source)
        window = stack.region_window(layer).clip(*source.grid.shape)
        try:
            if deep:
                _read_all(source, window)
            judge_sample(sample(source, window, n=10 if deep else 5), source, problems)
        except UnderoakError as error:
            problems.take(error)


def _read_all(source: Any, window: Window) -> None:
    """Read every cell once, so that a file that breaks off is found before a run is begun."""
    for row in range(window.row, window.row + window.rows, 1024):
        for col in range(window.col, window.col + window.cols, 1024):
            source.read(Window(row, col, 1024, 1024).clip(window.row + window.rows, window.col + window.cols))


def relief_source(prepared: Prepared) -> Any:
    """A source of elevation for a picture's shading: one that terrain is derived from; None when there is none."""
    for layer in prepared.layers:
        indicator = layer.native.indicator
        if indicator is not None and indicator.needs_cell_size:
            return layer.native.source
    return None


def _constraints(
    plan: Any, grid: Grid, stack: Stack, problems: Problems
) -> tuple[tuple[LayerTest, ...], tuple[Shapes, ...]]:
    tests, shapes = [], []
    for spec in plan.constraints:
        where = f"constraints.{spec.name}"
        try:
            if hasattr(spec, "layer"):
                layer = next(layer for layer in stack.layers if layer.name == spec.layer)
                comparison = spec.comparison.in_unit(unit_of(layer, plan.layers[spec.layer]))
                tests.append(LayerTest(spec.name, spec.layer, comparison))
            else:
                features = read_features(plan.base / spec.file, spec.features, grid.crs, where=where, problems=problems)
                shapes.append(_drawn(spec, list(features.geometry), grid))
        except UnderoakError as error:
            problems.extend(Fault(f.code, f.what, f.where or where, f.mend) for f in error.faults)
    return tuple(tests), tuple(shapes)


def _drawn(spec: Any, geometries: list[Any], grid: Grid) -> Shapes:
    """Shapes near the region, widened; ones far away cannot hold a cell."""
    grow = spec.grow_m / _crs.unit_m(grid.crs)
    left, bottom, right, top = grid.bounds
    near = shapely.box(left - grow - 1, bottom - grow - 1, right + grow + 1, top + grow + 1)
    kept = [g for g in geometries if g is not None and not g.is_empty and g.intersects(near)]
    if grow > 0:
        kept = [part for g in kept for part in _parts(g.buffer(grow))]
    return Shapes(spec.name, edges_of(np.array(kept, dtype=object), grid), spec.exclude, spec.touch)


def _parts(shape: Any) -> list[Any]:
    return list(getattr(shape, "geoms", [shape]))
