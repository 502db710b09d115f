"""The recipe of a run: layers, criteria and constraints of every case, and the judging of a window."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.grid import Grid, Window
from underoak.engine.judge import cell_state as loops
from underoak.engine.judge.block_draws import CaseUncertainty, rule_probabilities
from underoak.engine.judge.cell_state import EXCLUDED, FREE, MISSING, OUTSIDE
from underoak.engine.judge.counts import TileCounts
from underoak.engine.judge.reducer import JudgedBlock
from underoak.layers.shapes import coverage
from underoak.layers.shapes.cell_mask import CellMask
from underoak.layers.stack import Stack
from underoak.overlay import NOTHING_LIMITS, Curve, Rules, judge, membership
from underoak.plan.case import Case
from underoak.plan.keys.constraints import Comparison

StateArray = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class LayerTest:
    """A constraint on a layer: cells are excluded where the comparison holds."""

    name: str
    layer: str
    comparison: Comparison

    def holds(self, values: FloatArray) -> npt.NDArray[np.bool_]:
        """Return True where the cell is excluded, False where the value is missing, (rows, cols)."""
        return loops.compare(self.comparison, values)


@dataclass(frozen=True, slots=True)
class ShapeMask:
    """A constraint of polygons, in cell coordinates of the analysis grid."""

    name: str
    edges: coverage.Edges
    exclude: str  # inside | outside
    touch: str  # centre | any
    burned: CellMask | None = None  # the cells of polygons beside these edges, where they take less memory
    corners_read: int = 0  # in its file
    most_widened: int = 0  # corners of the largest shape that is widened

    def holds(self, window: Window) -> npt.NDArray[np.bool_]:
        """Return True where the cell is excluded, (rows, cols)."""
        cells_under = coverage.touches_cell if self.touch == "any" else coverage.covers_centre
        inside = cells_under(self.edges, window)
        if self.burned is not None:
            inside |= self.burned.at(window)
        return inside if self.exclude == "inside" else ~inside


@dataclass(frozen=True, slots=True)
class JudgedLayer:
    """A criterion to judge by: a layer and its response curve."""

    name: str
    layer: str
    curve: Curve


@dataclass(frozen=True, slots=True)
class CaseRecipe:
    """A recipe for one case: criteria, constraints, rules, uncertainty. Its layers have the names of the stack."""

    case: Case
    criteria: tuple[JudgedLayer, ...]
    tests: tuple[LayerTest, ...]
    rules: Rules
    shapes: tuple[ShapeMask, ...] = ()  # beside those of every case
    uncertainty: CaseUncertainty | None = None

    @property
    def layers(self) -> frozenset[str]:
        """Layers needed on the analysis grid."""
        of_rules = self.uncertainty.rule_layers if self.uncertainty else frozenset()
        return of_rules.union([c.layer for c in self.criteria], [test.layer for test in self.tests])

    @property
    def drawn_layers(self) -> frozenset[str]:
        """Layers drawn on their source grids."""
        return self.uncertainty.drawn_layers if self.uncertainty else frozenset()

    @property
    def figures(self) -> int:
        """Number of figures of one cell in all draws; 0 if nothing is drawn."""
        if self.uncertainty is None or not self.uncertainty.layers:
            return 0
        return self.uncertainty.draws * self.uncertainty.figures(criterion.layer for criterion in self.criteria)

    @property
    def rank_draws(self) -> int:
        """Number of joint draws of data and weights for the ranks of parcels."""
        return self.uncertainty.rank_draws if self.uncertainty is not None else 0


@dataclass(frozen=True)
class Recipe:
    """A recipe for every tile. What several cases share is read and judged once."""

    grid: Grid
    stack: Stack
    cases: tuple[CaseRecipe, ...]
    shapes: tuple[ShapeMask, ...]
    outline: coverage.Edges | None

    @cached_property
    def by_case(self) -> Mapping[Case, CaseRecipe]:
        """The recipe of each case."""
        return {case_recipe.case: case_recipe for case_recipe in self.cases}

    @cached_property
    def shared_layers(self) -> frozenset[str]:
        """Layers that several cases need."""
        counts = Counter(name for case in self.cases for name in case.layers)
        return frozenset(name for name, count in counts.items() if count > 1)

    @cached_property
    def shared_judgements(self) -> frozenset[tuple[str, Curve]]:
        """Pairs of layer and curve that several cases have."""
        counts: Counter[tuple[str, Curve]] = Counter()
        for case in self.cases:
            counts.update({(c.layer, c.curve) for c in case.criteria})
        return frozenset(pair for pair, count in counts.items() if count > 1)


def judge_window(
    recipe: Recipe, window: Window, counts: TileCounts, with_values: frozenset[Case] = frozenset()
) -> Iterator[JudgedBlock]:
    """Yield the results of each case on one window of the analysis grid; `counts` are filled.

    Blocks of the cases in `with_values` hold the values of their criteria, and where each constraint excludes.

    A cell outside the region's outline is missing. A constraint that holds excludes a cell even where other layers
    are missing. Where a constraint's own layer is missing, the cell is missing unless another constraint excludes it.
    """
    state = np.zeros(window.shape, np.uint8)
    if recipe.outline is not None:
        state[~coverage.covers_centre(recipe.outline, window)] = OUTSIDE
    counts.inside = int(np.count_nonzero(state == FREE))
    if counts.inside == 0:
        yield from (_unjudged(case_recipe, window) for case_recipe in recipe.cases)
        return
    shared_values = _read(recipe, window, recipe.shared_layers, state, counts)
    shared_masks = {mask.name: mask.holds(window) for mask in recipe.shapes}
    shared_memberships: dict[tuple[str, Curve], FloatArray] = {}
    for case_recipe in recipe.cases:
        values = shared_values | _read(recipe, window, case_recipe.layers - recipe.shared_layers, state, counts)
        masks = shared_masks | {mask.name: mask.holds(window) for mask in case_recipe.shapes}
        case_state = state.copy()
        excluded = {name: loops.exclude(np.ravel(holds), case_state.reshape(-1)) for name, holds in masks.items()}
        for test in case_recipe.tests:
            masks[test.name] = test.holds(values[test.layer])
            excluded[test.name] = loops.exclude(np.ravel(masks[test.name]), case_state.reshape(-1))
            loops.mark_missing(values[test.layer].reshape(-1), case_state.reshape(-1))
        counts.of(case_recipe.case).excluded |= excluded
        memberships = np.empty((len(case_recipe.criteria), *window.shape), np.float32)
        for i, criterion in enumerate(case_recipe.criteria):
            pair = criterion.layer, criterion.curve
            if pair in shared_memberships:
                memberships[i] = shared_memberships[pair]
                continue
            membership(values[criterion.layer], criterion.curve, out=memberships[i])
            if pair in recipe.shared_judgements:
                shared_memberships[pair] = memberships[i].copy()
        block = _overlay(case_recipe, window, memberships, case_state, counts)
        if case_recipe.case in with_values:
            of_criteria = tuple(values[criterion.layer] for criterion in case_recipe.criteria)
            block = replace(block, values=of_criteria, exclusions=masks)
        if case_recipe.uncertainty is not None and case_recipe.uncertainty.probability_rules:
            is_free = (state != OUTSIDE) & (case_state != EXCLUDED)
            block = replace(block, meets=rule_probabilities(case_recipe.uncertainty, values, is_free))
        yield block


def _read(
    recipe: Recipe, window: Window, names: frozenset[str], state: StateArray, counts: TileCounts
) -> dict[str, FloatArray]:
    if not names:
        return {}
    stacked = recipe.stack.read(window, names)
    counts.implausible |= stacked.implausible
    counts.read |= stacked.read
    if counts.inside == state.size:
        counts.missing |= stacked.missing
    else:
        flat = state.reshape(-1)
        counts.missing |= {n: loops.count_missing(values.reshape(-1), flat) for n, values in stacked.values.items()}
    return stacked.values


def _overlay(
    case_recipe: CaseRecipe, window: Window, memberships: FloatArray, state: StateArray, counts: TileCounts
) -> JudgedBlock:
    is_outside = state == OUTSIDE
    judged_state = state
    if is_outside.any():
        judged_state = np.where(is_outside, np.uint8(MISSING), state)
        memberships[:, is_outside] = np.nan  # as in a tile that lies outside altogether
    suitability, classes, weakest, gainful, missing_weight = judge(memberships, judged_state, case_recipe.rules)
    by_code = np.zeros((2, 4, 256), np.int64)
    loops.count_codes(classes.reshape(-1), weakest.reshape(-1), state.reshape(-1), *by_code)
    of_class, of_weakest = by_code.sum(axis=1)
    case_counts = counts.of(case_recipe.case)
    case_counts.classes |= {int(code): int(of_class[code]) for code in np.flatnonzero(of_class)}
    names = {i: criterion.name for i, criterion in enumerate(case_recipe.criteria)} | {NOTHING_LIMITS: "nothing limits"}
    for i, criterion in enumerate(case_recipe.criteria):
        value, how_many = loops.constant_value(memberships[i].reshape(-1), suitability.reshape(-1))
        if how_many:
            case_counts.constant[criterion.name] = value if how_many == 1 else None
    case_counts.limiting |= {name: int(of_weakest[code]) for code, name in names.items() if of_weakest[code]}
    return JudgedBlock(
        window, memberships, suitability, classes, weakest, gainful, missing_weight, case=case_recipe.case
    )


def _unjudged(case_recipe: CaseRecipe, window: Window) -> JudgedBlock:
    codes = np.full(window.shape, 255, np.uint8)
    empty = np.full(window.shape, np.nan, np.float32)
    memberships = np.full((len(case_recipe.criteria), *window.shape), np.nan, np.float32)
    weight = empty if case_recipe.rules.missing == "renormalise" else None
    return JudgedBlock(window, memberships, empty, codes, codes, codes, weight, case=case_recipe.case)
