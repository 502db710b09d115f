"""From the sums of parcels to the table a buyer reads: how good, how sure, what holds it back, who comes first.

`valid_share` is the share of a parcel's ground, less what is excluded, whose suitability is known; ground off the map
counts as unknown. Excluded ground does not count against it: that it is excluded is certain. A parcel with less than
half known is not judged, and says why. The rank follows the mean suitability of judged ground times the share that is
not excluded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault
from underoak.places.geometry.areas import hectares

if TYPE_CHECKING:
    import pandas as pd

    from underoak.overlay import Curve, Rules

Doubles = npt.NDArray[np.float64]
CLASSES = ("S1", "S2", "S3", "N")
TIE = 1e-6
VALID_AT_LEAST = 0.5
OVERLAP_TOLD = 0.001
NO_SHAPE, OFF_MAP, NO_DATA = "no shape", "outside the map", "no data"
ALL_EXCLUDED, MOSTLY_EXCLUDED = "excluded entirely", "mostly excluded"
LOW, HIGH = "low", "high"
NOTHING = "nothing limits"


@dataclass(frozen=True, slots=True, eq=False)
class ParcelSums:
    """Sums over a parcel's ground, (parcels,) unless said; areas in cells of the analysis grid."""

    ids: tuple[str, ...]
    shapeless: tuple[str, ...]  # why it has no shape, "" when it has one
    area_ha: Doubles
    area: Doubles  # of the whole parcel
    covered: Doubles  # of it inside the grid
    judged: Doubles
    excluded: Doubles
    beyond: Doubles  # inside the grid, outside the region
    suitability: Doubles  # sum over judged ground
    shared: Doubles  # covered by other parcels too, at least
    classes: Doubles  # judged ground by class, (parcels, 4)
    membership: Doubles  # sum of each criterion's memberships over judged ground, (parcels, criteria)
    known: Doubles  # judged ground where the criterion has one, (parcels, criteria)
    weakest: Doubles  # judged ground by limiting criterion, the last column where nothing limits
    gainful: Doubles
    value: Doubles  # sum of each criterion's values where it has a membership; (parcels, 0) when not wanted
    below: Doubles  # membership that is lost below the place of full membership
    above: Doubles  # and above it
    held: Doubles  # excluded ground by constraint, (parcels, constraints); several may hold at one place


def ranked(
    totals: ParcelSums,
    criteria: tuple[str, ...],
    rules: Rules,
    curves: Sequence[Curve] = (),
    constraints: Sequence[str] = (),
) -> pd.DataFrame:
    """One row for every parcel, best first; parcels that are not judged follow by id.

    Columns: `id` · `rank` (values within 1e-6 share one, the next counts all before it) · `suitability` (mean over
    judged ground) · `class` (of that mean, held at one above the class of the weakest criterion's mean when the rules
    say so) · `share_s1` to `share_n` (of judged ground) · `valid_share` · `excluded_share` (of the whole parcel) ·
    `limiting`, `limiting_share` (the criterion that is weakest on most of the judged ground, and on how much; all that
    tie within 1e-6) · `most_gainful`, `most_gainful_share` (likewise) · `gain` (what the score of the parcel's mean
    memberships would grow by, were the first most gainful criterion perfect) · `area_ha` (on the ellipsoid) · `cells`
    (covered) · `overlap_share` (of the parcel, lying in other parcels too, at least) · `excluded_by` (the constraint
    that excludes most of it; all that tie) · `reason` (why it is not judged) · `membership_<criterion>` (its mean) and,
    where there are curves and these are not of class codes, `value_<criterion>` (its mean, in the criterion's unit) and
    `side_<criterion>` (`low` or `high`: on which side of full membership most of what is lost is lost; none when
    nothing is). Ids are ordered as text, so "10" stands before "9".
    """
    import pandas as pd

    with np.errstate(invalid="ignore", divide="ignore"):
        free = totals.area - totals.excluded
        valid_share = np.where(free > TIE * totals.area, totals.judged / free, np.nan)
        excluded_share = totals.excluded / totals.area
        mean = totals.suitability / totals.judged
        means = totals.membership / totals.known
        classes = totals.classes / totals.judged[:, None]
        weakest, gainful = totals.weakest / totals.judged[:, None], totals.gainful / totals.judged[:, None]
        overlap = totals.shared / totals.area
        values = totals.value / totals.known if curves else np.empty((len(totals.ids), 0))
    excluded_by = _excluded_by(totals, constraints)
    reason = _reasons(totals, valid_share, excluded_by)
    judged = reason == ""
    columns: dict[str, Any] = {"id": totals.ids, "rank": 0, "suitability": np.where(judged, mean, np.nan)}
    names = classes_of(mean, means, rules)
    columns["class"] = [name if fine else None for name, fine in zip(names, judged, strict=True)]
    for i, name in enumerate(CLASSES):
        columns[f"share_{name.lower()}"] = np.where(judged, classes[:, i], np.nan)
    columns["valid_share"], columns["excluded_share"] = np.minimum(valid_share, 1.0), np.minimum(excluded_share, 1.0)
    for name, shares in (("limiting", weakest), ("most_gainful", gainful)):
        columns[name] = _all_words(shares, judged, criteria)
        columns[f"{name}_share"] = np.where(judged, shares.max(axis=1, initial=0.0), np.nan)
    columns["gain"] = np.where(judged, _gain(means, gainful, rules), np.nan)
    columns |= {"area_ha": totals.area_ha, "cells": totals.covered, "overlap_share": np.minimum(overlap, 1.0)}
    columns["excluded_by"] = [text or None for text in excluded_by]
    columns["reason"] = [text or None for text in reason]
    stems = columns_of(criteria)
    for i, name in enumerate(stems):
        columns[f"membership_{name}"] = np.where(judged, means[:, i], np.nan)
    texts = ["id", "class", "limiting", "most_gainful", "excluded_by", "reason"]
    for i, curve in enumerate(curves):
        if curve.kind != "table":
            columns[f"value_{stems[i]}"] = np.where(judged, values[:, i], np.nan)
            columns[f"side_{stems[i]}"] = _sides(totals.below[:, i], totals.above[:, i], totals.known[:, i], judged)
            texts.append(f"side_{stems[i]}")
    table = pd.DataFrame(columns | {name: pd.Series(columns[name], dtype=object) for name in texts})
    ranks = _ranks(mean * (1.0 - excluded_share), judged)
    order = np.lexsort((np.argsort(np.argsort(np.array(totals.ids, object), kind="stable")), ranks))
    table["rank"] = pd.array([rank if rank < len(ranks) + 1 else None for rank in ranks], dtype="Int64")
    return table.iloc[order].reset_index(drop=True)


def columns_of(criteria: Sequence[str]) -> list[str]:
    """What follows `membership_`, `value_` and `side_` in the names of columns: databases do not tell A from a.

    >>> columns_of(["ph", "pH", "clay"])
    ['ph', 'pH_2', 'clay']
    """
    twins = [any(name.lower() == other.lower() for other in criteria[:i]) for i, name in enumerate(criteria)]
    return [f"{name}_{i}" if twin else name for i, (name, twin) in enumerate(zip(criteria, twins, strict=True), 1)]


def _sides(below: Doubles, above: Doubles, known: Doubles, judged: npt.NDArray[np.bool_]) -> npt.NDArray[np.object_]:
    """On which side more is lost; None where nothing is, as much on both, or nobody judged."""
    least = TIE * known
    told = judged & (np.maximum(below, above) > least) & (np.abs(below - above) > least)
    side: npt.NDArray[np.object_] = np.where(below > above, LOW, HIGH).astype(object)
    side[~told] = None
    return side


def overlap_warning(table: pd.DataFrame) -> Fault | None:
    """W430 when parcels lie in one another by more than a thousandth of themselves; None when none does."""
    over = table[table["overlap_share"] > OVERLAP_TOLD]
    if over.empty:
        return None
    ha = float((over["overlap_share"] * over["area_ha"]).sum())
    some = ", ".join(over["id"].sort_values().head(5))
    which = f"{len(over)} parcels overlap others" if len(over) > 1 else "1 parcel overlaps another"
    what = (
        f"{which}, {hectares(ha)} of {'them' if len(over) > 1 else 'it'} at least "
        f"({some}{', ...' if len(over) > 5 else ''})"
    )
    return Fault("W430", f"{what}: each is judged by itself, and their areas must not be added up", "parcels")


def classes_of(mean: Doubles, means: Doubles, rules: Rules) -> list[str]:
    """The class of each mean suitability, held at one above that of the weakest criterion's mean membership."""
    from underoak.overlay import class_name, classify

    weighted = np.array(rules.weights) > 0.0
    least = np.fmin.reduce(means[:, weighted], axis=1, initial=np.inf)  # a criterion without data does not limit
    return [class_name(int(code)) for code in classify(mean, least, rules.cuts, rules.cap)]


def _gain(means: Doubles, gainful: Doubles, rules: Rules) -> Doubles:
    """What the score of mean memberships grows by with the first most gainful criterion at 1; exact under linear."""
    from underoak.overlay import combine

    settings = (rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    first = np.argmax(gainful >= gainful.max(axis=1, keepdims=True) - TIE, axis=1)
    raised = means.copy()
    limited = np.flatnonzero(first < means.shape[1])
    raised[limited, first[limited]] = 1.0
    grown: Doubles = combine(raised.T, *settings) - combine(means.T, *settings)
    return grown


def _excluded_by(totals: ParcelSums, constraints: Sequence[str]) -> list[str]:
    """The constraint that excludes most of each parcel, all that tie; "" where none does."""
    if not constraints:
        return [""] * len(totals.ids)
    most = totals.held.max(axis=1, initial=0.0)
    ties = totals.held >= (most - TIE * totals.area)[:, None]
    return [
        "; ".join(constraints[i] for i in np.flatnonzero(row).tolist()) if share > 0 else ""
        for row, share in zip(ties, most, strict=True)
    ]


def _reasons(totals: ParcelSums, valid_share: Doubles, excluded_by: Sequence[str]) -> npt.NDArray[np.object_]:
    outside = totals.area - totals.covered + totals.beyond
    missing = totals.covered - totals.judged - totals.excluded - totals.beyond
    reason = np.full(len(totals.ids), "", object)
    unknown = ~(valid_share >= VALID_AT_LEAST)
    reason[unknown] = np.where(outside >= missing, OFF_MAP, NO_DATA)[unknown]
    by = np.array([f" by {name}" if name else "" for name in excluded_by], object)
    mostly = unknown & (totals.excluded > totals.area / 2)
    reason[mostly] = (MOSTLY_EXCLUDED + by)[mostly]
    wholly = (totals.area > 0) & np.isnan(valid_share)
    reason[wholly] = (ALL_EXCLUDED + by)[wholly]
    shapeless = np.array(totals.shapeless, object)
    made: npt.NDArray[np.object_] = np.where(shapeless == "", reason, shapeless)
    return made


def _all_words(shares: Doubles, judged: npt.NDArray[np.bool_], criteria: tuple[str, ...]) -> npt.NDArray[np.object_]:
    """`words` of every row that is judged; None for the others."""
    best = np.array((*criteria, NOTHING), object)[shares.argmax(axis=1)] if len(shares) else np.empty(0, object)
    ties = np.count_nonzero(shares >= shares.max(axis=1, keepdims=True, initial=0.0) - TIE, axis=1) > 1
    for row in np.flatnonzero(judged & ties):
        best[row] = words(shares[row], criteria)
    best[~judged] = None
    return best


def words(shares: Doubles, criteria: tuple[str, ...]) -> str:
    """The criteria that share the greatest share within 1e-6, in plan order; the last share is that of no limit.

    >>> words(np.array([0.4, 0.2, 0.4, 0.0]), ("ph", "clay", "slope"))
    'ph; slope'
    """
    names = (*criteria, NOTHING)
    return "; ".join(names[i] for i in np.flatnonzero(shares >= shares.max() - TIE))


def _ranks(value: Doubles, judged: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """1 for the greatest value; a rank holds all within 1e-6 of its first; what is not judged comes after all."""
    ranks = np.full(len(value), len(value) + 1)
    first, rank = np.inf, 0
    best_first = np.flatnonzero(judged)[np.argsort(-value[judged], kind="stable")]
    for place, at in enumerate(best_first, start=1):
        if first - value[at] > TIE:
            first, rank = value[at], place
        ranks[at] = rank
    return ranks
