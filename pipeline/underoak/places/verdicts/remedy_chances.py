"""The probability of class S2 or better after lime alone, after water alone, and after both, for the best parcels.

Each draw keeps the suitability that the engine drew and gets what the remedies add on the parcel's sampled cells, whose
layers are shifted to the parcel's mean in the draw. So no remedy ever lowers the probability.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.base.number_words import TIE
from underoak.overlay import combine, membership
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import MOST_CHANCES, PARCELS
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.soil.amounts import WORDS
from underoak.places.soil.remedies import KINDS, WORTH_NAMING, Remedy, remedies_of
from underoak.places.verdicts.mean_draws import drawn_memberships

if TYPE_CHECKING:
    import pandas as pd

    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]


def with_remedy_chances(plan: Plan, table: pd.DataFrame, draws: ParcelDraws, cells: SampledCells) -> pd.DataFrame:
    """Return the table with P(S2 or better) after remedies: `p_with_lime`, `p_with_water`, `p_with_both`.

    A column is there where the plan allows its remedies. Parcels after the best `MOST_CHANCES` have no value.
    """
    every = remedies_of(plan)
    groups = {f"p_with_{WORDS[by]}": tuple(r for r in every if r.by == by) for by in KINDS}
    groups = {name: some for name, some in groups.items() if some}
    if len(groups) == len(KINDS):
        groups["p_with_both"] = tuple(remedy for some in groups.values() for remedy in some)
    if not groups:
        return table
    place = {id: i for i, id in enumerate(draws.ids)}
    columns = {name: np.full(len(table), np.nan) for name in groups}
    best = [row for row in range(len(table)) if table["p_s2"].iloc[row] >= 0.0][:MOST_CHANCES]
    for row in best:
        parcel, now = place[table["id"].iloc[row]], float(table["p_s2"].iloc[row])
        reached = _column_of_suitability(table, row)
        for name, remedies in groups.items():
            is_idle = reached[name] - float(table["suitability"].iloc[row]) < WORTH_NAMING and now >= 1.0
            columns[name][row] = now if is_idle else chance_after(plan, draws, cells, parcel, remedies)
    return arrange(table.assign(**columns), PARCELS)


def _column_of_suitability(table: pd.DataFrame, row: int) -> dict[str, float]:
    columns = {"p_with_lime": "with_lime", "p_with_water": "with_water", "p_with_both": "potential"}
    return {name: float(table[column].iloc[row]) for name, column in columns.items() if column in table}


def chance_after(plan: Plan, draws: ParcelDraws, cells: SampledCells, parcel: int, remedies: Sequence[Remedy]) -> float:
    """Return the share of draws in which a parcel is class S2 or better after some remedies."""
    part, rules = cells.of(parcel), plan.rules
    weight = cells.weight[part]
    before = drawn_memberships(plan, draws, cells, parcel, part)
    after = before.copy()
    for remedy in remedies:
        lifted = membership(remedy.lifted(_drawn_values(draws, cells, parcel, remedy.index)), remedy.curve)
        after[:, :, remedy.index] = np.fmax(after[:, :, remedy.index], lifted)
    settings = rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing
    scores = [
        np.asarray(combine(np.ascontiguousarray(each.transpose(2, 0, 1)), *settings), np.float64)
        for each in (before, after)
    ]
    gain = np.maximum(_mean(scores[1] - scores[0], weight), 0.0)
    rise = _mean((after - before).transpose(2, 0, 1), weight)  # (criteria, draws)
    one = replace(
        draws,
        ids=(draws.ids[parcel],),
        suitability=np.minimum(draws.suitability[[parcel]] + gain, 1.0),
        memberships=draws.memberships[[parcel]] + rise[list(draws.drawn)][None],
        steady=draws.steady[[parcel]] + rise.mean(axis=1)[None],  # a layer that is not drawn rises alike in all draws
        values=draws.values[[parcel]],
    )
    return float((one.capped(rules) >= rules.cuts[1] - TIE).mean())


def _drawn_values(draws: ParcelDraws, cells: SampledCells, parcel: int, k: int) -> Doubles:
    """Return values of a criterion's layer on a parcel's cells, (draws or 1, cells)."""
    part = cells.of(parcel)
    values = cells.values[part, k].astype(np.float64)
    if k not in draws.drawn:
        return values[None, :]
    means = draws.values[parcel, draws.judged_by[draws.drawn.index(k)]]
    known = ~np.isnan(values)
    if not known.any() or np.isnan(means).any():
        return values[None, :]
    weight = cells.weight[part][known]
    shifted: Doubles = values[None, :] + (means - float(weight @ values[known] / weight.sum()))[:, None]
    return shifted


def _mean(figures: npt.ArrayLike, weight: Doubles) -> Doubles:
    """Return the weighted mean over the last axis; missing figures count as no gain."""
    means: Doubles = np.nan_to_num(np.asarray(figures, np.float64)) @ weight / weight.sum()
    return means
