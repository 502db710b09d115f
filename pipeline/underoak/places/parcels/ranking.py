"""The table of parcels made from their sums: suitability, class, limiting factors, rank.

`valid_share` is the share of a parcel's land, less what is excluded, whose suitability is known; land off the map
counts as unknown. Excluded land does not lower it, because its state is certain. A parcel with less than half known is
not judged, with a reason. The rank follows the mean suitability of judged land times the share that is not excluded.
Parcels that are too small to use rank after the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault
from underoak.base.number_words import TIE, hectares
from underoak.places.answers.limits import NoLimit, Side
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import PARCELS
from underoak.places.parcels.parcel_sums import ParcelSums

if TYPE_CHECKING:
    import pandas as pd

    from underoak.overlay import Curve, Rules
    from underoak.places.parcels.usable import UsableLand

Doubles = npt.NDArray[np.float64]
CLASSES = ("S1", "S2", "S3", "N")
VALID_AT_LEAST = 0.5
AFTER_ALL = 2.0  # more than any two values to rank by differ
OVERLAP_SHOWN = 0.001


def rank_parcels(
    sums: ParcelSums,
    criteria: tuple[str, ...],
    rules: Rules,
    curves: Sequence[Curve] = (),
    constraints: Sequence[str] = (),
    usable: UsableLand | None = None,
) -> pd.DataFrame:
    """Return one row for every parcel, best first; parcels that are not judged follow by id.

    With `usable`, those that are too small rank after all others that are judged, and the table has `usable_ha`,
    `trees` where rows are planted, and `too_small`.

    The columns are those of `columns.parcels` that a run always has. Ranks: values within 1e-6 share one, and the next
    counts all before it. Criteria and constraints that tie within 1e-6 are all named. `gain` is that of the parcel's
    mean memberships with the first most gainful criterion at 1. `value_` and `side_` need curves, and are left out for
    class codes. Ids are ordered as text, so "10" stands before "9".
    """
    import pandas as pd

    with np.errstate(invalid="ignore", divide="ignore"):
        free = sums.area - sums.excluded
        valid_share = np.where(free > TIE * sums.area, sums.judged / free, np.nan)
        excluded_share = sums.excluded / sums.area
        mean = sums.suitability / sums.judged
        means = sums.membership / sums.known
        classes = sums.classes / sums.judged[:, None]
        weakest, gainful = sums.weakest / sums.judged[:, None], sums.gainful / sums.judged[:, None]
        overlap = sums.shared / sums.area
        values = sums.value / sums.known if curves else np.empty((len(sums.ids), 0))
    excluded_by = _excluded_by(sums, constraints)
    reasons = _reasons(sums, valid_share, excluded_by)
    judged = np.array([reason is None for reason in reasons], np.bool_)
    columns: dict[str, Any] = {"id": sums.ids, "rank": 0, "suitability": np.where(judged, mean, np.nan)}
    names, lowered = classes_of(mean, means, rules), _lowered_by_essential(mean, means, rules)
    columns["class"] = [name if is_judged else None for name, is_judged in zip(names, judged, strict=True)]
    for i, name in enumerate(CLASSES):
        columns[f"share_{name.lower()}"] = np.where(judged, classes[:, i], np.nan)
    columns["valid_share"], columns["excluded_share"] = np.minimum(valid_share, 1.0), np.minimum(excluded_share, 1.0)
    columns["held_by"] = held_by(mean, means, rules, criteria, judged)
    for name, shares in (("limiting", weakest), ("most_gainful", gainful)):
        columns[name] = _limits(shares, judged, criteria)
        columns[f"{name}_share"] = np.where(judged, shares.max(axis=1, initial=0.0), np.nan)
    for row in np.flatnonzero(lowered.any(axis=0) & judged).tolist():
        lowering = np.flatnonzero(lowered[:, row])
        columns["limiting"][row] = tuple(criteria[k] for k in lowering.tolist())
        columns["limiting_share"][row] = weakest[row, lowering].max()
    columns["gain"] = np.where(judged, _gain(means, gainful, rules), np.nan)
    columns |= {"area_ha": sums.area_ha, "cells": sums.covered, "overlap_share": np.minimum(overlap, 1.0)}
    is_small = np.zeros(len(sums.ids), np.bool_)
    if usable is not None:
        is_small = judged & np.array([why is not None for why in usable.too_small], np.bool_)
        columns["usable_ha"] = np.where(judged, usable.ha, np.nan)
        if usable.trees is not None:
            columns["trees"] = pd.array([count if count >= 0 else None for count in np.where(judged, usable.trees, -1)])
        columns["too_small"] = [why if small else None for why, small in zip(usable.too_small, is_small, strict=True)]
    columns["excluded_by"] = [names or None for names in excluded_by]
    columns["reason"] = reasons
    stems = columns_of(criteria)
    for i, name in enumerate(stems):
        columns[f"membership_{name}"] = np.where(judged, means[:, i], np.nan)
    texts = ["id", "class", "held_by", "limiting", "most_gainful", "excluded_by", "reason"]
    texts += ["too_small"] if usable is not None else []
    for i, curve in enumerate(curves):
        if curve.kind != "table":
            columns[f"value_{stems[i]}"] = np.where(judged, values[:, i], np.nan)
            columns[f"side_{stems[i]}"] = _sides(sums.below[:, i], sums.above[:, i], sums.known[:, i], judged)
            texts.append(f"side_{stems[i]}")
    table = pd.DataFrame(columns | {name: pd.Series(columns[name], dtype=object) for name in texts})
    table = arrange(table, PARCELS)
    value = mean * (1.0 - excluded_share)
    ranks = _ranks(np.where(is_small, value - AFTER_ALL, value), judged)
    order = np.lexsort((np.argsort(np.argsort(np.array(sums.ids, object), kind="stable")), ranks))
    table["rank"] = pd.array([rank if rank < len(ranks) + 1 else None for rank in ranks], dtype="Int64")
    return table.iloc[order].reset_index(drop=True)


def large_enough(table: pd.DataFrame) -> pd.DataFrame:
    """Return the judged parcels of a ranked table that are not too small to use."""
    is_judged = table["rank"].notna()
    return table[is_judged & table["too_small"].isna()] if "too_small" in table else table[is_judged]


def outranked(table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which parcels of a ranked table stand below one of lower suitability, (rows,).

    >>> import pandas as pd
    >>> outranked(pd.DataFrame({"rank": [1, 2, None], "suitability": [0.6, 0.7, float("nan")]})).tolist()
    [False, True, False]
    """
    suitability = np.where(table["rank"].notna(), table["suitability"].to_numpy(float), np.nan)
    lowest_before = np.fmin.accumulate(np.concatenate([[np.inf], suitability]))[:-1]
    is_below: npt.NDArray[np.bool_] = suitability > lowest_before + TIE
    return is_below


def columns_of(criteria: Sequence[str]) -> list[str]:
    """Return what follows `membership_`, `value_` and `side_` in names of columns, which must differ beyond case.

    >>> columns_of(["ph", "pH", "clay"])
    ['ph', 'pH_2', 'clay']
    """
    twins = [any(name.lower() == other.lower() for other in criteria[:i]) for i, name in enumerate(criteria)]
    return [f"{name}_{i}" if twin else name for i, (name, twin) in enumerate(zip(criteria, twins, strict=True), 1)]


def _sides(below: Doubles, above: Doubles, known: Doubles, judged: npt.NDArray[np.bool_]) -> list[Side | None]:
    """Return the side on which more is lost; None where nothing is, both sides are equal, or nothing is judged."""
    least = TIE * known
    has_side = judged & (np.maximum(below, above) > least) & (np.abs(below - above) > least)
    return [
        (Side.LOW if is_low else Side.HIGH) if has else None
        for has, is_low in zip(has_side, below > above, strict=True)
    ]


def overlap_warning(table: pd.DataFrame) -> Fault | None:
    """Return W430 when parcels overlap by more than a thousandth of themselves; None when none does.

    `table` has the columns `id`, `area_ha` and `overlap_share`.
    """
    over = table[table["overlap_share"] > OVERLAP_SHOWN]
    if over.empty:
        return None
    ha = float((over["overlap_share"] * over["area_ha"]).sum())
    some = ", ".join(over["id"].sort_values().head(5))
    parcels = f"{len(over)} parcels overlap others" if len(over) > 1 else "1 parcel overlaps another"
    what = (
        f"{parcels}, {hectares(ha)} of {'them' if len(over) > 1 else 'it'} at least "
        f"({some}{', ...' if len(over) > 5 else ''})"
    )
    return Fault("W430", f"{what}: each is judged by itself, and their areas must not be added up", "parcels")


def classes_of(mean: Doubles, means: Doubles, rules: Rules) -> list[str]:
    """Return the class of each mean suitability, held by the cap and by essential criteria as that of a cell is."""
    from underoak.overlay import class_name, classify

    weighted = np.array(rules.weights) > 0.0
    least = np.fmin.reduce(means[:, weighted], axis=1, initial=np.inf)  # a criterion without data does not limit
    essential = np.fmin.reduce(means[:, list(rules.essential)], axis=1, initial=np.inf)
    return [class_name(int(code)) for code in classify(mean, least, rules.cuts, rules.cap, essential)]


def held_by(
    mean: Doubles, means: Doubles, rules: Rules, criteria: Sequence[str], judged: npt.NDArray[np.bool_]
) -> list[tuple[str, ...] | None]:
    """Return the criteria that hold the class of each mean suitability below that of the score; None where none do."""
    from underoak.overlay import holding

    holds = holding(mean, means.T, rules) & judged
    return [tuple(criteria[k] for k in np.flatnonzero(row).tolist()) or None for row in holds.T]


def _lowered_by_essential(mean: Doubles, means: Doubles, rules: Rules) -> npt.NDArray[np.bool_]:
    """Return True for the lowest essential criteria where they alone lower the class, (criteria, parcels)."""
    lowered = np.zeros(means.T.shape, np.bool_)
    if not rules.essential:
        return lowered
    free = classes_of(mean, means, replace(rules, essential=()))
    moved = np.array([a != b for a, b in zip(free, classes_of(mean, means, rules), strict=True)], np.bool_)
    essential = list(rules.essential)
    least = np.fmin.reduce(means[:, essential], axis=1)
    lowered[essential] = moved & (least + TIE >= means[:, essential].T)
    return lowered


def _gain(means: Doubles, gainful: Doubles, rules: Rules) -> Doubles:
    """Return the rise of suitability with the first most gainful criterion at 1; exact under the linear rule."""
    from underoak.overlay import combine

    settings = (rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    first = np.argmax(gainful >= gainful.max(axis=1, keepdims=True) - TIE, axis=1)
    raised = means.copy()
    limited = np.flatnonzero(first < means.shape[1])
    raised[limited, first[limited]] = 1.0
    rise: Doubles = combine(raised.T, *settings) - combine(means.T, *settings)
    return rise


def _excluded_by(sums: ParcelSums, constraints: Sequence[str]) -> list[tuple[str, ...]]:
    """Return the constraints that exclude most of each parcel, all that tie; none where none does."""
    if not constraints:
        return [()] * len(sums.ids)
    most = sums.excluded_by.max(axis=1, initial=0.0)
    ties = sums.excluded_by >= (most - TIE * sums.area)[:, None]
    return [
        tuple(constraints[i] for i in np.flatnonzero(row).tolist()) if share > 0 else ()
        for row, share in zip(ties, most, strict=True)
    ]


def _reasons(sums: ParcelSums, valid_share: Doubles, excluded_by: Sequence[tuple[str, ...]]) -> list[NotJudged | None]:
    """Return why each parcel is not judged; None for those that are."""
    outside = sums.area - sums.covered + sums.beyond
    missing = sums.covered - sums.judged - sums.excluded - sums.beyond
    reasons = list(sums.refused)
    is_unknown = ~(valid_share >= VALID_AT_LEAST)
    is_all_excluded = (sums.area > 0) & np.isnan(valid_share)
    is_mostly_excluded = is_unknown & (sums.excluded > sums.area / 2)
    for i in np.flatnonzero(is_unknown | is_all_excluded).tolist():
        if reasons[i] is not None:
            continue
        if is_all_excluded[i]:
            reasons[i] = NotJudged(Cause.ALL_EXCLUDED, excluded_by[i])
        elif is_mostly_excluded[i]:
            reasons[i] = NotJudged(Cause.MOSTLY_EXCLUDED, excluded_by[i])
        else:
            is_off_map = bool(outside[i] >= missing[i])
            reasons[i] = NotJudged(Cause.OFF_MAP) if is_off_map else NotJudged(Cause.NO_DATA, layers=_blank(sums, i))
    return reasons


def _blank(sums: ParcelSums, parcel: int) -> tuple[str, ...]:
    """Return the layers without data on half or more of the land that lacks most, in plan order."""
    if not sums.layers:
        return ()
    missing = sums.missing_by[parcel]
    most = missing.max(initial=0.0)
    names = [
        name for name, area in zip(sums.layers, missing.tolist(), strict=True) if area > 0.0 and 2.0 * area >= most
    ]
    return tuple(dict.fromkeys(names))


def _limits(shares: Doubles, judged: npt.NDArray[np.bool_], criteria: tuple[str, ...]) -> list[tuple[str, ...] | None]:
    """Return `largest` of every row that is judged; None for the others."""
    alone = [(name,) for name in (*criteria, NoLimit.NOTHING)]
    is_tie = np.count_nonzero(shares >= shares.max(axis=1, keepdims=True, initial=0.0) - TIE, axis=1) > 1
    first = shares.argmax(axis=1) if len(shares) else np.empty(0, np.int64)
    return [
        (largest(shares[row], criteria) if is_tie[row] else alone[first[row]]) if judged[row] else None
        for row in range(len(shares))
    ]


def largest(shares: Doubles, criteria: tuple[str, ...]) -> tuple[str, ...]:
    """Return the criteria that share the largest share within 1e-6, in plan order; the last share is that of no limit.

    >>> largest(np.array([0.4, 0.2, 0.4, 0.0]), ("ph", "clay", "slope"))
    ('ph', 'slope')
    """
    names = (*criteria, NoLimit.NOTHING)
    return tuple(names[i] for i in np.flatnonzero(shares >= shares.max() - TIE))


def _ranks(value: Doubles, judged: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Return 1 for the greatest value; a rank spans 1e-6 from its first; what is not judged comes after all."""
    ranks = np.full(len(value), len(value) + 1)
    first, rank = np.inf, 0
    best_first = np.flatnonzero(judged)[np.argsort(-value[judged], kind="stable")]
    for position, parcel in enumerate(best_first, start=1):
        if first - value[parcel] > TIE:
            first, rank = value[parcel], position
        ranks[parcel] = rank
    return ranks
