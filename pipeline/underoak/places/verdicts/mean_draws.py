"""Draws of parcels on their sampled cells: in each draw a layer is shifted by one amount all over a parcel.

The engine draws every source cell; here a parcel's cells keep their differences and shift together, so that the mean of
each uncertain layer is that of the draw. That is coarser, and allows lab results.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.overlay import combine, membership
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.soil.lab_results import LabEffect, PooledResult

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

    A tested layer's draws keep their order and get the mean that is used and the standard deviation that remains: that
    of map and lab together, or that of the lab; 0 where none is stated.
    """
    if not lab.by_parcel:
        return spread
    place = {id: i for i, id in enumerate(spread.ids)}
    layer_at = {plan.criteria[k].layer: spread.judged_by[j] for j, k in enumerate(spread.drawn)}
    values, suitability = spread.values.copy(), spread.suitability.copy()
    memberships, steady = spread.memberships.copy(), spread.steady.copy()
    for id, pools in lab.by_parcel.items():
        parcel = place[id]
        part = lab.cells.of(parcel)
        for pooled in pools:
            if pooled.layer in layer_at:
                index = (parcel, layer_at[pooled.layer])
                values[index] = _rescale(values[index], pooled.used, sd_left(pooled, mode))
        shifted = replace(spread, values=values)
        drawn = drawn_memberships(plan, shifted, lab.cells, parcel, part)
        weight = lab.cells.weight[part]
        suitability[parcel] = _mean(_scores(plan, drawn), weight)
        memberships[parcel] = _mean(drawn[:, :, list(spread.drawn)].transpose(2, 0, 1), weight)
        steady[parcel] = _mean(lab.cells.memberships[part].T, weight)
    return replace(spread, suitability=suitability, memberships=memberships, steady=steady, values=values)


def sd_left(pooled: PooledResult, mode: str) -> float:
    """Return the standard deviation that remains of the value that is used.

    >>> round(sd_left(PooledResult("soil_ph", 7.3, 0.4, 7.8, 0.15, 7.738, 1), "update"), 4)
    0.1404
    """
    if pooled.lab_sd is None:
        return 0.0
    if mode == "update" and pooled.map_sd is not None:
        both = math.hypot(pooled.map_sd, pooled.lab_sd)
        return pooled.map_sd * pooled.lab_sd / both if both > 0.0 else 0.0
    return pooled.lab_sd


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
