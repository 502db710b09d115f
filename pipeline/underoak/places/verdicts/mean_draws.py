"""Draws of a few parcels on their sampled cells: each layer off by one amount all over a parcel, drawn by the engine.

The engine draws every source cell; here a parcel's cells keep their differences and move together, so that the mean of
each doubtful layer is what it is in that draw. That is coarser, and lets rules that are not linear, other weights and
a laboratory's results have their say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
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
    plan: Plan, spread: ParcelDraws, cells: SampledCells, parcel: int, at: npt.NDArray[np.int64] | slice
) -> Singles:
    """Memberships of some of a parcel's cells in every draw, (draws, cells, criteria).

    `at` are those cells among all; how far a layer is off in a draw is told by the mean over all of the parcel's.
    """
    own = cells.of(parcel)
    draws = spread.suitability.shape[1]
    steady = cells.memberships[at]
    made = np.repeat(steady[None].astype(np.float32), draws, axis=0)
    for j, k in enumerate(spread.drawn):
        drawn = spread.values[parcel, spread.judged_by[j]]
        values = cells.values[own, k].astype(np.float64)
        known = ~np.isnan(values)
        if not known.any() or np.isnan(drawn).any():
            continue
        mean = float(cells.weight[own][known] @ values[known] / cells.weight[own][known].sum())
        off = (drawn - mean).astype(np.float32)
        made[:, :, k] = membership(cells.values[at, k][None, :] + off[:, None], plan.criteria[k].curve)
    return made


def after_lab(plan: Plan, spread: ParcelDraws, lab: LabEffect, mode: str) -> ParcelDraws:
    """The draws, with those of tested parcels as the laboratory leaves them.

    A tested layer's draws keep their order and get the mean that is taken and the doubt that is left: that of map and
    laboratory together, or the laboratory's own; none where nobody says how far off it may be.
    """
    if not lab.by_parcel:
        return spread
    place = {id: i for i, id in enumerate(spread.ids)}
    layer_at = {plan.criteria[k].layer: spread.judged_by[j] for j, k in enumerate(spread.drawn)}
    values, suitability = spread.values.copy(), spread.suitability.copy()
    memberships, steady = spread.memberships.copy(), spread.steady.copy()
    for id, pools in lab.by_parcel.items():
        parcel = place[id]
        own = lab.cells.of(parcel)
        for pooled in pools:
            if pooled.layer in layer_at:
                at = (parcel, layer_at[pooled.layer])
                values[at] = _moved(values[at], pooled.taken, sd_left(pooled, mode))
        moved = replace(spread, values=values)
        drawn = drawn_memberships(plan, moved, lab.cells, parcel, own)
        weight = lab.cells.weight[own]
        suitability[parcel] = _mean(_scores(plan, drawn), weight)
        memberships[parcel] = _mean(drawn[:, :, list(spread.drawn)].transpose(2, 0, 1), weight)
        steady[parcel] = _mean(lab.cells.memberships[own].T, weight)
    return replace(spread, suitability=suitability, memberships=memberships, steady=steady, values=values)


def sd_left(pooled: PooledResult, mode: str) -> float:
    """How far off the value that is taken may still be.

    >>> round(sd_left(Pooled("soil_ph", 7.3, 0.4, 7.8, 0.15, 7.738, 1), "update"), 4)
    0.1404
    """
    if pooled.lab_sd is None:
        return 0.0
    if mode == "update" and pooled.map_sd is not None:
        both = math.hypot(pooled.map_sd, pooled.lab_sd)
        return pooled.map_sd * pooled.lab_sd / both if both > 0.0 else 0.0
    return pooled.lab_sd


def _moved(draws: Doubles, mean: float, sd: float) -> Doubles:
    own = draws.std()
    made: Doubles = mean + (draws - draws.mean()) * (sd / own if own > 0.0 else 0.0)
    return made


def _scores(plan: Plan, memberships: Singles) -> npt.NDArray[np.float64]:
    """Suitability from (draws, cells, criteria)."""
    rules = plan.rules
    given = np.ascontiguousarray(memberships.transpose(2, 0, 1))
    return np.asarray(
        combine(given, rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing), np.float64
    )


def _mean(figures: npt.ArrayLike, weight: Doubles) -> Doubles:
    """Weighted mean over the last axis, where there is a figure."""
    given = np.asarray(figures, np.float64)
    counts = np.where(np.isnan(given), 0.0, weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        made: Doubles = (counts * np.nan_to_num(given)).sum(axis=-1) / counts.sum(axis=-1)
    return made


def thinned(cells: SampledCells, parcels: Sequence[int], most: int) -> list[npt.NDArray[np.int64]]:
    """At most so many cells of each parcel, evenly through its rows: all of them where there are no more.

    >>> import numpy as np
    >>> from types import SimpleNamespace
    >>> [each.tolist() for each in thinned(SimpleNamespace(of=lambda i: slice(10, 16)), [0], 3)]
    [[11, 13, 15]]
    """
    chosen = []
    for parcel in parcels:
        own = cells.of(parcel)
        count = own.stop - own.start
        take = min(count, most)
        chosen.append(own.start + ((2 * np.arange(take) + 1) * count // (2 * max(take, 1))).astype(np.int64))
    return chosen
