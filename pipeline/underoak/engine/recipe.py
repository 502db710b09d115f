"""What is done to every tile: layers in, memberships, constraints, overlay; the same on any worker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from numba import njit

from underoak.engine.reducer import Judged
from underoak.grid import Grid, Window
from underoak.layers import burn
from underoak.layers.stack import Stack
from underoak.overlay import NOTHING_LIMITS, Curve, Rules, judge, membership
from underoak.plan.constraint_spec import Comparison
from underoak.raster import FloatArray

FREE, EXCLUDED, MISSING, OUTSIDE = 0, 1, 2, 3  # outside the region's outline: missing, and not counted

GroundArray = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class LayerTest:
    """A constraint read from a layer: cells are excluded where the comparison holds."""

    name: str
    layer: str
    comparison: Comparison

    def holds(self, values: FloatArray) -> npt.NDArray[np.bool_]:
        """True where the cell is excluded; False where the value is missing. (rows, cols)"""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.comparison.holds(values) & ~np.isnan(values), np.bool_)


@dataclass(frozen=True, slots=True)
class Shapes:
    """A constraint drawn as polygons, in cell coordinates of the analysis grid."""

    name: str
    edges: burn.Edges
    exclude: str  # inside | outside
    touch: str  # centre | any

    def holds(self, window: Window) -> npt.NDArray[np.bool_]:
        """True where the cell is excluded, (rows, cols)."""
        draw = burn.touched if self.touch == "any" else burn.centres
        inside = draw(self.edges, window)
        return inside if self.exclude == "inside" else ~inside


@dataclass(frozen=True, slots=True)
class Criterion:
    """One judged thing: a layer and its response curve."""

    name: str
    layer: str
    curve: Curve


@dataclass(frozen=True)
class Recipe:
    """Everything a worker needs to judge a tile."""

    grid: Grid
    stack: Stack
    criteria: tuple[Criterion, ...]
    tests: tuple[LayerTest, ...]
    shapes: tuple[Shapes, ...]
    outline: burn.Edges | None
    rules: Rules


@dataclass
class Notes:
    """Counts a run keeps; all are whole numbers, so that the order of adding them changes nothing."""

    implausible: dict[str, int] = field(default_factory=dict)
    read: dict[str, int] = field(default_factory=dict)
    missing: dict[str, int] = field(default_factory=dict)  # layer -> analysis cells inside the region without a value
    excluded: dict[str, int] = field(default_factory=dict)  # constraint -> cells it excludes
    inside: int = 0  # cells inside the region
    classes: dict[str, int] = field(default_factory=dict)  # code -> cells inside the region
    weakest: dict[str, int] = field(default_factory=dict)  # criterion, or "nothing limits" -> judged cells

    def add(self, other: Notes) -> None:
        """Add another tile's counts."""
        for mine, theirs in zip(self._tables(), other._tables(), strict=True):
            for key, count in theirs.items():
                mine[key] = mine.get(key, 0) + count
        self.inside += other.inside

    def _tables(self) -> Sequence[dict[str, int]]:
        return self.implausible, self.read, self.missing, self.excluded, self.classes, self.weakest


def judge_window(recipe: Recipe, window: Window) -> tuple[Judged, Notes]:
    """The results on one window of the analysis grid.

    A cell outside the region's outline is missing. A constraint known to hold excludes a cell even where other layers
    are missing; a constraint whose own layer is missing leaves the cell missing unless another one excludes it.
    """
    notes = Notes()
    ground = np.zeros(window.shape, np.uint8)
    if recipe.outline is not None:
        ground[~burn.centres(recipe.outline, window)] = OUTSIDE
    notes.inside = int(np.count_nonzero(ground == FREE))
    if notes.inside == 0:
        return _nothing(recipe, window), notes
    stacked = recipe.stack.read(window)
    notes.implausible, notes.read = stacked.implausible, stacked.read
    notes.missing = {name: int(_missing(values, ground)) for name, values in stacked.values.items()}
    for shapes in recipe.shapes:
        notes.excluded[shapes.name] = int(_exclude(shapes.holds(window), ground))
    for test in recipe.tests:
        values = stacked.values[test.layer]
        notes.excluded[test.name] = int(_exclude(test.holds(values), ground))
        _doubt(values, ground)
    memberships = np.empty((len(recipe.criteria), *window.shape), np.float32)
    for i, criterion in enumerate(recipe.criteria):
        membership(stacked.values[criterion.layer], criterion.curve, out=memberships[i])
    codes = np.empty(256, np.int64)
    limits = np.empty(256, np.int64)
    inside = ground != OUTSIDE
    ground[~inside] = MISSING
    suitability, classes, weakest, gainful, missing_weight = judge(memberships, ground, recipe.rules)
    _count(classes, weakest, inside, codes, limits)
    notes.classes = {str(code): int(codes[code]) for code in np.flatnonzero(codes)}
    names = {i: criterion.name for i, criterion in enumerate(recipe.criteria)} | {NOTHING_LIMITS: "nothing limits"}
    notes.weakest = {name: int(limits[code]) for code, name in names.items() if limits[code]}
    return Judged(window, memberships, suitability, classes, weakest, gainful, missing_weight), notes


@njit(cache=True, nogil=True)
def _missing(values, ground):  # type: ignore[no-untyped-def]
    """Cells inside the region without a value."""
    count = 0
    for r in range(ground.shape[0]):
        for c in range(ground.shape[1]):
            count += ground[r, c] != OUTSIDE and values[r, c] != values[r, c]
    return count


@njit(cache=True, nogil=True)
def _exclude(holds, ground):  # type: ignore[no-untyped-def]
    """Mark the cells inside the region where a constraint holds; returns how many there are."""
    count = 0
    for r in range(ground.shape[0]):
        for c in range(ground.shape[1]):
            if holds[r, c] and ground[r, c] != OUTSIDE:
                ground[r, c] = EXCLUDED
                count += 1
    return count


@njit(cache=True, nogil=True)
def _doubt(values, ground):  # type: ignore[no-untyped-def]
    """Mark free cells as missing where a constraint's own layer is; another constraint may still exclude them."""
    for r in range(ground.shape[0]):
        for c in range(ground.shape[1]):
            if ground[r, c] == FREE and values[r, c] != values[r, c]:
                ground[r, c] = MISSING


@njit(cache=True, nogil=True)
def _count(classes, weakest, inside, codes, limits):  # type: ignore[no-untyped-def]
    codes[:] = 0
    limits[:] = 0
    for r in range(classes.shape[0]):
        for c in range(classes.shape[1]):
            if inside[r, c]:
                codes[classes[r, c]] += 1
                limits[weakest[r, c]] += 1


def _nothing(recipe: Recipe, window: Window) -> Judged:
    codes = np.full(window.shape, 255, np.uint8)
    empty = np.full(window.shape, np.nan, np.float32)
    memberships = np.full((len(recipe.criteria), *window.shape), np.nan, np.float32)
    weight = empty if recipe.rules.missing == "renormalise" else None
    return Judged(window, memberships, empty, codes, codes, codes, weight)
