"""The preparation of a plan: its inputs opened and checked, all faults reported at once, a recipe for all cases."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
import shapely

from underoak.base import crs as _crs
from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Bounds, Grid
from underoak.base.number_words import percent
from underoak.engine.judge.recipe import CaseRecipe, JudgedLayer, LayerTest, Recipe, ShapeMask
from underoak.engine.judge.uncertainty import together_pairs, uncertainty_of
from underoak.engine.judge.warm_up import is_compiled, warm_up
from underoak.engine.prepare.file_checks import LayersRequest, open_files, sample_files
from underoak.engine.prepare.indicator_limits import check_range
from underoak.engine.storage.manifest import UncertaintyRecord
from underoak.engine.workers.reader_process import ReaderProcess
from underoak.layers.catalogue import layer_unit
from underoak.layers.decoding.encoding import Encoding
from underoak.layers.derivation.source_layer import clip_to_source
from underoak.layers.files import Trust, input_path
from underoak.layers.formats.vector import read_features
from underoak.layers.quantile_layers import Quantiles
from underoak.layers.shapes.coverage import merge_edges, polygon_edges
from underoak.layers.shapes.region import Region, read_region
from underoak.layers.source import SourceFacts
from underoak.layers.stack import Stack, StackedLayer
from underoak.layers.uncertain_layers import cell_size_m
from underoak.plan.case import Case
from underoak.plan.keys.constraints import LayerConstraint, ShapesConstraint
from underoak.plan.plan import Plan
from underoak.plan.uncertainty_summary import uncertainty_manifest

_AT_ONCE = 10_000  # shapes
_QUARTER = 16  # straight pieces for a quarter of a circle
_OVERLAP_CELLS = 128  # along a side of the grid that are tested for lying on a layer
_THIN_OVERLAP = 0.10  # share of the region below which a layer's overlap gets a warning


@dataclass(frozen=True)
class PreparedCase:
    """A case made ready: its plan, with its layers opened."""

    plan: Plan
    layers: tuple[StackedLayer, ...]  # all that the plan names, also those that nothing judges by
    stacked: Mapping[str, str]  # the plan's name of a layer -> the recipe's
    facts: dict[str, SourceFacts]  # layer -> its source
    units: dict[str, str]  # layer -> unit of its values
    quantiles: Mapping[str, Quantiles] = field(default_factory=dict)  # layer -> its quantiles, if it has any
    stacked_quantiles: Mapping[str, str] = field(default_factory=dict)  # a quantile's name -> the recipe's

    @property
    def case(self) -> Case:
        """The case."""
        return self.plan.case

    @property
    def months(self) -> dict[str, tuple[int, ...]]:
        """The calendar months that are used of each monthly layer."""
        return {
            layer.name: layer.source_layer.selected_months
            for layer in self.layers
            if layer.source_layer.selected_months
        }

    @property
    def cell_sizes(self) -> dict[str, float]:
        """The size of the source cells of each layer [m], or its grain where that is coarser."""
        return {
            layer.name: cell_size_m(layer.source_layer.source.grid, self.plan.layers[layer.name].grain_m)
            for layer in self.layers
        }

    @property
    def uncertainty_record(self) -> UncertaintyRecord | None:
        """How the layers are drawn, and with which errors; None in a plan without draws."""
        content = uncertainty_manifest(self.plan, self.cell_sizes, self.units)
        if not content:
            return None
        together = [asdict(pair) for pair in together_pairs(self.plan, self.layers)]
        return UncertaintyRecord.model_validate(content | {"together": together})

    def stacked_origin(self, layer: str, origin: str) -> str:
        """Return the recipe's name of a layer that another is derived from; the recipe itself may not hold it."""
        if origin in self.stacked:
            return self.stacked[origin]
        return origin if self.stacked[layer] == layer else f"{origin} ({self.case.label})"

    @property
    def labels(self) -> dict[str, tuple[str, str]]:
        """The label for messages and the unit of each layer and each quantile, by the recipe's names."""
        labels = {}
        for layer, quantiles in self.quantiles.items():
            for _, each in quantiles:
                if each.name in self.stacked_quantiles:
                    name = self.stacked_quantiles[each.name]
                    labels[name] = f"{name} ({each.source_layer.source.facts.path})", self.units[layer]
        for layer, name in self.stacked.items():
            labels[name] = f"{name} ({self.facts[layer].path})", self.units[layer]
        return labels


@dataclass(frozen=True)
class Prepared:
    """A plan made ready: one recipe for all its cases."""

    region: Region
    recipe: Recipe
    cases: tuple[PreparedCase, ...]
    warnings: tuple[Fault, ...]

    @property
    def grid(self) -> Grid:
        """The analysis grid."""
        return self.recipe.grid

    @property
    def by_case(self) -> Mapping[Case, PreparedCase]:
        """The prepared cases."""
        return {ready.case: ready for ready in self.cases}


def prepare(plan: Plan, strict: bool = False, deep: bool = False) -> Prepared:
    """Open and check all inputs of a plan, and return it with one recipe for all cases.

    `deep` reads every cell of every layer instead of a sample.

    Raises:
        UnderoakError: with every fault; with every warning too if `strict`.
    """
    with ReaderProcess() as reader:
        return _prepare(plan, strict, deep, reader)


def _prepare(plan: Plan, strict: bool, deep: bool, reader: ReaderProcess) -> Prepared:
    problems = Problems(warnings=list(plan.warnings))
    region = read_region(plan.region, plan.base, plan.trust.max_cells, problems)
    is_south = region.is_south if region else False
    trust = Trust.from_plan(plan.base, plan.trust)
    union: list[StackedLayer] = []
    cases = []
    grid = region.grid if region else None
    requests = {each.case: LayersRequest(each.layers, _judged_layers(each)) for each in plan.cases}
    faults, opened = reader.call(open_files, requests, plan.base, trust, is_south, grid, meanwhile=_load_decoder)
    problems.extend(faults)
    for case_plan in plan.cases:
        layers, quantiles = opened[case_plan.case]
        names = {layer.name: _add_to_union(layer, case_plan.case, union) for layer in layers}
        facts = {layer.name: layer.source_layer.facts for layer in layers}
        units = {layer.name: layer_unit(layer, case_plan.layers[layer.name]) for layer in layers}
        others = [layer for each in quantiles.values() for _, layer in each if layer.name not in names]
        stacked_quantiles = {layer.name: _add_to_union(layer, case_plan.case, union) for layer in others}
        cases.append(PreparedCase(case_plan, layers, names, facts, units, quantiles, stacked_quantiles))
    _check_shape_files(plan, problems)
    _check_seasons(plan, region, problems)
    if region is None or problems.faults:
        problems.stop_if_any(strict)
    assert region is not None
    stack = Stack(region.grid, tuple(union))
    for layer in union:
        _check_overlap(stack, layer, problems)
        check_range(stack, layer, problems)
    builder = _RecipeBuilder(plan, region, stack, cases)
    if problems.faults:
        builder.build()
    else:
        sampled = [(name, each, ready.stacked[name]) for ready in cases for name, each in ready.quantiles.items()]
        problems.extend(reader.call(sample_files, stack, sampled, deep, meanwhile=builder.build))
    problems.extend([*builder.problems.faults, *builder.problems.warnings])
    problems.stop_if_any(strict)
    assert builder.recipe is not None
    return Prepared(region, builder.recipe, tuple(cases), tuple(problems.warnings))


class _RecipeBuilder:
    """A builder of the recipe, which needs no values: it works while the reader process samples them."""

    def __init__(self, plan: Plan, region: Region, stack: Stack, cases: list[PreparedCase]) -> None:
        self.problems = Problems()
        self.recipe: Recipe | None = None
        self._inputs = plan, region, stack, cases

    def build(self) -> None:
        """Set `recipe`, or add to `problems`."""
        plan, region, stack, cases = self._inputs
        shapes = _shape_masks(plan, region.grid, self.problems)
        recipes = tuple(_case_recipe(prepared, stack, self.problems) for prepared in cases)
        if self.problems.faults:
            return
        # a layer that nothing judges by is opened and checked, but no tile reads it
        used = frozenset(name for case in recipes for name in case.layers | case.drawn_layers)
        self.recipe = Recipe(region.grid, stack.select(used), recipes, shapes, region.outline)
        if is_compiled():
            warm_up(self.recipe)


def _load_decoder() -> None:
    """Load the decoding kernels, while the reader process opens the files."""
    Encoding().decode(np.zeros((1, 1), np.float32))


def _judged_layers(plan: Plan) -> frozenset[str]:
    """Return the layers that criteria and constraints name."""
    tested = (spec.layer for spec in plan.constraints if isinstance(spec, LayerConstraint))
    return frozenset([*(criterion.layer for criterion in plan.criteria), *tested])


def _check_seasons(plan: Plan, region: Region | None, problems: Problems) -> None:
    """Refuse seasons if the region crosses the equator: a season has other months on each side."""
    if region is None or not region.crosses_equator:
        return
    for case_plan in plan.cases:
        for name, spec in case_plan.layers.items():
            if spec.season not in (None, "year"):
                what = f"says `season: {spec.season}`, and the region is on both sides of the equator"
                fix = "give `months:` instead, such as [6, 7, 8], or a plan for each side"
                problems.add("E337", what, f"layers.{name}", fix)


def _check_shape_files(plan: Plan, problems: Problems) -> None:
    """Check that the files of shapes exist, to report missing ones with all other faults; they are read later."""
    named = {f"constraints.{c.name}": c.file for c in plan.constraints if isinstance(c, ShapesConstraint)}
    if plan.parcels is not None:
        named["parcels"] = plan.parcels.file
    if plan.spec.native is not None:
        named["native"] = plan.spec.native.file
    for where, file in named.items():
        try:
            input_path(file, plan.base, f"{where} ({file})")
        except UnderoakError as error:
            problems.add_error(error)


def _add_to_union(layer: StackedLayer, case: Case, union: list[StackedLayer]) -> str:
    """Add a layer to the union of all cases' layers, unless an equal one is in it. Return its name there."""
    same = next((other for other in union if replace(other, name=layer.name) == layer), None)
    if same is None:
        is_taken = any(other.name == layer.name for other in union)
        same = replace(layer, name=f"{layer.name} ({case.label})") if is_taken else layer
        union.append(same)
    return same.name


def _case_recipe(prepared: PreparedCase, stack: Stack, problems: Problems) -> CaseRecipe:
    plan, tests = prepared.plan, []
    for spec in plan.constraints:
        if isinstance(spec, LayerConstraint):
            try:
                comparison = spec.comparison.in_unit(prepared.units[spec.layer])
                tests.append(LayerTest(spec.name, prepared.stacked[spec.layer], comparison))
            except UnderoakError as error:
                problems.extend(replace(f, where=f.where or f"constraints.{spec.name}") for f in error.faults)
    criteria = tuple(JudgedLayer(c.name, prepared.stacked[c.layer], c.curve) for c in plan.criteria)
    stacked = {**prepared.stacked, **prepared.stacked_quantiles}
    uncertainty = uncertainty_of(plan, prepared.layers, stacked, prepared.units, prepared.quantiles, stack, problems)
    return CaseRecipe(plan.case, criteria, tuple(tests), plan.rules, uncertainty=uncertainty)


def _where(layer: StackedLayer) -> str:
    return f"{layer.name} ({layer.source_layer.source.facts.path})"


def _check_overlap(stack: Stack, layer: StackedLayer, problems: Problems) -> None:
    grid, source = stack.grid, layer.source_layer.source
    window = stack.region_window(layer)
    covered = clip_to_source(source, window)
    if covered.is_empty:
        layer_extent, region_extent = (extent_words(each.bounds, each.crs) for each in (source.grid, grid))
        extents = f"the layer covers {layer_extent}, the region {region_extent}"
        what = f"does not overlap the region: {extents}"
        problems.add("E220", what, _where(layer), "check both coordinate reference systems and the area")
        return
    share = _covered_share(grid, source)
    if share < _THIN_OVERLAP:
        what = f"covers only about {percent(share)} of the region"
        problems.add("W221", what, _where(layer), "check that the right file is named")


def _covered_share(grid: Grid, source: Any) -> float:
    """Return about which share of the grid lies on a source, by the centres of cells spread over it."""
    rows, cols = (
        np.unique((np.linspace(0.0, 1.0, _OVERLAP_CELLS) * (count - 1)).astype(np.int64)) + 0.5 for count in grid.shape
    )
    x, y = grid.xy(*np.meshgrid(cols, rows))
    u, v = source.grid.uv(*_crs.transformer(grid.crs, source.grid.crs).transform(x, y))
    is_covered = (v >= 0.0) & (v <= source.grid.rows)
    if not source.is_periodic:
        is_covered &= (u >= 0.0) & (u <= source.grid.cols)
    return float(is_covered.mean())


def bounds_in_degrees(bounds: Bounds, crs: str) -> Bounds:
    """Return bounds as longitudes and latitudes: west, south, east, north."""
    if _crs.is_geographic(crs):
        return bounds
    in_degrees: Bounds = _crs.transformer(crs, "EPSG:4326").transform_bounds(*bounds, densify_pts=21)
    return in_degrees


def extent_words(bounds: Bounds, crs: str) -> str:
    """Return an extent in degrees, as words."""
    left, bottom, right, top = bounds_in_degrees(bounds, crs)
    if not np.isfinite([left, bottom, right, top]).all():
        return "an extent that has no coordinates in degrees"
    return f"longitude {left:.3f} to {right:.3f}, latitude {bottom:.3f} to {top:.3f}"


def relief_source(prepared: Prepared) -> Any:
    """Return a source of elevation for the shading of maps, one that terrain is derived from; None if there is none."""
    for layer in prepared.cases[0].layers:
        indicator = layer.source_layer.indicator
        if indicator is not None and next(iter(indicator.inputs)) == "elevation":
            return layer.source_layer.source
    return None


def _shape_masks(plan: Plan, grid: Grid, problems: Problems) -> tuple[ShapeMask, ...]:
    masks = []
    for spec in plan.constraints:
        if isinstance(spec, ShapesConstraint):
            where = f"constraints.{spec.name}"
            try:
                features = read_features(plan.base / spec.file, spec.features, grid.crs, where=where, problems=problems)
                masks.append(shape_mask(spec, features.geometry.to_numpy(), grid))
            except UnderoakError as error:
                problems.extend(replace(f, where=f.where or where) for f in error.faults)
    return tuple(masks)


def shape_mask(spec: ShapesConstraint, shapes: Any, grid: Grid, at_once: int = _AT_ONCE) -> ShapeMask:
    """Return the mask of the shapes near the region, widened `at_once` at a time to bound memory."""
    grow = spec.grow_m / _crs.unit_m(grid.crs)
    left, bottom, right, top = grid.bounds
    near = shapely.box(left - grow - 1, bottom - grow - 1, right + grow + 1, top + grow + 1)
    nearby = shapes[shapely.intersects(shapes, near)]
    parts = []
    for first in range(0, max(len(nearby), 1), at_once):
        batch = nearby[first : first + at_once]
        if grow > 0:
            batch = shapely.get_parts(shapely.buffer(batch, grow, quad_segs=_QUARTER))
        parts.append(polygon_edges(batch, grid))
    return ShapeMask(spec.name, merge_edges(parts), spec.exclude, spec.touch)
