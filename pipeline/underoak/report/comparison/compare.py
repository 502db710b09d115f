"""The comparison of two runs: changes of cells and parcels, and the inputs, settings or software that explain them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, get_args

from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid
from underoak.engine.raster_difference import CHANGED, RasterDifference, difference
from underoak.engine.storage.manifest import Manifest
from underoak.indicators import cell_areas
from underoak.report.comparison.causes import Cause, causes_of
from underoak.report.comparison.plan_changes import PlanChange, PlanOfCase, Touches, plan_changes, used_layers

if TYPE_CHECKING:
    import pandas as pd

# files that change with the uncertainty, and the tables of parcels
_OF_DOUBT = ("spread.tif", "quantiles.tif", "ranks.csv", "wins.csv", "parcels.csv", "parcels.gpkg")


class FinishedRun(Protocol):
    """A run folder with its manifest, as `underoak.Run.open` returns it."""

    @property
    def folder(self) -> Path:
        """The folder."""
        ...

    @property
    def manifest(self) -> Manifest:
        """The content of `run.json`."""
        ...

    @property
    def cases(self) -> Mapping[str, FinishedRun]:
        """The runs of single cases, by folder."""
        ...

    @property
    def grid(self) -> Grid:
        """The analysis grid."""
        ...

    @property
    def parcels(self) -> Any:
        """The table of parcels; None without parcels."""
        ...


@dataclass(frozen=True, slots=True)
class InputChange:
    """An input whose files differ."""

    of: str  # what reads them: a plan key such as layers.soil_ph, region, constraints.built, parcels
    first: tuple[str, ...]  # SHA-256; empty when the run had none
    second: tuple[str, ...]
    touches: Touches


@dataclass(frozen=True, slots=True)
class OutputChange:
    """The output files of two runs, without those that carry a date."""

    same: tuple[str, ...]
    different: tuple[str, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]

    @property
    def are_same(self) -> bool:
        """True when both runs wrote identical files."""
        return not (self.different or self.only_first or self.only_second)


@dataclass(frozen=True, slots=True)
class ParcelChange:
    """One parcel of both runs whose results differ."""

    id: str
    rank: tuple[int | None, int | None]
    suitability: tuple[float | None, float | None]
    classes: tuple[str | None, str | None]
    verdicts: tuple[str | None, str | None] = (None, None)  # on the ground; None where a run gives none
    answers: tuple[str | None, str | None] = (None, None)  # of ground and deal together

    @property
    def moved(self) -> int:
        """Ranks gained (positive) or lost; 0 if a run did not judge it."""
        before, after = self.rank
        return 0 if before is None or after is None else before - after

    @property
    def has_other_result(self) -> bool:
        """True if suitability, class, verdict or answer changed; False if only other parcels pushed its rank."""
        return any(a != b for a, b in (self.classes, self.verdicts, self.answers)) or abs(self.gained) > CHANGED

    @property
    def gained(self) -> float:
        """Suitability gained; 0 if a run did not judge it."""
        before, after = self.suitability
        return 0.0 if before is None or after is None else after - before


@dataclass(frozen=True, slots=True)
class ParcelsChange:
    """The parcels of two runs, joined by id."""

    both: int
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]
    changed: tuple[ParcelChange, ...]  # those that moved furthest first

    @property
    def now_judged(self) -> list[str]:
        """The ids that only the second run judged."""
        return [p.id for p in self.changed if p.rank[0] is None and p.rank[1] is not None]

    @property
    def no_longer_judged(self) -> list[str]:
        """The ids that only the first run judged."""
        return [p.id for p in self.changed if p.rank[0] is not None and p.rank[1] is None]

    @property
    def is_empty(self) -> bool:
        """True when no parcel differs."""
        return not (self.only_first or self.only_second or self.changed)


@dataclass(frozen=True, slots=True)
class CaseComparison:
    """One case in both runs."""

    cells: RasterDifference | None  # None when cells were not compared
    parcels: ParcelsChange | None  # None when neither run has any


@dataclass(frozen=True)
class Comparison:
    """The differences between two runs, and what could explain them."""

    first: FinishedRun
    second: FinishedRun
    outputs: OutputChange
    plan: tuple[PlanChange, ...]
    inputs: tuple[InputChange, ...]
    software: Mapping[str, tuple[str, str]]
    cases: Mapping[str, CaseComparison]  # by folder inside the run folder; empty when the files are the same
    not_compared: str  # why cells were not compared; "" when they were

    @property
    def moves_cells(self) -> bool:
        """True when a cell changed; if cells were not compared, when their files differ."""
        if self.not_compared:
            return any(name.endswith(".tif") for name in self.outputs.different)
        return any(case.cells is not None and _has_moved(case.cells) for case in self.cases.values())

    @property
    def causes(self) -> tuple[str, ...]:
        """The words of `reasons`. A single one explains the changes; several are candidates."""
        return tuple(cause.words for cause in self.reasons)

    @cached_property
    def reasons(self) -> tuple[Cause, ...]:
        """The differences that could have caused the changes."""
        if self.outputs.are_same:
            return ()
        relevant: set[Touches] = {"cells"} if self.moves_cells else set()
        if any(case.parcels is not None and not case.parcels.is_empty for case in self.cases.values()):
            relevant.add("parcels")
        if any(name.endswith("zones.gpkg") for name in self.outputs.different):
            relevant.add("zones")
        names = {*self.outputs.different, *self.outputs.only_first, *self.outputs.only_second}
        if any(name.endswith(_OF_DOUBT) or "p_meets." in name for name in names):
            relevant.add("doubt")
        touched = [*(change.touches for change in self.plan), *(given.touches for given in self.inputs)]
        if not self.moves_cells and relevant.isdisjoint(touched):  # a column of a table: any of them
            relevant = set(get_args(Touches))
        return causes_of(
            (change for change in self.plan if change.touches in relevant),
            (given.of for given in self.inputs if given.touches in relevant),
            tuple(self.software),
            (self.first.manifest.plan, self.second.manifest.plan),
        )

    def fault(self) -> Fault | None:
        """Return E607 if an output without a date differs."""
        if self.outputs.are_same:
            return None
        outputs = self.outputs
        names = [*outputs.different, *outputs.only_first, *outputs.only_second]
        what = f"is not the same as {self.first.folder}: {', '.join(names[:8])}{', ...' if len(names) > 8 else ''}"
        return Fault("E607", what, str(self.second.folder), "the comparison lists what could explain it")


def moves_results(difference: RasterDifference) -> bool:
    """Return whether suitability or class of any cell changed."""
    return bool(difference.changed) or any(before != after for before, after in difference.moves)


def _has_moved(difference: RasterDifference) -> bool:
    return moves_results(difference) or any(difference.memberships.values())


def compare(first: FinishedRun, second: FinishedRun) -> Comparison:
    """Compare two finished runs.

    Rasters on the same grid are read block by block. Runs with the same checksums are not read.

    Raises:
        UnderoakError: E230 when a raster cannot be read.
    """
    of_first, of_second = first.cases, second.cases
    shared = [folder for folder in of_first if folder in of_second]
    outputs = _outputs(first.manifest, second.manifest)
    compared = [] if outputs.are_same else shared
    cells: dict[str, RasterDifference] = {}
    why = "" if first.grid == second.grid else "the grids differ"
    if not why:
        try:
            cells = {name: difference(of_first[name].folder, of_second[name].folder, first.grid) for name in compared}
        except UnderoakError as error:
            if error.faults[0].code != "E603":
                raise
            why = f"{error.faults[0].where} {error.faults[0].what}"
    versions = [run.manifest.software for run in (first, second)]
    pairs = {name: tuple(of_run.get(name, "none") for of_run in versions) for name in versions[0] | versions[1]}
    return Comparison(
        first=first,
        second=second,
        outputs=outputs,
        plan=_plan(first, second, shared),
        inputs=_inputs(first, second),
        software={name: (a, b) for name, (a, b) in pairs.items() if a != b},
        cases={n: CaseComparison(cells.get(n), _parcels(of_first[n], of_second[n])) for n in compared},
        not_compared=why,
    )


def _plan(first: FinishedRun, second: FinishedRun, shared: Sequence[str]) -> tuple[PlanChange, ...]:
    """Return the changes of all cases; a change of some cases only names their folders."""
    if not shared:
        return tuple(plan_changes(PlanOfCase.of(first.manifest), PlanOfCase.of(second.manifest)))
    folders_by_change: dict[PlanChange, list[str]] = {}
    for folder in shared:
        for change in plan_changes(*(PlanOfCase.of(run.cases[folder].manifest) for run in (first, second))):
            folders_by_change.setdefault(change, []).append(folder)
    changes = [
        change if len(folders) == len(shared) else replace(change, words=f"{change.words} (in {', '.join(folders)})")
        for change, folders in folders_by_change.items()
    ]
    for run, other, order in ((first, second, "first"), (second, first, "second")):
        for folder in run.cases:
            if folder not in other.cases:
                changes.append(PlanChange(f"view {folder}", f"{folder}: only the {order} run judges it", "words"))
    return tuple(changes)


def _outputs(one: Manifest, other: Manifest) -> OutputChange:
    sums = [{file.path: file.sha256 for file in manifest.outputs} for manifest in (one, other)]
    shared = sorted(sums[0].keys() & sums[1].keys())
    return OutputChange(
        tuple(name for name in shared if sums[0][name] == sums[1][name]),
        tuple(name for name in shared if sums[0][name] != sums[1][name]),
        tuple(sorted(sums[0].keys() - sums[1].keys())),
        tuple(sorted(sums[1].keys() - sums[0].keys())),
    )


def _inputs(first: FinishedRun, second: FinishedRun) -> tuple[InputChange, ...]:
    sums: list[dict[str, list[str]]] = [{}, {}]
    used: set[str] = set()
    for of_run, run in zip(sums, (first, second), strict=True):
        for case in run.cases.values():
            used |= used_layers(PlanOfCase.of(case.manifest))
        for file in run.manifest.inputs:
            for of in file.of:
                of_run.setdefault(of, []).append(file.sha256)
    changes = []
    for of in sorted(sums[0].keys() | sums[1].keys()):
        before, after = (tuple(sorted(of_run.get(of, ()))) for of_run in sums)
        if before != after and of != "plan":  # the plan is compared key by key
            changes.append(InputChange(of, before, after, _input_touches(of, used)))
    return tuple(changes)


def _input_touches(of: str, used: set[str]) -> Touches:
    if of.split(".")[0] in ("parcels", "lab", "deal", "rules"):
        return "parcels"
    # a scenario's file is named after the layer that it replaces: rain (m1_mid)
    return "words" if of.startswith("layers.") and of.removeprefix("layers.").split(" (")[0] not in used else "cells"


def _parcels(first: FinishedRun, second: FinishedRun) -> ParcelsChange | None:
    if first.parcels is None and second.parcels is None:
        return None
    one, other = _rows(first), _rows(second)
    shared = [
        ParcelChange(
            id,
            (a.rank, b.rank),
            (a.suitability, b.suitability),
            (a.name, b.name),
            (a.verdict, b.verdict),
            (a.answer, b.answer),
        )
        for id, a in one.items()
        if (b := other.get(id)) is not None
    ]
    changed = [change for change in shared if _is_changed(change)]
    changed.sort(key=lambda c: (-abs(c.moved), -abs(c.gained), c.id))
    return ParcelsChange(
        len(shared),
        tuple(id for id in one if id not in other),
        tuple(id for id in other if id not in one),
        tuple(changed),
    )


class _Row(NamedTuple):
    """The results of a parcel that are compared; None where it was not judged."""

    rank: int | None = None
    suitability: float | None = None
    name: str | None = None  # of its class
    verdict: str | None = None
    answer: str | None = None


def _rows(run: FinishedRun) -> dict[str, _Row]:
    table: pd.DataFrame | None = run.parcels
    if table is None:
        return {}
    names = ["rank", "suitability", "class"]
    if "suitability" not in table:  # the table of all cases
        case = run.manifest.cases[0]
        label = "_".join(part for part in (case.species, case.scenario) if part) or "present"
        names = [f"{name}_{label}" for name in names]
    judged = table[names[0]].notna()
    verdicts, answers = _texts(table, "verdict"), _texts(table, "answer")
    columns = judged, verdicts, answers, table["id"], *(table[name] for name in names)
    return {
        str(id): _Row(int(rank), float(score), str(name), verdict, answer)
        if is_judged
        else _Row(verdict=verdict, answer=answer)
        for is_judged, verdict, answer, id, rank, score, name in zip(*columns, strict=True)
    }


def _texts(table: pd.DataFrame, name: str) -> list[str | None]:
    """Return the texts of a column; None where a parcel has none, or the table no such column."""
    column = table[name] if name in table else [None] * len(table)
    return [text if isinstance(text, str) else None for text in column]


def _is_changed(change: ParcelChange) -> bool:
    return change.rank[0] != change.rank[1] or change.has_other_result


def class_hectares(run: FinishedRun) -> dict[int, float]:
    """Return the area of each class code inside the region [ha], from the counts in the manifest."""
    grid = run.grid
    middle = type(grid.window)(grid.rows // 2, grid.cols // 2, 1, 1)
    cell = float(cell_areas(grid, middle)[0, 0]) / 1e4
    counts = run.manifest.cases[0].counts.classes
    return {code: cells * cell for code, cells in sorted(counts.items(), key=lambda item: str(item[0]))}
