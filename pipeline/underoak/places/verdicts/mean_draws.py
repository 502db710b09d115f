"""Draws of parcels on their sampled cells: in each draw a layer is shifted by one amount all over a parcel.

The engine draws every source cell; here a parcel's cells keep their differences and shift together, so that the mean of
each uncertain layer is that of the draw. That is coarser, and allows lab results.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.overlay import combine, membership
from underoak.places.lab.effect import LabEffect, PooledResult
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws

if TYPE_CHECKING:
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]


def drawn_memberships(
    plan: Plan, spread: ParcelDraws, cells: SampledCells, parcel: int, cell_indices: npt.NDArray[np.int64] | slice
) -> Singles:
    """Return the memberships of some of a parcel's cells in every draw, (draws, cells, criteria).

    The shift of a layer in a draw is that of its mean over all cells of the parcel.
    """
    part = cells.of(parcel)
    draws = spread.suitability.shape[1]
    steady = cells.memberships[cell_indices]
    memberships = np.repeat(steady[None].astype(np.float32), draws, axis=0)
    for j, k in enumerate(spread.drawn):
        drawn = spread.values[parcel, spread.judged_by[j]]
        values = cells.values[part, k].astype(np.float64)
        known = ~np.isnan(values)
        if not known.any() or np.isnan(drawn).any():
            continue
        mean = float(cells.weight[part][known] @ values[known] / cells.weight[part][known].sum())
        shift = (drawn - mean).astype(np.float32)
        memberships[:, :, k] = membership(
            cells.values[cell_indices, k][None, :] + shift[:, None], plan.criteria[k].curve
        )
    return memberships


def after_lab(plan: Plan, spread: ParcelDraws, lab: LabEffect, mode: str) -> ParcelDraws:
    """Return the draws, with those of tested parcels changed by the lab results.

    On the land that a result stands for, the draws of the layer keep their order and get the mean that is used and the
    standard deviation that remains: that of map and lab together, or that of the lab; 0 where none is stated. On other
    land of the parcel they stay.
    """
    if not lab.changed:
        return spread
    place = {id: i for i, id in enumerate(spread.ids)}
    values, suitability = spread.values.copy(), spread.suitability.copy()
    memberships, steady = spread.memberships.copy(), spread.steady.copy()
    for id in lab.changed:
        pools, parcel = lab.used_on(id), place[id]
        part = lab.cells.of(parcel)
        weight = lab.cells.weight[part]
        drawn = _memberships(spread, lab.cells, part)
        for j, k in enumerate(spread.drawn):
            tested = [pooled for pooled in pools if pooled.layer == plan.criteria[k].layer]
            index = (parcel, spread.judged_by[j])
            cell_values = _drawn_cells(lab.cells, part, k, spread.values[index], tested, mode)
            if cell_values is None:
                continue
            drawn[:, :, k] = membership(cell_values.astype(np.float32), plan.criteria[k].curve)
            if tested:
                values[index] = _mean(cell_values, weight)
        suitability[parcel] = _mean(_scores(plan, drawn), weight)
        memberships[parcel] = _mean(drawn[:, :, list(spread.drawn)].transpose(2, 0, 1), weight)
        steady[parcel] = _mean(lab.cells.memberships[part].T, weight)
    return replace(spread, suitability=suitability, memberships=memberships, steady=steady, values=values)


def _memberships(spread: ParcelDraws, cells: SampledCells, at: npt.NDArray[np.int64] | slice) -> Singles:
    """Return the memberships of cells, the same in every draw, (draws, cells, criteria)."""
    return np.repeat(cells.memberships[at][None].astype(np.float32), spread.suitability.shape[1], axis=0)


def _drawn_cells(
    cells: SampledCells, part: slice, k: int, means: Doubles, tested: Sequence[PooledResult], mode: str
) -> Doubles | None:
    """Return values of a criterion's layer on a parcel's cells in every draw, (draws, cells); None where unknown.

    `cells` are those after the results, `means` (draws,) those of the map over the parcel before them.
    """
    values, weight = cells.values[part, k].astype(np.float64), cells.weight[part]
    known = ~np.isnan(values)
    if not known.any() or np.isnan(means).any():
        return None
    before = values.copy()
    for pooled in tested:
        before[_within(pooled, part)] -= pooled.used - pooled.map
    shift = means - float(weight[known] @ before[known] / weight[known].sum())
    drawn: Doubles = before[None, :] + shift[:, None]
    for pooled in tested:
        at = _within(pooled, part)
        drawn[:, at] = values[at][None, :] + _rescale(means, 0.0, pooled.sd_left(mode))[:, None]
    return drawn


def _within(pooled: PooledResult, part: slice) -> npt.NDArray[np.int64]:
    """Return the cells that a result stands for, counted from the parcel's first."""
    return np.arange(part.stop - part.start) if pooled.cells is None else pooled.cells - part.start


def _rescale(draws: Doubles, mean: float, sd: float) -> Doubles:
    before = draws.std()
    rescaled: Doubles = mean + (draws - draws.mean()) * (sd / before if before > 0.0 else 0.0)
    return rescaled


def _scores(plan: Plan, memberships: Singles) -> npt.NDArray[np.float64]:
    """Return the suitability for memberships (draws, cells, criteria), (draws, cells)."""
    rules = plan.rules
    given = np.ascontiguousarray(memberships.transpose(2, 0, 1))
    return np.asarray(
        combine(given, rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing), np.float64
    )


def _mean(figures: npt.ArrayLike, weight: Doubles) -> Doubles:
    """Return the weighted mean over the last axis, without missing figures."""
    given = np.asarray(figures, np.float64)
    counts = np.where(np.isnan(given), 0.0, weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        means: Doubles = (counts * np.nan_to_num(given)).sum(axis=-1) / counts.sum(axis=-1)
    return means
