"""The preparation of a plan: its inputs opened and checked, all faults reported at once, a recipe for all cases."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np

from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Grid
from underoak.base.memory_errors import refuse_without_room
from underoak.engine.judge.recipe import CaseRecipe, JudgedLayer, LayerTest, Recipe
from underoak.engine.judge.uncertainty import together_pairs, uncertainty_of
from underoak.engine.judge.warm_up import is_compiled, warm_up
from underoak.engine.prepare.case_faults import CaseFaults, FailedScenario
from underoak.engine.prepare.file_checks import LayersRequest, open_files, sample_files
from underoak.engine.prepare.indicator_limits import check_range
from underoak.engine.prepare.overlap import check_overlap
from underoak.engine.prepare.shape_masks import shape_masks
from underoak.engine.prepare.value_ranges import ConstantCriterion, constant_criteria, constant_faults
from underoak.engine.storage.manifest import UncertaintyRecord
from underoak.engine.workers.reader_process import ReaderProcess
from underoak.layers.catalogue import layer_unit
from underoak.layers.decoding.encoding import Encoding
from underoak.layers.files import Trust, input_path
from underoak.layers.quantile_layers import Quantiles
from underoak.layers.shapes.region import Region, read_region
from underoak.layers.source import SourceFacts
from underoak.layers.stack import Stack, StackedLayer
from underoak.layers.uncertain_layers import cell_size_m
from underoak.plan.case import Case
from underoak.plan.keys.constraints import LayerConstraint, ShapesConstraint
from underoak.plan.plan import Plan
from underoak.plan.uncertainty_summary import uncertainty_manifest


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
    def stacked_names(self) -> frozenset[str]:
        """The recipe's names of all its layers and quantiles."""
        return frozenset([*self.stacked.values(), *self.stacked_quantiles.values()])

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
                    labels[name] = f"{name} ({each.source_layer.source.facts.name})", self.units[layer]
        for layer, name in self.stacked.items():
            labels[name] = f"{name} ({self.facts[layer].name})", self.units[layer]
        return labels


@dataclass(frozen=True)
class Prepared:
    """A plan made ready: one recipe for all its cases."""

    plan: Plan  # without the scenarios that failed
    region: Region
    recipe: Recipe
    cases: tuple[PreparedCase, ...]
    warnings: tuple[Fault, ...]
    failed: tuple[FailedScenario, ...] = ()
    constant: Mapping[Case, Sequence[ConstantCriterion]] = field(default_factory=dict)  # known before land is judged

    @property
    def grid(self) -> Grid:
        """The analysis grid."""
        return self.recipe.grid

    @property
    def by_case(self) -> Mapping[Case, PreparedCase]:
        """The prepared cases."""
        return {ready.case: ready for ready in self.cases}


def prepare(plan: Plan, strict: bool = False, deep: bool = False, failed: tuple[FailedScenario, ...] = ()) -> Prepared:
    """Open and check all inputs of a plan, and return it with one recipe for all cases.

    `deep` checks every cell of every layer instead of a sample. Scenarios whose own inputs have faults are left out;
    `failed` are those that were left out before.

    Raises:
        UnderoakError: with every fault; with every warning too if `strict`.
    """
    with ReaderProcess() as reader:
        return _prepare(plan, strict, deep, failed, reader)


def _prepare(
    plan: Plan, strict: bool, deep: bool, failed: tuple[FailedScenario, ...], reader: ReaderProcess
) -> Prepared:
    faults = CaseFaults(Problems(warnings=list(plan.warnings)))
    problems = faults.problems
    region = read_region(plan.region, plan.base, plan.trust.max_cells, problems)
    is_south = region.is_south if region else False
    trust = Trust.from_plan(plan.base, plan.trust)
    grid = region.grid if region else None
    requests = {each.case: LayersRequest(each.layers, _judged_layers(each)) for each in plan.cases}
    by_case, opened = reader.call(open_files, requests, plan.base, trust, is_south, grid, meanwhile=_load_decoder)
    faults.add_cases(by_case)
    union: list[StackedLayer] = []
    cases = [_prepared_case(case_plan, *opened[case_plan.case], union) for case_plan in plan.cases]
    _check_shape_files(plan, problems)
    _check_seasons(plan, region, problems)
    if region is None:
        faults.join()
        problems.stop_if_any(strict)
    assert region is not None
    stack = Stack(region.grid, tuple(union))
    users = {layer.name: [ready.case for ready in cases if layer.name in ready.stacked_names] for layer in union}
    for layer in union:
        of_layer = Problems()
        check_overlap(stack, layer, of_layer)
        check_range(stack, layer, of_layer)
        faults.add(users[layer.name], [*of_layer.faults, *of_layer.warnings])
    builder = _RecipeBuilder(plan, region, stack, _judgeable(cases, faults))
    sampled = [(name, each, ready.stacked[name]) for ready in cases for name, each in ready.quantiles.items()]
    reports, ranges = reader.call(sample_files, stack, sampled, deep, meanwhile=builder.build)
    for report in reports:
        faults.add([case for name in sorted(report.layers) for case in users[name]], report.faults)
    problems.extend([*builder.problems.faults, *builder.problems.warnings])
    constant = {ready.case: constant_criteria(ready.plan, ready.stacked, ready.units, ranges) for ready in cases}
    problems.extend(
        fault
        for case, criteria in constant.items()
        if case.is_present
        for fault in constant_faults(criteria, case, "all land, as far as the sampled values say,")
    )
    faults.stop_if_any(strict)
    remaining = _judgeable(cases, faults)
    if len(remaining) < len(builder.cases):
        builder = _RecipeBuilder(plan, region, stack, remaining)
        builder.build()
    assert builder.recipe is not None
    reduced = plan.without_scenarios(faults.failed_names)
    failed = (*failed, *faults.failed)
    warnings = (*problems.warnings, *(message for scenario in failed for message in scenario.messages))
    return Prepared(reduced, region, builder.recipe, tuple(remaining), warnings, failed, constant)


def _prepared_case(
    plan: Plan, layers: tuple[StackedLayer, ...], quantiles: Mapping[str, Quantiles], union: list[StackedLayer]
) -> PreparedCase:
    """Return a case with its opened layers, which are added to the union of all cases' layers."""
    names = {layer.name: _add_to_union(layer, plan.case, union) for layer in layers}
    facts = {layer.name: layer.source_layer.facts for layer in layers}
    units = {layer.name: layer_unit(layer, plan.layers[layer.name]) for layer in layers}
    others = [layer for each in quantiles.values() for _, layer in each if layer.name not in names]
    stacked_quantiles = {layer.name: _add_to_union(layer, plan.case, union) for layer in others}
    return PreparedCase(plan, layers, names, facts, units, quantiles, stacked_quantiles)


def _judgeable(cases: Iterable[PreparedCase], faults: CaseFaults) -> list[PreparedCase]:
    """Return the cases without a fault; none if the present has one."""
    return [] if faults.problems.faults else [each for each in cases if each.case.scenario not in faults.failed_names]


class _RecipeBuilder:
    """A builder of the recipe, which needs no values: it works while the reader process samples them."""

    def __init__(self, plan: Plan, region: Region, stack: Stack, cases: list[PreparedCase]) -> None:
        self.problems = Problems()
        self.recipe: Recipe | None = None
        self.cases = cases
        self._inputs = plan, region, stack

    def build(self) -> None:
        """Set `recipe`, or add to `problems`; without cases only the shapes are checked."""
        plan, region, stack = self._inputs
        shapes = shape_masks(plan, region.grid, self.problems)
        recipes = tuple(_case_recipe(prepared, stack, self.problems) for prepared in self.cases)
        if self.problems.faults or not recipes:
            return
        # a layer that nothing judges by is opened and checked, but no tile reads it
        used = frozenset(name for case in recipes for name in case.layers | case.drawn_layers)
        self.recipe = Recipe(region.grid, stack.select(used), recipes, shapes, region.outline)
        if is_compiled():
            warm_up(self.recipe)


def _load_decoder() -> None:
    """Load the decoding kernels, while the reader process opens the files.

    Raises:
        UnderoakError: E503 without room for them.
    """
    refuse_without_room("loading the compiled kernels")
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


def relief_source(prepared: Prepared) -> Any:
    """Return a source of elevation for the shading of maps, one that terrain is derived from; None if there is none."""
    for layer in prepared.cases[0].layers:
        indicator = layer.source_layer.indicator
        if indicator is not None and next(iter(indicator.inputs)) == "elevation":
            return layer.source_layer.source
    return None
