"""Parcels with results of a laboratory: their values moved to what is now known, and judged again on their cells."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, Problems
from underoak.overlay import judge, membership
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.ranking import ParcelSums
from underoak.places.soil.lab import Lab, Result, error_of, read_lab
from underoak.places.soil.prior import Prior, priors
from underoak.uncertainty.information.lab_update import lab_update

if TYPE_CHECKING:
    from underoak.base.grid import Grid
    from underoak.engine.prepare.prepare import PreparedCase
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
CONTRADICTS = 2.0  # standard deviations between a map and a laboratory; common practice, no source


@dataclass(frozen=True, slots=True)
class PooledResult:
    """All results of one layer on one parcel, against the map."""

    layer: str
    map: float  # the map's mean over the parcel
    map_sd: float | None  # of that mean; None without a doubt
    lab: float  # the results, pooled
    lab_sd: float | None
    taken: float  # what the parcel is judged by now
    rows: int

    @property
    def z(self) -> float | None:
        """How far the laboratory is from the map, in standard deviations of both; None when nobody says how large."""
        if self.map_sd is None or self.lab_sd is None:
            return None
        both = math.hypot(self.map_sd, self.lab_sd)
        return (self.lab - self.map) / both if both > 0.0 else None

    @property
    def words(self) -> str:
        """Laboratory, map, and what is taken: `soil_ph: laboratory 7.80, map 7.30, taken 7.74`."""
        text = f"{self.layer}: laboratory {self.lab:.2f}, map {self.map:.2f}, taken {self.taken:.2f}"
        return f"{text}, which contradicts the map (z {self.z:.1f})" if self.contradicts else text

    @property
    def contradicts(self) -> bool:
        """True when the two are too far apart for chance."""
        return self.z is not None and abs(self.z) > CONTRADICTS


@dataclass(frozen=True, slots=True)
class LabEffect:
    """What the laboratory changes."""

    totals: ParcelSums
    cells: SampledCells
    by_parcel: Mapping[str, tuple[PooledResult, ...]] = field(default_factory=dict)
    unjudged: tuple[str, ...] = ()  # parcels with results on which the map has no ground to judge

    @property
    def words(self) -> dict[str, str]:
        """What was found on each parcel, in words."""
        return {parcel: "; ".join(pooled.words for pooled in pools) for parcel, pools in self.by_parcel.items()}

    def warnings(self) -> list[Fault]:
        """W414 for parcels whose laboratory contradicts the map, W415 for those that could not be judged."""
        found = []
        for parcel, pools in self.by_parcel.items():
            told = [f"{p.layer} {p.lab:.2f}, map {p.map:.2f}, z {p.z:.1f}" for p in pools if p.contradicts]
            if told:
                what = f"the laboratory contradicts the map: {'; '.join(told)}"
                fix = "look whether sample, method and unit are right; if so, trust the map less around it"
                found.append(Fault("W414", what, f"parcel {parcel}", fix))
        if self.unjudged:
            what = f"has results, and no ground that the maps can judge: {', '.join(self.unjudged[:8])}"
            found.append(Fault("W415", what, "lab"))
        return found


def with_lab(
    plan: Plan, ready: PreparedCase, grid: Grid, totals: ParcelSums, cells: SampledCells, problems: Problems
) -> LabEffect:
    """What the plan's laboratory changes; nothing when it names none. Warnings go to `problems`."""
    if plan.spec.lab is None:
        return LabEffect(totals, cells)
    lab = read_lab(plan, ready.units, totals.ids, problems)
    found = retested(lab, plan, ready.units, totals, cells, priors(plan, ready, grid))
    problems.extend(found.warnings())
    return found


def retested(
    lab: Lab, plan: Plan, units: Mapping[str, str], totals: ParcelSums, cells: SampledCells, prior: Prior
) -> LabEffect:
    """The sums and cells of all parcels, with those that have results judged again.

    The cells of such a parcel keep their differences: all are moved by as much, so that their mean is what is now
    known. `replace` takes the laboratory's mean; `update` weighs it against the map's, each by one over its variance.
    """
    layers = [criterion.layer for criterion in plan.criteria]
    place = {id: i for i, id in enumerate(totals.ids)}
    values = cells.values.copy()
    changed: dict[str, tuple[PooledResult, ...]] = {}
    unjudged = []
    for parcel in dict.fromkeys(parcel for parcel, _ in lab.results):
        own = cells.of(place[parcel])
        if own.start == own.stop:
            unjudged.append(parcel)
            continue
        pools = []
        for layer, results in lab.of(parcel).items():
            columns = [i for i, name in enumerate(layers) if name == layer]
            known = values[own, columns[0]].astype(np.float64)
            if np.isnan(known).all():
                continue
            sd = prior(layer, cells.cell[own], cells.weight[own], known)
            pooled = _pooled(lab.mode, layer, results, known, cells.weight[own], sd, plan, units[layer])
            pools.append(pooled)
            for column in columns:
                values[own, column] += np.float32(pooled.taken - pooled.map)
        changed[parcel] = tuple(pools)
    judged_again, sums = cells, totals
    if changed:
        judged_again, sums = _judged(plan, replace(cells, values=values), totals, [place[parcel] for parcel in changed])
    return LabEffect(sums, judged_again, changed, tuple(unjudged))


def _pooled(
    mode: str, layer: str, results: Sequence[Result], values: Doubles, weights: Doubles, sd: float | None, plan: Plan,
    unit: str,
) -> PooledResult:  # fmt: skip
    known = ~np.isnan(values)
    mean = float((weights[known] * values[known]).sum() / weights[known].sum())
    rows = np.array([result.value for result in results])
    errors = [error_of(result, layer, plan, unit) for result in results]
    if any(error is None for error in errors):
        return PooledResult(layer, mean, sd, float(rows.mean()), None, float(rows.mean()), len(rows))
    noise = np.array(errors, np.float64)
    least = noise.min()
    weight = (least / noise) ** 2 if least > 0.0 else (noise == 0.0).astype(np.float64)
    lab, lab_sd = float(weight @ rows / weight.sum()), float(least / math.sqrt(weight.sum()))
    taken = float(lab_update(mean, sd, rows, noise).mean) if mode == "update" and sd is not None else lab
    return PooledResult(layer, mean, sd, lab, lab_sd, taken, len(rows))


def _judged(
    plan: Plan, cells: SampledCells, totals: ParcelSums, parcels: Sequence[int]
) -> tuple[SampledCells, ParcelSums]:
    """Cells and sums with some parcels judged again on their values."""
    at = np.concatenate([np.arange(*cells.of(parcel).indices(len(cells))) for parcel in parcels])
    memberships, suitability = cells.memberships.copy(), cells.suitability.copy()
    for i, criterion in enumerate(plan.criteria):
        memberships[at, i] = membership(cells.values[at, i], criterion.curve)
    made = judge(memberships[at].T[:, None, :], np.zeros((1, len(at)), np.uint8), plan.rules)
    suitability[at] = made.suitability[0]
    again = replace(cells, memberships=memberships, suitability=suitability)
    fields = {
        name: getattr(totals, name).copy()
        for name in ("suitability", "classes", "membership", "known", "weakest", "gainful", "value", "below", "above")
    }
    full = np.array([criterion.curve.full for criterion in plan.criteria], np.float32)
    k, first = len(plan.criteria), 0
    for parcel in parcels:
        own = cells.of(parcel)
        count = own.stop - own.start
        here = slice(first, first + count)
        first += count
        share = cells.weight[own] / cells.weight[own].sum() * totals.judged[parcel]
        ours, theirs = again.memberships[own].astype(np.float64), again.values[own]
        there = ~np.isnan(ours)
        lost = np.where(there, 1.0 - ours, 0.0)
        fields["suitability"][parcel] = share @ again.suitability[own].astype(np.float64)
        fields["classes"][parcel] = np.bincount(made.classes[0, here] - 1, share, 4)
        fields["membership"][parcel] = share @ np.where(there, ours, 0.0)
        fields["known"][parcel] = share @ there
        fields["weakest"][parcel] = np.bincount(np.minimum(made.weakest[0, here], k), share, k + 1)
        fields["gainful"][parcel] = np.bincount(np.minimum(made.gainful[0, here], k), share, k + 1)
        fields["value"][parcel] = share @ np.where(there, theirs, 0.0)
        fields["below"][parcel] = share @ (lost * (theirs < full[:, 0]))
        fields["above"][parcel] = share @ (lost * (theirs > full[:, 1]))
    return again, replace(totals, **fields)
