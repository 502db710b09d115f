"""Sources of the values of parcels in draws of weights and data, for their ranks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.overlay import Rules
from underoak.overlay.combine import kernel_rules
from underoak.uncertainty.draws.weight_draws import WeightDistribution

Floats = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating[Any]]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_AT_ONCE = 1024  # draws of the weights


@dataclass(frozen=True, slots=True, eq=False)
class ParcelCells:
    """A table of cells of every parcel, all or a fair draw, for rules that need more than mean memberships.

    memberships (cells, criteria) or (data draws, cells, criteria), NaN = missing; `stands_for` (cells,): for how many
    cells each counts; the cells of parcel i are offsets[i] to offsets[i + 1]. Means are weighted by it: exact with all
    cells, right on average with a fair draw (but for the small bias of a ratio when weights differ).
    """

    memberships: Values
    stands_for: Floats
    offsets: Places


@dataclass(frozen=True, slots=True, eq=False)
class JointDraws:
    """A table of the values of parcels in joint draws: draw n has weights n, and data draw n % data_draws."""

    values: Floats  # (parcels, draws), NaN = not judged
    weights: Floats  # (draws, criteria)
    data_draws: int


@dataclass(frozen=True, slots=True)
class WeightDraws:
    """The draws of the weights."""

    draws: int
    seed: int
    spread: WeightDistribution
    names: tuple[str, ...] | None

    def over(self, source: Means | OverCells) -> Iterator[tuple[int, Floats, Floats]]:
        """Yield the data draw, the weights and the values of every draw; the data draws share the weights evenly."""
        values = np.empty(source.parcels)
        for start in range(0, self.draws, _AT_ONCE):
            some = min(_AT_ONCE, self.draws - start)
            for n, weights in enumerate(self.spread.draw(some, self.seed, start, self.names), start):
                data = n * source.data_draws // self.draws
                source.fill(data, weights, values)
                yield data, weights, values


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """A source of values that were drawn together with the weights."""

    table: JointDraws
    scale: Floats

    @property
    def draws(self) -> int:
        """Number of draws."""
        return int(self.table.values.shape[1])

    @property
    def data_draws(self) -> int:
        """Number of draws of the data."""
        return self.table.data_draws

    @property
    def parcels(self) -> int:
        """Number of parcels."""
        return len(self.table.values)

    @property
    def criteria(self) -> int:
        """Number of criteria."""
        return int(self.table.weights.shape[1])

    def judged(self, spread: WeightDistribution) -> Flags:
        """Return which parcels have a value under any weights."""
        judged: Flags = np.isfinite(self.scale) & np.isfinite(self.table.values).all(axis=1)
        return judged

    def of(self, parcels: Places) -> Joint:
        """Return the source of these parcels only."""
        return Joint(replace(self.table, values=self.table.values[parcels]), self.scale[parcels])

    def each_draw(self, draws: WeightDraws) -> Iterator[tuple[int, Floats, Floats]]:
        """Yield the data draw, the weights and the values of every draw, data draw by data draw."""
        for data in range(min(self.data_draws, self.draws)):
            for n in range(data, self.draws, self.data_draws):
                yield data, self.table.weights[n], self.table.values[:, n] * self.scale


@dataclass(frozen=True, slots=True, eq=False)
class Means:
    """A source of values under the linear rule, from the mean memberships of parcels."""

    memberships: Values  # (data draws, parcels, criteria)
    scale: Floats

    @property
    def data_draws(self) -> int:
        """Number of draws of the data."""
        return int(self.memberships.shape[0])

    @property
    def parcels(self) -> int:
        """Number of parcels."""
        return int(self.memberships.shape[1])

    @property
    def criteria(self) -> int:
        """Number of criteria."""
        return int(self.memberships.shape[2])

    def judged(self, spread: WeightDistribution) -> Flags:
        """Return which parcels have a value under any weights."""
        idle = ~_weighing(spread)
        known = np.isfinite(self.scale)
        for data in self.memberships:  # one at a time: a mask of all would be large
            known &= (np.isfinite(data) | idle).all(axis=1)
        return known

    def of(self, parcels: Places) -> Means:
        """Return the source of these parcels only."""
        if np.array_equal(parcels, np.arange(self.parcels)):
            return self
        return Means(np.ascontiguousarray(self.memberships[:, parcels]), self.scale[parcels])

    def fill(self, data: int, weights: Floats, out: Floats) -> None:
        """Write the value of each parcel in one data draw under these weights."""
        from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

        kernels.weighted(self.memberships[data], weights, self.scale, out)

    def each_draw(self, draws: WeightDraws) -> Iterator[tuple[int, Floats, Floats]]:
        """Yield the data draw, the weights and the values of every draw, data draw by data draw."""
        return draws.over(self)


@dataclass(frozen=True, slots=True, eq=False)
class OverCells:
    """A source of values that are means over cells, under any rule."""

    memberships: Values  # (data draws, criteria, cells)
    stands_for: Floats
    offsets: Places
    scale: Floats
    rules: Rules

    @property
    def data_draws(self) -> int:
        """Number of draws of the data."""
        return int(self.memberships.shape[0])

    @property
    def parcels(self) -> int:
        """Number of parcels."""
        return len(self.offsets) - 1

    @property
    def criteria(self) -> int:
        """Number of criteria."""
        return int(self.memberships.shape[1])

    def judged(self, spread: WeightDistribution) -> Flags:
        """Return which parcels have a value under any weights."""
        known = np.isfinite(self.scale)
        value = np.empty(self.parcels)
        for data in range(self.data_draws):
            self.fill(data, spread.draw(1)[0], value)
            known &= np.isfinite(value)
        return known

    def of(self, parcels: Places) -> OverCells:
        """Return the source of these parcels only."""
        if np.array_equal(parcels, np.arange(self.parcels)):
            return self
        sizes = np.diff(self.offsets)[parcels]
        offsets = np.concatenate(([0], np.cumsum(sizes)))
        cells = np.arange(offsets[-1]) + np.repeat(self.offsets[parcels] - offsets[:-1], sizes)
        some = np.ascontiguousarray(self.memberships[:, :, cells])
        return replace(
            self, memberships=some, stands_for=self.stands_for[cells], offsets=offsets, scale=self.scale[parcels]
        )

    def fill(self, data: int, weights: Floats, out: Floats) -> None:
        """Write the value of each parcel in one data draw under these weights."""
        from underoak.overlay import combine_kernels as overlay
        from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

        rules = self.rules
        drawn = weights.tolist()
        terms = kernel_rules(drawn, rules.rule, rules.order_weights, rules.alpha, rules.missing, limits=False)
        scores = np.empty(len(self.stands_for))
        overlay.combine(self.memberships[data], terms, scores)
        kernels.averaged(scores, self.stands_for, self.offsets, self.scale, out)

    def each_draw(self, draws: WeightDraws) -> Iterator[tuple[int, Floats, Floats]]:
        """Yield the data draw, the weights and the values of every draw, data draw by data draw."""
        return draws.over(self)


RankSource = Means | OverCells | Joint


def _weighing(spread: WeightDistribution) -> Flags:
    """Return which criteria can have a weight above 0."""
    result: Flags = spread.draw(16).max(axis=0) > 0.0
    return result


def rank_source(
    given: npt.ArrayLike | ParcelCells | JointDraws, rules: Rules | None, scale: npt.ArrayLike | None
) -> RankSource:
    """Return the source of the values of parcels.

    Raises:
        ValueError: when shapes do not fit, or a rule needs cells.
    """
    rule = "linear" if rules is None else rules.rule
    if isinstance(given, JointDraws):
        if given.values.ndim != 2 or given.weights.shape[:1] != given.values.shape[1:] or given.data_draws < 1:
            raise ValueError(f"values {given.values.shape} and weights {given.weights.shape} of joint draws do not fit")
        return Joint(given, _scale(scale, len(given.values)))
    if isinstance(given, ParcelCells):
        cells = _as_floats(given.memberships)
        cells = cells[None] if cells.ndim == 2 else cells
        offsets = np.asarray(given.offsets, np.int64)
        stands_for = np.asarray(given.stands_for, np.float64)
        fits = cells.ndim == 3 and cells.shape[1] == len(stands_for) == offsets[-1] and cells.shape[2] > 0
        if not fits or offsets[0] != 0 or (np.diff(offsets) < 0).any():
            raise ValueError(f"cells {np.shape(given.memberships)}, {len(stands_for)} weights and offsets do not fit")
        each = _scale(scale, len(offsets) - 1)
        by_criterion = np.ascontiguousarray(cells.transpose(0, 2, 1))
        return OverCells(by_criterion, stands_for, offsets, each, rules or Rules((1.0,) * cells.shape[2]))
    if rule != "linear":
        raise ValueError(f"the rule {rule} needs the cells of each parcel: its mean memberships do not settle it")
    means = _as_floats(given)
    means = means[None] if means.ndim == 2 else means
    if means.ndim != 3 or means.shape[0] == 0 or means.shape[2] == 0:
        raise ValueError(f"memberships are {np.shape(given)}, not ([data draws,] parcels, criteria)")
    return Means(means, _scale(scale, means.shape[1]))


def _as_floats(given: npt.ArrayLike) -> Values:
    values = np.asarray(given)
    return np.asarray(values, values.dtype if values.dtype in (np.float32, np.float64) else np.float64, order="C")


def _scale(scale: npt.ArrayLike | None, parcels: int) -> Floats:
    if scale is None:
        return np.ones(parcels)
    each = np.asarray(scale, np.float64)
    if each.shape != (parcels,):
        raise ValueError(f"scale is {each.shape}, but there are {parcels} parcels")
    return each
