"""Novelty of scenarios: land with values outside the present range of the region, where curves extrapolate."""

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
    """A layer that a scenario replaces: its name in the plan, and those of both layers in the recipe."""

    name: str
    present: str
    scenario: str


@dataclass(frozen=True, slots=True, eq=False)
class Novelty:
    """An amount of land outside the present range [cells], by plane: see `novelty_planes`."""

    scenarios: tuple[tuple[Driver, ...], ...]
    weights: tuple[float, ...]  # of the scenarios
    cells: Doubles  # of the region, by plane
    parcels: Doubles | None = field(default=None)  # (parcels, planes), each cell by the share that the parcel covers

    def share(self, sums: Doubles) -> Doubles:
        """Return the share of land outside the present range in some driver: the weighted mean over scenarios.

        `sums` (..., planes) are `cells` or `parcels`. The share is NaN where no driver has a value.
        """
        return self._mean(sums, [(start, start + 1) for start in self._starts])

    def by_driver(self, sums: Doubles) -> dict[str, Doubles]:
        """Return `share` for each driver alone; a scenario that does not replace the driver counts as 0."""
        names = dict.fromkeys(driver.name for drivers in self.scenarios for driver in drivers)
        shares = {}
        for name in names:
            pairs = []
            for start, drivers in zip(self._starts, self.scenarios, strict=True):
                positions = [n for n, driver in enumerate(drivers) if driver.name == name]
                pairs.append((start, start + 2 + positions[0] if positions else None))
            shares[name] = self._mean(sums, pairs)
        return shares

    def by_scenario(self, sums: Doubles) -> Doubles:
        """Return the share of land outside the present range in some driver, (..., scenarios)."""
        starts = np.array(self._starts)
        with np.errstate(invalid="ignore", divide="ignore"):
            shares: Doubles = sums[..., starts + 1] / sums[..., starts]
        return shares

    @property
    def _starts(self) -> list[int]:
        return [0, *np.cumsum([2 + len(drivers) for drivers in self.scenarios])[:-1].tolist()]

    def _mean(self, sums: Doubles, pairs: Sequence[tuple[int, int | None]]) -> Doubles:
        mean = np.zeros(sums.shape[:-1])
        with np.errstate(invalid="ignore", divide="ignore"):
            for weight, (known, outside) in zip(self.weights, pairs, strict=True):
                n_known = sums[..., known]
                share = np.where(n_known > 0.0, 0.0, np.nan) if outside is None else sums[..., outside] / n_known
                mean += weight * share
        return mean


def drivers_of(present: PreparedCase, scenario: PreparedCase) -> tuple[Driver, ...]:
    """Return the numeric layers that a scenario judges by and replaces, in plan order."""
    plan = scenario.plan
    codes = {c.layer for c in plan.criteria if c.curve.kind == "table"}
    judged = [c.layer for c in plan.criteria] + [c.layer for c in plan.constraints if isinstance(c, LayerConstraint)]
    return tuple(
        Driver(name, present.stacked[name], scenario.stacked[name])
        for name in dict.fromkeys(judged)
        if name in present.stacked
        and present.stacked[name] != scenario.stacked[name]
        and name not in codes
        and plan.layers[name].kind != "classes"
    )


def drivers_by_scenario(prepared: Prepared, present: Case, scenarios: Iterable[Case]) -> tuple[tuple[Driver, ...], ...]:
    """Return the drivers of each scenario of a species."""
    return tuple(drivers_of(prepared.by_case[present], prepared.by_case[scenario]) for scenario in scenarios)


def ranges(recipe: Recipe, names: frozenset[str]) -> dict[str, Range]:
    """Return the least and greatest value of each layer over the region, by the recipe's names; NaN if it has none.

    Every cell is read, block by block, so the result does not depend on tiles.
    """
    by_layer: dict[str, Range] = dict.fromkeys(names, (np.nan, np.nan))
    for block in block_windows(recipe.grid.window) if names else ():
        inside = inside_of(recipe, block)
        if not inside.any():
            continue
        for name, values in recipe.stack.read(block, names).values.items():
            low, high = by_layer[name]
            values_inside = values[inside]
            by_layer[name] = (
                float(np.fmin(low, np.fmin.reduce(values_inside, initial=np.nan))),
                float(np.fmax(high, np.fmax.reduce(values_inside, initial=np.nan))),
            )
    return by_layer


def inside_of(recipe: Recipe, window: Window) -> BoolArray:
    """Return True inside the region, (rows, cols)."""
    return np.ones(window.shape, np.bool_) if recipe.outline is None else covers_centre(recipe.outline, window)


def novelty_planes(
    recipe: Recipe, scenarios: Sequence[Sequence[Driver]], reference: Mapping[str, Range], window: Window
) -> BoolArray:
    """Return masks of land outside the present range, (planes, rows, cols).

    For each scenario: where some driver has a value, where some driver is outside, and where each driver is outside.
    """
    inside = inside_of(recipe, window)
    planes: list[BoolArray] = []
    for drivers in scenarios:
        stacked = recipe.stack.read(window, frozenset(driver.scenario for driver in drivers)).values if drivers else {}
        values = [stacked[driver.scenario] for driver in drivers]
        each = [
            is_outside_range(driver_values[None], *([bound] for bound in reference[driver.present])) & inside
            for driver, driver_values in zip(drivers, values, strict=True)
        ]
        # a scenario without drivers is known everywhere and novel nowhere
        has_value = (
            np.any([~np.isnan(driver_values) for driver_values in values], axis=0) & inside if drivers else inside
        )
        planes += [has_value, np.any(each, axis=0) if drivers else np.zeros(window.shape, np.bool_), *each]
    return np.array(planes)
