"""Parcels with lab results: their values are shifted to the new mean, and their cells judged again."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, Problems
from underoak.overlay import judge, membership
from underoak.places.answers.needs import LabFinding
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
CONTRADICTS = 2.0  # standard deviations between map and lab result; common practice, no source


@dataclass(frozen=True, slots=True)
class PooledResult:
    """A layer's lab results on one parcel, pooled, beside the map."""

    layer: str
    map: float  # the map's mean over the parcel
    map_sd: float | None  # of that mean; None where the layer states no uncertainty
    lab: float  # the results, pooled
    lab_sd: float | None
    used: float  # what the parcel is judged by now
    rows: int

    @property
    def z(self) -> float | None:
        """Distance of the lab result from the map in standard deviations of both; None where one is not known."""
        if self.map_sd is None or self.lab_sd is None:
            return None
        both = math.hypot(self.map_sd, self.lab_sd)
        return (self.lab - self.map) / both if both > 0.0 else None

    @property
    def finding(self) -> LabFinding:
        """The record for the table of parcels."""
        return LabFinding(self.layer, self.lab, self.map, self.used, self.z if self.contradicts else None)

    @property
    def contradicts(self) -> bool:
        """True when the two are too far apart for chance."""
        return self.z is not None and abs(self.z) > CONTRADICTS


@dataclass(frozen=True, slots=True)
class LabEffect:
    """Sums and cells of all parcels after the lab results."""

    sums: ParcelSums
    cells: SampledCells
    by_parcel: Mapping[str, tuple[PooledResult, ...]] = field(default_factory=dict)
    unjudged: tuple[str, ...] = ()  # parcels with results on which no cell is judged

    @property
    def findings(self) -> dict[str, tuple[LabFinding, ...]]:
        """The findings of each parcel with results."""
        return {parcel: tuple(pooled.finding for pooled in pools) for parcel, pools in self.by_parcel.items()}

    def warnings(self) -> list[Fault]:
        """Return W414 for parcels whose lab result contradicts the map, W415 for those that could not be judged."""
        faults = []
        for parcel, pools in self.by_parcel.items():
            contradictions = [
                f"{pooled.layer} {pooled.lab:.2f} in the lab, {pooled.map:.2f} on the map "
                f"({abs(pooled.z):.1f} standard deviations)"
                for pooled in pools
                if pooled.z is not None and pooled.contradicts
            ]
            if contradictions:
                what = f"the lab result and the map disagree: {'; '.join(contradictions)}"
                fix = "check sample, method and unit; if they are right, trust the map less around it"
                faults.append(Fault("W414", what, f"parcel {parcel}", fix))
        if self.unjudged:
            what = f"has results for parcels without judged land: {', '.join(self.unjudged[:8])}"
            faults.append(Fault("W415", what, "lab"))
        return faults


def with_lab(
    plan: Plan, ready: PreparedCase, grid: Grid, sums: ParcelSums, cells: SampledCells, problems: Problems
) -> LabEffect:
    """Return sums and cells after the plan's lab results; unchanged when it names none. Warnings go to `problems`."""
    if plan.spec.lab is None:
        return LabEffect(sums, cells)
    lab = read_lab(plan, ready.units, sums.ids, problems)
    effect = apply_results(lab, plan, ready.units, sums, cells, priors(plan, ready, grid))
    problems.extend(effect.warnings())
    return effect


def apply_results(
    lab: Lab, plan: Plan, units: Mapping[str, str], sums: ParcelSums, cells: SampledCells, prior: Prior
) -> LabEffect:
    """Return the sums and cells of all parcels; parcels with results are judged again.

    The cells of such a parcel keep their differences: all are shifted by the same amount to the new mean. `replace`
    takes the mean of the lab results; `update` weighs it against that of the map, each by one over its variance.
    """
    layers = [criterion.layer for criterion in plan.criteria]
    place = {id: i for i, id in enumerate(sums.ids)}
    values = cells.values.copy()
    changed: dict[str, tuple[PooledResult, ...]] = {}
    unjudged = []
    for parcel in dict.fromkeys(parcel for parcel, _ in lab.results):
        part = cells.of(place[parcel])
        if part.start == part.stop:
            unjudged.append(parcel)
            continue
        pools = []
        for layer, results in lab.of(parcel).items():
            columns = [i for i, name in enumerate(layers) if name == layer]
            known = values[part, columns[0]].astype(np.float64)
            if np.isnan(known).all():
                continue
            sd = prior(layer, cells.cell[part], cells.weight[part], known)
            pooled = _pooled(lab.mode, layer, results, known, cells.weight[part], sd, plan, units[layer])
            pools.append(pooled)
            for column in columns:
                values[part, column] += np.float32(pooled.used - pooled.map)
        changed[parcel] = tuple(pools)
    if changed:
        cells, sums = _judge_again(plan, replace(cells, values=values), sums, [place[parcel] for parcel in changed])
    return LabEffect(sums, cells, changed, tuple(unjudged))


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
    used = float(lab_update(mean, sd, rows, noise).mean) if mode == "update" and sd is not None else lab
    return PooledResult(layer, mean, sd, lab, lab_sd, used, len(rows))


def _judge_again(
    plan: Plan, cells: SampledCells, sums: ParcelSums, parcels: Sequence[int]
) -> tuple[SampledCells, ParcelSums]:
    """Return cells and sums, with some parcels judged again on their values."""
    at = np.concatenate([np.arange(*cells.of(parcel).indices(len(cells))) for parcel in parcels])
    memberships, suitability = cells.memberships.copy(), cells.suitability.copy()
    for i, criterion in enumerate(plan.criteria):
        memberships[at, i] = membership(cells.values[at, i], criterion.curve)
    result = judge(memberships[at].T[:, None, :], np.zeros((1, len(at)), np.uint8), plan.rules)
    suitability[at] = result.suitability[0]
    again = replace(cells, memberships=memberships, suitability=suitability)
    fields = {
        name: getattr(sums, name).copy()
        for name in ("suitability", "classes", "membership", "known", "weakest", "gainful", "value", "below", "above")
    }
    full = np.array([criterion.curve.full for criterion in plan.criteria], np.float32)
    k, first = len(plan.criteria), 0
    for parcel in parcels:
        part = cells.of(parcel)
        count = part.stop - part.start
        here = slice(first, first + count)
        first += count
        share = cells.weight[part] / cells.weight[part].sum() * sums.judged[parcel]
        ours, theirs = again.memberships[part].astype(np.float64), again.values[part]
        there = ~np.isnan(ours)
        lost = np.where(there, 1.0 - ours, 0.0)
        fields["suitability"][parcel] = share @ again.suitability[part].astype(np.float64)
        fields["classes"][parcel] = np.bincount(result.classes[0, here] - 1, share, 4)
        fields["membership"][parcel] = share @ np.where(there, ours, 0.0)
        fields["known"][parcel] = share @ there
        fields["weakest"][parcel] = np.bincount(np.minimum(result.weakest[0, here], k), share, k + 1)
        fields["gainful"][parcel] = np.bincount(np.minimum(result.gainful[0, here], k), share, k + 1)
        fields["value"][parcel] = share @ np.where(there, theirs, 0.0)
        fields["below"][parcel] = share @ (lost * (theirs < full[:, 0]))
        fields["above"][parcel] = share @ (lost * (theirs > full[:, 1]))
    return again, replace(sums, **fields)
