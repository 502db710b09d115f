"""Parcels with lab results: the cells that a result stands for are shifted to the new mean, and judged again."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, Problems
from underoak.engine.write.outputs import MEMBERSHIP_STEPS
from underoak.overlay import judge, membership
from underoak.places.answers.needs import LabFinding, LabUse, SoilUnit
from underoak.places.lab.results import Lab, Result, read_lab
from underoak.places.lab.sampling_error import sample_error
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.parcel_sums import ParcelSums
from underoak.places.soil.prior import Prior, priors
from underoak.places.soil.soil_units import UNKNOWN, soil_criteria, soils_of
from underoak.uncertainty.information.lab_update import lab_update

if TYPE_CHECKING:
    from underoak.base.grid import Grid
    from underoak.engine.prepare.prepare import PreparedCase
    from underoak.places.geometry.parcel_shapes import Parcels
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
Longs = npt.NDArray[np.int64]
_NEGLIGIBLE = 1e-6  # of a value: cells that differ by less are equal in single precision
CONTRADICTS = 2.0  # standard deviations between map and lab result; common practice, no source


@dataclass(frozen=True, slots=True)
class PooledResult:
    """A layer's lab results on one soil unit of a parcel, or on the parcel as one, pooled, beside the map."""

    layer: str
    map: float  # the map's mean over the land that they stand for
    map_sd: float | None  # of that mean; None where the layer states no uncertainty
    lab: float  # the results, pooled
    lab_sd: float | None  # None where neither method nor sampling has a known error
    used: float  # what that land is judged by now
    rows: int
    method_sd: float | None = None  # the parts of `lab_sd`
    sampling_sd: float = 0.0
    use: LabUse = LabUse.USED
    unit: SoilUnit | None = None  # None: the parcel as one
    map_differs: float = 0.0  # standard deviation of the map's cells within the parcel
    cells: Longs | None = field(
        default=None, compare=False, repr=False
    )  # of the sampled cells; None: all of the parcel

    @property
    def is_used(self) -> bool:
        """True if cells are judged by it."""
        return self.use is LabUse.USED

    @property
    def share(self) -> float:
        """Share of the parcel's judged land that it stands for."""
        return 1.0 if self.unit is None else self.unit.share

    @property
    def z(self) -> float | None:
        """Distance of the lab result from the map in standard deviations of both; None where one is not known."""
        if self.map_sd is None or self.lab_sd is None or not self.is_used:
            return None
        both = math.hypot(self.map_sd, self.lab_sd)
        return (self.lab - self.map) / both if both > 0.0 else None

    def sd_left(self, mode: str) -> float:
        """Return the standard deviation that remains of the value that is used; 0 where none is stated.

        >>> round(PooledResult("soil_ph", 7.3, 0.4, 7.8, 0.15, 7.738, 1).sd_left("update"), 4)
        0.1404
        """
        if self.lab_sd is None:
            return 0.0
        if mode == "update" and self.map_sd is not None:
            both = math.hypot(self.map_sd, self.lab_sd)
            return self.map_sd * self.lab_sd / both if both > 0.0 else 0.0
        return self.lab_sd

    @property
    def finding(self) -> LabFinding:
        """The record for the table of parcels."""
        return LabFinding(
            self.layer, self.lab, self.map, self.used, self.z if self.contradicts else None, self.unit, self.use,
            self.method_sd, self.sampling_sd, self.map_differs,
        )  # fmt: skip

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

    def used_on(self, parcel: str) -> tuple[PooledResult, ...]:
        """Return the results that cells of a parcel are judged by."""
        return tuple(pooled for pooled in self.by_parcel.get(parcel, ()) if pooled.is_used)

    @property
    def changed(self) -> tuple[str, ...]:
        """The parcels with a result that cells are judged by."""
        return tuple(parcel for parcel in self.by_parcel if self.used_on(parcel))

    def warnings(self) -> list[Fault]:
        """Return W414 for results that contradict the map, W415 and W420 for those that change nothing."""
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
            without_place = [pooled.layer for pooled in pools if pooled.use is LabUse.NO_PLACE]
            if without_place:
                what = f"the maps show several soils here, and the sample of {', '.join(without_place)} has no place"
                fix = "fill the columns lon and lat (or x and y) of the lab file; until then the result changes nothing"
                faults.append(Fault("W420", what, f"parcel {parcel}", fix))
        if self.unjudged:
            what = f"has results for parcels without judged land: {', '.join(self.unjudged[:8])}"
            faults.append(Fault("W415", what, "lab"))
        return faults


def with_lab(
    plan: Plan, ready: PreparedCase, grid: Grid, sums: ParcelSums, cells: SampledCells, problems: Problems,
    parcels: Parcels | None = None,
) -> LabEffect:  # fmt: skip
    """Return sums and cells after the plan's lab results; unchanged when it names none. Warnings go to `problems`."""
    if plan.spec.lab is None:
        return LabEffect(sums, cells)
    lab = read_lab(plan, ready.units, sums.ids, problems, parcels)
    effect = apply_results(lab, plan, ready.units, grid, sums, cells, priors(plan, ready, grid))
    problems.extend(effect.warnings())
    return effect


def apply_results(
    lab: Lab, plan: Plan, units: Mapping[str, str], grid: Grid, sums: ParcelSums, cells: SampledCells, prior: Prior
) -> LabEffect:
    """Return the sums and cells of all parcels; parcels with results that are used are judged again.

    A result with a place stands for the soil unit in which the place lies. A result without one stands for the parcel
    as one, if that is one soil unit, or if the map's cells differ no more than the result corrects their mean: by the
    standard deviation of the cells. Else it is kept as evidence and changes nothing.

    The cells that a result stands for keep their differences: all are shifted by the same amount to the new mean.
    `replace` takes the mean of the lab results; `update` weighs it against that of the map, each by one over its
    variance. Other cells keep their values.
    """
    layers = [criterion.layer for criterion in plan.criteria]
    position = {id: i for i, id in enumerate(sums.ids)}
    soil = soil_criteria(plan, units)
    values = cells.values.copy()
    by_parcel: dict[str, tuple[PooledResult, ...]] = {}
    unjudged = []
    for parcel in dict.fromkeys(parcel for parcel, _ in lab.results):
        part = cells.of(position[parcel])
        if part.start == part.stop:
            unjudged.append(parcel)
            continue
        ground = _Ground.of(cells, part, grid, soil)
        pools: list[PooledResult] = []
        for layer, results in lab.of(parcel).items():
            columns = [i for i, name in enumerate(layers) if name == layer]
            pooling = _Pooling(lab.mode, layer, plan, units[layer], cells, values[:, columns[0]].astype(float), prior)
            of_layer = ground.pool(results, pooling)
            for pooled in of_layer:
                if pooled.is_used:
                    at = np.arange(part.start, part.stop) if pooled.cells is None else pooled.cells
                    values[at[:, None], columns] += np.float32(pooled.used - pooled.map)
            pools += of_layer
        by_parcel[parcel] = tuple(pools)
    changed = [parcel for parcel, pools in by_parcel.items() if any(pooled.is_used for pooled in pools)]
    if changed:
        cells, sums = _judge_again(plan, replace(cells, values=values), sums, [position[parcel] for parcel in changed])
    return LabEffect(sums, cells, by_parcel, tuple(unjudged))


@dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """The sampled cells of one parcel, with their soil units."""

    cells: SampledCells
    part: slice
    grid: Grid
    unit: Longs  # of each cell, from 1

    @classmethod
    def of(cls, cells: SampledCells, part: slice, grid: Grid, soil: Sequence[int]) -> _Ground:
        # in the steps of the finished raster, so that soil points of a finished run tell the same soils apart
        steps = np.round(cells.memberships[part][:, list(soil)].astype(np.float64) * MEMBERSHIP_STEPS)
        unit = soils_of(steps / MEMBERSHIP_STEPS) + 1
        unit[unit == UNKNOWN + 1] = unit.max() + 1
        return cls(cells, part, grid, np.unique(unit, return_inverse=True)[1].reshape(-1) + 1)

    @property
    def count(self) -> int:
        return int(self.unit.max())

    def pool(self, results: Sequence[Result], pooling: _Pooling) -> list[PooledResult]:
        """Return the results of one layer, pooled by the land that they stand for."""
        everywhere = np.arange(self.part.start, self.part.stop)
        placed: dict[int, list[Result]] = {}
        no_cell, without_place = [], []
        for result in results:
            if result.place is None:
                without_place.append(result)
            elif (cell := self._cell_at(*result.place)) is None or np.isnan(pooling.values[cell]):
                no_cell.append(result)
            else:
                placed.setdefault(int(self.unit[cell - self.part.start]), []).append(result)
        if np.isnan(pooling.values[self.part]).all():
            return []
        if self.count == 1:
            together = without_place + placed.get(1, [])
            used = [pooling.pool(sorted(together, key=lambda each: each.line), everywhere)] if together else []
        else:
            used = []
            for number, of_unit in sorted(placed.items()):
                at = everywhere[self.unit == number]
                share = float(self.cells.weight[at].sum() / self.cells.weight[self.part].sum())
                pooled = pooling.pool(of_unit, at)
                used.append(replace(pooled, unit=SoilUnit(number, self.count, share), cells=at))
            if without_place:
                pooled = pooling.pool(without_place, everywhere)
                correction = abs(pooled.used - pooled.map) + _NEGLIGIBLE * max(1.0, abs(pooled.map))
                fits = not placed and pooled.map_differs <= correction
                used.append(pooled if fits else replace(pooled, use=LabUse.NO_PLACE, used=pooled.map))
        if no_cell:
            pooled = pooling.pool(no_cell, everywhere)
            used.append(replace(pooled, use=LabUse.NOT_JUDGED, used=pooled.map))
        return used

    def _cell_at(self, x: float, y: float) -> int | None:
        """Return the sampled cell at a place, the nearest one where not all cells are sampled; None if not judged."""
        numbers = self.cells.cell[self.part]
        u, v = (float(axis) for axis in self.grid.uv(x, y))
        for shift in (0.0, -1e-9, 1e-9):  # a place on the border of two cells may be judged in one of them only
            number = math.floor(v + shift) * self.grid.cols + math.floor(u + shift)
            same = np.flatnonzero(numbers == number)
            if len(same):
                return int(self.part.start + same[0])
        if (self.cells.weight[self.part] == self.cells.fraction[self.part]).all():
            return None
        row, col = np.divmod(numbers, self.grid.cols)
        return int(self.part.start + np.hypot(col + 0.5 - u, row + 0.5 - v).argmin())


@dataclass(frozen=True, slots=True, eq=False)
class _Pooling:
    """How results of one layer are pooled and weighed against the map."""

    mode: str
    layer: str
    plan: Plan
    unit: str
    cells: SampledCells
    values: Doubles  # of the layer in all cells
    prior: Prior

    def pool(self, results: Sequence[Result], at: Longs) -> PooledResult:
        """Return results pooled by one over their variances, beside the map's mean over the cells `at`."""
        values, weights = self.values[at], self.cells.weight[at]
        known = ~np.isnan(values)
        share = weights[known] / weights[known].sum()
        mean = float(share @ values[known])
        differs = math.sqrt(float(share @ (values[known] - mean) ** 2))
        map_sd = self.prior(self.layer, self.cells.cell[at], weights, values)
        rows = np.array([result.value for result in results])
        errors = [
            sample_error(self.plan, self.layer, self.unit, result.value, result.error, result.cores)
            for result in results
        ]
        noise = np.array([error.sd for error in errors])
        has_method = all(error.method is not None for error in errors)
        least = noise.min()
        weight = (least / noise) ** 2 if least > 0.0 else (noise == 0.0).astype(np.float64)
        weight = weight / weight.sum() if has_method else np.full(len(rows), 1.0 / len(rows))
        method, sampling = (
            math.sqrt(float(weight**2 @ np.array([part or 0.0 for part in parts], np.float64) ** 2))
            for parts in ([error.method for error in errors], [error.sampling for error in errors])
        )
        lab, lab_sd = float(weight @ rows), math.hypot(method, sampling)
        used = (
            float(lab_update(mean, map_sd, rows, noise).mean) if self.mode == "update" and map_sd is not None else lab
        )
        return PooledResult(
            self.layer, mean, map_sd, lab, lab_sd if has_method or lab_sd > 0.0 else None, used, len(rows),
            method if has_method else None, sampling, map_differs=differs,
        )  # fmt: skip


def sd_of_tested_mean(before: float | None, pools: Sequence[PooledResult], mode: str) -> float:
    """Return the standard deviation of a layer's mean over a parcel, after the results of one layer that are used.

    `before` is that of the map. The variance of each tested part is replaced by what is left of it. The result is a
    little too large where errors of the map go together: what a test says of other soil units is not counted.
    """
    variance = (before or 0.0) ** 2
    for pooled in pools:
        variance += pooled.share**2 * (pooled.sd_left(mode) ** 2 - (pooled.map_sd or 0.0) ** 2)
    return math.sqrt(max(variance, 0.0))


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
