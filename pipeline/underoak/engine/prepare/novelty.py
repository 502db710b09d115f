"""Where a future leaves what the region holds at present: curves then say more than anybody has seen there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Window
from underoak.engine.judge.recipe import Recipe
from underoak.engine.prepare.prepare import Prepared, PreparedCase
from underoak.engine.workers.tile import block_windows
from underoak.layers.shapes.coverage import covers_centre
from underoak.plan.case import Case
from underoak.plan.keys.constraints import LayerConstraint
from underoak.uncertainty import is_outside_range

BoolArray = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]
Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Driver:
    """A layer that a future replaces: its name in the plan, and those in the recipe, of the present and the future."""

    name: str
    present: str
    future: str


@dataclass(frozen=True, slots=True, eq=False)
class Novelty:
    """How much ground lies outside the present's range, (futures,) or by future and driver [cells]."""

    futures: tuple[tuple[Driver, ...], ...]
    weights: tuple[float, ...]  # of the futures
    cells: Doubles  # of the region, by plane
    parcels: Doubles | None = field(default=None)  # by parcel and plane, each cell by the share that a parcel covers

    def share(self, sums: Doubles) -> Doubles:
        """Share of the ground outside in some driver, on average over the futures by weight; NaN where none is known.

        `sums` (..., planes) are `cells` or `parcels`.
        """
        return self._mean(sums, [(at, at + 1) for at in self._starts])

    def by_driver(self, sums: Doubles) -> dict[str, Doubles]:
        """The same for each driver alone, a future that does not replace it counted as 0."""
        names = dict.fromkeys(driver.name for drivers in self.futures for driver in drivers)
        found = {}
        for name in names:
            pairs = []
            for at, drivers in zip(self._starts, self.futures, strict=True):
                own = [n for n, driver in enumerate(drivers) if driver.name == name]
                pairs.append((at, at + 2 + own[0] if own else None))
            found[name] = self._mean(sums, pairs)
        return found

    def by_future(self, sums: Doubles) -> Doubles:
        """Share of the ground outside in some driver in each future, (..., futures)."""
        starts = np.array(self._starts)
        with np.errstate(invalid="ignore", divide="ignore"):
            found: Doubles = sums[..., starts + 1] / sums[..., starts]
        return found

    @property
    def _starts(self) -> list[int]:
        return [0, *np.cumsum([2 + len(drivers) for drivers in self.futures])[:-1].tolist()]

    def _mean(self, sums: Doubles, pairs: Sequence[tuple[int, int | None]]) -> Doubles:
        mean = np.zeros(sums.shape[:-1])
        with np.errstate(invalid="ignore", divide="ignore"):
            for weight, (known, outside) in zip(self.weights, pairs, strict=True):
                whole = sums[..., known]
                mean += weight * (np.where(whole > 0.0, 0.0, np.nan) if outside is None else sums[..., outside] / whole)
        return mean


def drivers_of(present: PreparedCase, future: PreparedCase) -> tuple[Driver, ...]:
    """The layers with amounts that a future judges by and the present reads from elsewhere, in plan order."""
    plan = future.plan
    codes = {c.layer for c in plan.criteria if c.curve.kind == "table"}
    judged = [c.layer for c in plan.criteria] + [c.layer for c in plan.constraints if isinstance(c, LayerConstraint)]
    return tuple(
        Driver(name, present.stacked[name], future.stacked[name])
        for name in dict.fromkeys(judged)
        if name in present.stacked
        and present.stacked[name] != future.stacked[name]
        and name not in codes
        and plan.layers[name].kind != "classes"
    )


def drivers_by_future(prepared: Prepared, present: Case, futures: Iterable[Case]) -> tuple[tuple[Driver, ...], ...]:
    """Return the drivers of each scenario of a species."""
    return tuple(drivers_of(prepared.by_case[present], prepared.by_case[future]) for future in futures)


def ranges(recipe: Recipe, names: frozenset[str]) -> dict[str, Range]:
    """Least and greatest value of layers over the region, by the recipe's names; NaN for one without any.

    Every cell is looked at, block by block: tiles change nothing.
    """
    found: dict[str, Range] = dict.fromkeys(names, (np.nan, np.nan))
    for block in block_windows(recipe.grid.window) if names else ():
        inside = inside_of(recipe, block)
        if not inside.any():
            continue
        for name, values in recipe.stack.read(block, names).values.items():
            low, high = found[name]
            own = values[inside]
            found[name] = (
                float(np.fmin(low, np.fmin.reduce(own, initial=np.nan))),
                float(np.fmax(high, np.fmax.reduce(own, initial=np.nan))),
            )
    return found


def inside_of(recipe: Recipe, window: Window) -> BoolArray:
    """True inside the region, (rows, cols)."""
    return np.ones(window.shape, np.bool_) if recipe.outline is None else covers_centre(recipe.outline, window)


def planes(
    recipe: Recipe, futures: Sequence[Sequence[Driver]], reference: Mapping[str, Range], window: Window
) -> BoolArray:
    """Where ground lies outside the present's range, (planes, rows, cols).

    For each future: where some driver has a value, where some driver is outside, and where each of them is.
    """
    inside = inside_of(recipe, window)
    made: list[BoolArray] = []
    for drivers in futures:
        stacked = recipe.stack.read(window, frozenset(driver.future for driver in drivers)).values if drivers else {}
        values = [stacked[driver.future] for driver in drivers]
        each = [
            is_outside_range(own[None], *([bound] for bound in reference[driver.present])) & inside
            for driver, own in zip(drivers, values, strict=True)
        ]
        # a future that replaces no amounts is nowhere novel, and known everywhere
        known = np.any([~np.isnan(own) for own in values], axis=0) & inside if drivers else inside
        made += [known, np.any(each, axis=0) if drivers else np.zeros(window.shape, np.bool_), *each]
    return np.array(made)
