"""Robustness over scenarios. Shares of futures are counts of what models say, never probabilities."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

Cells = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

Weigh = Literal["equal", "family"]


class Robustness(NamedTuple):
    """A summary of the scenarios at each cell; NaN where one of them has no value."""

    share: Cells  # of scenarios, by weight, at or above the threshold
    low: Cells
    median: Cells
    high: Cells


def scenario_weights(families: Sequence[str | None], weigh: Weigh = "equal") -> tuple[float, ...]:
    """Return weights of scenarios that sum to 1: each alike, or each model family alike and divided within it.

    Runs of one model are not independent; by family none counts twice. A scenario without a family counts as a family.

    >>> scenario_weights(["m1", "m1", "m2", None], "family")
    (0.16666666666666666, 0.16666666666666666, 0.3333333333333333, 0.3333333333333333)

    Raises:
        ValueError: without scenarios.
    """
    if not families:
        raise ValueError("there are no scenarios to weight")
    if weigh == "equal":
        return (1.0 / len(families),) * len(families)
    families_in_use = [name if name is not None else index for index, name in enumerate(families)]
    return tuple(1.0 / len(set(families_in_use)) / families_in_use.count(name) for name in families_in_use)


def robustness(values: npt.ArrayLike, at_least: float, weights: Sequence[float] | None = None) -> Robustness:
    """Return the share of scenarios of `at_least` or more, and the least, median and greatest, cell by cell.

    values (scenarios, ...): 0..1, NaN = missing; results have the shape behind the first axis. The share is the
    sum of the weights (equal by default) of those that reach it; values and threshold are compared as float32, as in
    classes. The median is weighted, and half-way between two where both are medians. Common practice, no source.

    >>> share, low, median, high = robustness(np.linspace(0.1, 0.8, 15), 0.25)
    >>> round(float(share), 6), round(float(median), 6)
    (0.8, 0.45)

    Raises:
        ValueError: without scenarios, or when there is not one weight of 0 or above for each, some above 0.
    """
    cells = np.asarray(values, np.float32, order="C")
    if cells.ndim == 0 or not len(cells):
        raise ValueError("there are no scenarios")
    shape = cells.shape[1:]
    scenario_shares = scenario_weights([None] * len(cells)) if weights is None else tuple(weights)
    total = math.fsum(scenario_shares)
    if (
        len(scenario_shares) != len(cells)
        or not all(weight >= 0.0 for weight in scenario_shares)
        or not 0.0 < total < math.inf
    ):
        raise ValueError(
            f"{len(scenario_shares)} weights for {len(cells)} scenarios; they are 0 or above, and not all 0"
        )
    from underoak.uncertainty.outcomes import robustness_kernels as kernels

    out = np.empty((4, *shape), np.float32)
    flat = cells.reshape(len(cells), -1)
    kernels.summarise(flat, np.array(scenario_shares) / total, np.float32(at_least), out.reshape(4, -1))
    return Robustness(*(plane[()] for plane in out))


def regret(values: npt.ArrayLike) -> Doubles:
    """Return the regret of each choice: over all scenarios, the most by which the best choice is better.

    values (choices, scenarios): NaN = missing; a choice without a value in some scenario has no regret, and is not
    the best there. Savage (1951), from memory. Returns (choices,).

    >>> regret([[0.9, 0.2], [0.6, 0.6]]).round(6).tolist()
    [0.4, 0.3]

    Raises:
        ValueError: when `values` is not (choices, scenarios).
    """
    table = np.asarray(values, np.float64)
    if table.ndim != 2:
        raise ValueError(f"values are (choices, scenarios), not {table.shape}")
    best = np.fmax.reduce(table, axis=0, initial=-np.inf)
    worst: Doubles = np.max(best - table, axis=1, initial=0.0)
    return worst


def is_outside_range(values: npt.ArrayLike, low: npt.ArrayLike, high: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Return where any driver lies outside the range of the reference: there curves extrapolate.

    values (drivers, ...), and the least and greatest of each driver in the reference, (drivers,). A missing value is
    not outside. Common practice, no source.

    >>> is_outside_range([[10.0, 31.0], [0.5, 0.5]], low=[8.0, 0.1], high=[30.0, 0.9]).tolist()
    [False, True]

    Raises:
        ValueError: when there is not one bound of each kind for each driver.
    """
    drivers = np.asarray(values, np.float64)
    bounds = np.asarray(low, np.float64), np.asarray(high, np.float64)
    if drivers.ndim == 0 or any(bound.shape != drivers.shape[:1] for bound in bounds):
        raise ValueError(f"{drivers.shape[:1]} drivers need a least and a greatest value each")
    least, most = (bound.reshape(-1, *[1] * (drivers.ndim - 1)) for bound in bounds)
    return np.asarray(((drivers < least) | (drivers > most)).any(axis=0))


def driver_effects(
    present: npt.ArrayLike, scenario: npt.ArrayLike, score: Callable[[Doubles], npt.ArrayLike]
) -> Doubles:
    """Return how each driver alone changes the score, as in the scenario, with all others as at present.

    present, scenario (drivers, ...); `score` takes such an array and returns the shape behind its first axis. Returns
    the changes, (drivers, ...). With a linear score they add up to the full change; else the rest is their interaction.
    Common practice, no source.

    >>> driver_effects([0.8, 0.5], [0.4, 0.6], lambda m: 0.5 * m[0] + 0.5 * m[1]).round(6).tolist()
    [-0.2, 0.05]

    Raises:
        ValueError: when the two differ in shape.
    """
    now, then = np.asarray(present, np.float64), np.asarray(scenario, np.float64)
    if now.shape != then.shape or now.ndim == 0:
        raise ValueError(f"drivers are {now.shape} at present and {then.shape} in the scenario")
    before = np.asarray(score(now), np.float64)
    effects = np.empty(now.shape)
    for i in range(len(now)):
        swapped = now.copy()
        swapped[i] = then[i]
        effects[i] = np.asarray(score(swapped), np.float64) - before
    return effects
