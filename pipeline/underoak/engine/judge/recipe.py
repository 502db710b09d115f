"""What is done to every tile: layers in, memberships, constraints, overlay; the same on any worker."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.grid import Grid, Window
from underoak.engine.judge import cell_state as loops
from underoak.engine.judge.block_draws import CaseUncertainty, meets
from underoak.engine.judge.cell_state import EXCLUDED, FREE, MISSING, OUTSIDE
from underoak.engine.judge.reducer import JudgedBlock
from underoak.layers.shapes import coverage
from underoak.layers.stack import Stack
from underoak.overlay import NOTHING_LIMITS, Curve, Rules, judge, membership
from underoak.plan.keys.constraints import Comparison

GroundArray = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class LayerTest:
    """A constraint read from a layer: cells are excluded where the comparison holds."""

    name: str
    layer: str
    comparison: Comparison

    def holds(self, values: FloatArray) -> npt.NDArray[np.bool_]:
        """True where the cell is excluded; False where the value is missing. (rows, cols)"""
        return loops.compare(self.comparison, values)


@dataclass(frozen=True, slots=True)
class ShapeMask:
    """A constraint drawn as polygons, in cell coordinates of the analysis grid."""

    name: str
    edges: coverage.Edges
    exclude: str  # inside | outside
    touch: str  # centre | any

    def holds(self, window: Window) -> npt.NDArray[np.bool_]:
        """True where the cell is excluded, (rows, cols)."""
        draw = coverage.touches_cell if self.touch == "any" else coverage.covers_centre
        inside = draw(self.edges, window)
        return inside if self.exclude == "inside" else ~inside


@dataclass(frozen=True, slots=True)
class JudgedLayer:
    """One judged thing: a layer and its response curve."""

    name: str
    layer: str
    curve: Curve


@dataclass(frozen=True, slots=True)
class CaseRecipe:
    """One species in one future. Its layers are named as the stack names them."""

    criteria: tuple[JudgedLayer, ...]
    tests: tuple[LayerTest, ...]
    rules: Rules
    shapes: tuple[ShapeMask, ...] = ()  # beside those that hold for every variant
    uncertainty: CaseUncertainty | None = None

    @property
    def layers(self) -> frozenset[str]:
        """The layers it needs on the analysis grid."""
        asked = self.uncertainty.asked_layers if self.uncertainty else frozenset()
        return asked.union([c.layer for c in self.criteria], [test.layer for test in self.tests])

    @property
    def drawn_layers(self) -> frozenset[str]:
        """The layers it draws on their own grids."""
        return self.uncertainty.drawn_layers if self.uncertainty else frozenset()

    @property
    def figures(self) -> int:
        """Figures of one cell in all draws; 0 when nothing is drawn."""
        if self.uncertainty is None or not self.uncertainty.layers:
            return 0
        return self.uncertainty.draws * self.uncertainty.figures(criterion.layer for criterion in self.criteria)


@dataclass(frozen=True)
class Recipe:
    """Everything a worker needs to judge a tile. What several variants share is read and judged once."""

    grid: Grid
    stack: Stack
    cases: tuple[CaseRecipe, ...]
    shapes: tuple[ShapeMask, ...]
    outline: coverage.Edges | None

    @cached_property
    def shared_layers(self) -> frozenset[str]:
        """Layers that more than one variant needs."""
        counts = Counter(name for case in self.cases for name in case.layers)
        return frozenset(name for name, count in counts.items() if count > 1)

    @cached_property
    def shared_judgements(self) -> frozenset[tuple[str, Curve]]:
        """Layers with a curve that more than one variant judges them by."""
        counts: Counter[tuple[str, Curve]] = Counter()
        for case in self.cases:
            counts.update({(c.layer, c.curve) for c in case.criteria})
        return frozenset(pair for pair, count in counts.items() if count > 1)


@dataclass
class TileCounts:
    """Counts a run keeps; all are whole numbers, so that the order of adding them changes nothing."""

    implausible: dict[str, int] = field(default_factory=dict)  # layer of the stack -> source cells dropped
    read: dict[str, int] = field(default_factory=dict)
    missing: dict[str, int] = field(default_factory=dict)  # layer -> analysis cells inside the region without a value
    inside: int = 0  # cells inside the region
    excluded: dict[str, int] = field(default_factory=dict)  # "variant:constraint" -> cells it excludes
    classes: dict[str, int] = field(default_factory=dict)  # "variant:code" -> cells inside the region
    weakest: dict[str, int] = field(default_factory=dict)  # "variant:criterion", or "nothing limits" -> judged cells
    drawn: dict[str, int] = field(default_factory=dict)  # "variant:doubtful layer" -> source cells that were drawn
    crossing: dict[str, int] = field(default_factory=dict)  # the same -> those whose quantiles cross

    def add(self, other: TileCounts) -> None:
        """Add another tile's counts."""
        for mine, theirs in zip(self._tables(), other._tables(), strict=True):
            for key, count in theirs.items():
                mine[key] = mine.get(key, 0) + count
        self.inside += other.inside

    def of(self, case: int) -> TileCounts:
        """The counts of one variant, under plain names."""
        start = f"{case}:"
        # in order of their names, not of the tiles that came first
        own = (
            {key.removeprefix(start): count for key, count in sorted(table.items()) if key.startswith(start)}
            for table in self._own()
        )
        return TileCounts(self.implausible, self.read, self.missing, self.inside, *own)

    def _own(self) -> Sequence[dict[str, int]]:
        return self.excluded, self.classes, self.weakest, self.drawn, self.crossing

    def _tables(self) -> Sequence[dict[str, int]]:
        return self.implausible, self.read, self.missing, *self._own()


def judge_window(
    recipe: Recipe, window: Window, notes: TileCounts, with_values: frozenset[int] = frozenset()
) -> Iterator[JudgedBlock]:
    """The results of each variant, one after the other, on one window of the analysis grid; counts go to `notes`.

    The variants in `with_values` bring the raw values of their criteria, and where each constraint excludes.

    A cell outside the region's outline is missing. A constraint known to hold excludes a cell even where other layers
    are missing; a constraint whose own layer is missing leaves the cell missing unless another one excludes it.
    """
    bare = np.zeros(window.shape, np.uint8)
    if recipe.outline is not None:
        bare[~coverage.covers_centre(recipe.outline, window)] = OUTSIDE
    notes.inside = int(np.count_nonzero(bare == FREE))
    if notes.inside == 0:
        yield from (_nothing(case, window) for case in recipe.cases)
        return
    shared = _read(recipe, window, recipe.shared_layers, bare, notes)
    held = {shapes.name: shapes.holds(window) for shapes in recipe.shapes}
    judgements: dict[tuple[str, Curve], FloatArray] = {}
    for at, case in enumerate(recipe.cases):
        values = shared | _read(recipe, window, case.layers - recipe.shared_layers, bare, notes)
        ground = bare.copy()
        tested = {shapes.name: shapes.holds(window) for shapes in case.shapes}
        for name, holds in (held | tested).items():
            notes.excluded[f"{at}:{name}"] = loops.exclude(np.ravel(holds), ground.reshape(-1))
        for test in case.tests:
            holds = test.holds(values[test.layer])
            notes.excluded[f"{at}:{test.name}"] = loops.exclude(np.ravel(holds), ground.reshape(-1))
            if at in with_values:
                tested[test.name] = holds
            loops.mark_missing(values[test.layer].reshape(-1), ground.reshape(-1))
        memberships = np.empty((len(case.criteria), *window.shape), np.float32)
        for i, criterion in enumerate(case.criteria):
            pair = criterion.layer, criterion.curve
            if pair in judgements:
                memberships[i] = judgements[pair]
                continue
            membership(values[criterion.layer], criterion.curve, out=memberships[i])
            if pair in recipe.shared_judgements:
                judgements[pair] = memberships[i].copy()
        judged = _overlaid(at, case, window, memberships, ground, notes)
        if at in with_values:
            raw = tuple(values[criterion.layer] for criterion in case.criteria)
            judged = replace(judged, values=raw, held=held | tested)
        if case.uncertainty is not None and case.uncertainty.asks:
            asked = (bare != OUTSIDE) & (ground != EXCLUDED)
            judged = replace(judged, meets=meets(case.uncertainty, values, asked))
        yield judged


def _read(
    recipe: Recipe, window: Window, names: frozenset[str], bare: GroundArray, notes: TileCounts
) -> dict[str, FloatArray]:
    if not names:
        return {}
    stacked = recipe.stack.read(window, names)
    notes.implausible |= stacked.implausible
    notes.read |= stacked.read
    if notes.inside == bare.size:
        notes.missing |= stacked.missing
    else:
        flat = bare.reshape(-1)
        notes.missing |= {n: loops.count_missing(values.reshape(-1), flat) for n, values in stacked.values.items()}
    return stacked.values


def _overlaid(
    at: int, case: CaseRecipe, window: Window, memberships: FloatArray, ground: GroundArray, notes: TileCounts
) -> JudgedBlock:
    outside = ground == OUTSIDE
    state = ground
    if outside.any():
        state = np.where(outside, np.uint8(MISSING), ground)
        memberships[:, outside] = np.nan  # as in a tile that lies outside altogether
    suitability, classes, weakest, gainful, missing_weight = judge(memberships, state, case.rules)
    counted = np.zeros((2, 4, 256), np.int64)
    loops.count_codes(classes.reshape(-1), weakest.reshape(-1), ground.reshape(-1), *counted)
    codes, limits = counted.sum(axis=1)
    notes.classes |= {f"{at}:{code}": int(codes[code]) for code in np.flatnonzero(codes)}
    names = {i: criterion.name for i, criterion in enumerate(case.criteria)} | {NOTHING_LIMITS: "nothing limits"}
    notes.weakest |= {f"{at}:{name}": int(limits[code]) for code, name in names.items() if limits[code]}
    return JudgedBlock(window, memberships, suitability, classes, weakest, gainful, missing_weight)


def _nothing(case: CaseRecipe, window: Window) -> JudgedBlock:
    codes = np.full(window.shape, 255, np.uint8)
    empty = np.full(window.shape, np.nan, np.float32)
    memberships = np.full((len(case.criteria), *window.shape), np.nan, np.float32)
    weight = empty if case.rules.missing == "renormalise" else None
    return JudgedBlock(window, memberships, empty, codes, codes, codes, weight)
