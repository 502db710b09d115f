"""The weight change that would reverse the first two parcels, and the layers a parcel's suitability depends on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.overlay import Curve, Rules, combine, membership
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.ranking import columns_of, large_enough
from underoak.uncertainty import (
    Normal,
    SobolIndices,
    WeightChange,
    one_at_a_time,
    smallest_weight_change,
    smallest_weight_change_of,
    sobol_indices,
)

if TYPE_CHECKING:
    import pandas as pd

Doubles = npt.NDArray[np.float64]
_AT_ONCE = 2**20  # memberships judged at a time


class FirstTwo(NamedTuple):
    """The two best parcels, and the smallest change of one weight that makes them equal."""

    first: str
    second: str
    swap: WeightChange | None  # None: no weight alone can


def swap_of_first_two(
    table: pd.DataFrame, ids: Sequence[str], cells: SampledCells, criteria: Sequence[str], rules: Rules
) -> FirstTwo | None:
    """Return the smallest weight change that makes the two best parcels equal; the others keep their proportions.

    `table` as `rank_parcels` makes it; `ids` are those of the parcels whose `cells` were sampled. Like the ranks this
    uses mean suitability times the share not excluded: exactly, by mean memberships, under the linear rule; else by the
    sampled cells, corrected to the difference in the table. None with fewer than two judged parcels, and under rules
    without weights of criteria (the minimum; ordered by position).
    """
    judged = large_enough(table)
    if len(judged) < 2 or rules.rule == "minimum" or rules.order_weights is not None:
        return None
    two = judged.iloc[:2]
    free = 1.0 - two["excluded_share"].to_numpy(float)
    first, second = (str(id) for id in two["id"])
    if rules.rule == "linear" and rules.missing == "stop":
        means = two[[f"membership_{name}" for name in columns_of(criteria)]].to_numpy(float) * free[:, None]
        weighted = np.nan_to_num(means)  # a criterion without weight may have no value
        return FirstTwo(first, second, smallest_weight_change(weighted[0], weighted[1], rules.weights))
    place = {id: i for i, id in enumerate(ids)}
    parts = [cells.of(place[name]) for name in (first, second)]
    memberships = np.ascontiguousarray(np.concatenate([cells.memberships[part] for part in parts]).T)
    first_weights, second_weights = (cells.weight[part] for part in parts)
    n_first = len(first_weights)

    def sampled(weights: Sequence[float]) -> float:
        scores = _scores(memberships, rules, weights)
        first_mean = float(_means(scores[:n_first], first_weights))
        return first_mean * float(free[0]) - float(_means(scores[n_first:], second_weights)) * float(free[1])

    worth = two["suitability"].to_numpy(float) * free
    off = float(worth[0] - worth[1]) - sampled(rules.weights)
    return FirstTwo(first, second, smallest_weight_change_of(lambda weights: sampled(weights) + off, rules.weights))


class Sensitivity(NamedTuple):
    """How a parcel's suitability depends on each layer, (layers,) unless stated."""

    layers: tuple[str, ...]
    indices: SobolIndices
    swings: Doubles  # suitability with each layer alone at its 5 % and its 95 % quantile, (layers, 2)


def sensitivity_of(
    cells: SampledCells,
    parcel: int,
    criteria: Sequence[tuple[str, Curve]],
    rules: Rules,
    sds: Mapping[str, float],
    points: int = 256,
    seed: int = 1,
) -> Sensitivity | None:
    """Return the shares of the variance of a parcel's suitability by layer, and the effect of each layer alone.

    Each layer is shifted by one amount all over the parcel, normally distributed around 0: `sds` are standard
    deviations of the layers' means over the parcel, in the criteria's unit, by layer; `criteria` are layer and curve of
    each, in plan order. A layer of several criteria is shifted by the same amount in all of them. Suitability is the
    mean over the parcel's sampled cells, judged again by the curves. None where the parcel has no judged cell, or no
    criterion has an uncertain layer.
    """
    part = cells.of(parcel)
    layers = tuple(dict.fromkeys(layer for layer, _ in criteria if sds.get(layer, 0.0) > 0.0))
    if not layers or part.start == part.stop:
        return None
    values, given = cells.values[part].T, cells.memberships[part].T

    def score(shifts: Doubles) -> Doubles:
        count = shifts.shape[1]
        scores = np.empty(count)
        at_once = max(_AT_ONCE // values.size, 1)
        for start in range(0, count, at_once):
            layer_shifts = dict(zip(layers, shifts[:, start : start + at_once, None].astype(np.float32), strict=True))
            some = min(at_once, count - start)
            judged = [
                membership(values[k] + layer_shifts[layer], curve)
                if layer in layer_shifts
                else np.broadcast_to(given[k], (some, given.shape[1]))
                for k, (layer, curve) in enumerate(criteria)
            ]
            scores[start : start + some] = _means(_scores(np.array(judged), rules, rules.weights), cells.weight[part])
        return scores

    inputs = [Normal(0.0, sds[layer]) for layer in layers]
    return Sensitivity(layers, sobol_indices(score, inputs, points, seed=seed), one_at_a_time(score, inputs))


def _scores(memberships: npt.NDArray[np.float32], rules: Rules, weights: Sequence[float]) -> Doubles:
    """Return the suitability of cells from their memberships (criteria, ..., cells), (..., cells)."""
    return combine(memberships, weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)


def _means(scores: Doubles, cell_weights: Doubles) -> Doubles:
    """Return the mean suitability of a parcel's sampled cells (..., cells), (...); 0 where none is judged."""
    is_missing = np.isnan(scores)
    weight = np.where(is_missing, 0.0, cell_weights)
    total = weight.sum(axis=-1)
    sums: Doubles = (weight * np.where(is_missing, 0.0, scores)).sum(axis=-1)
    means: Doubles = np.divide(sums, total, out=np.zeros_like(sums), where=total > 0.0)
    return means
