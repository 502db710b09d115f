"""One function does the job: `run(plan)` judges the ground, ranks it, and leaves a run folder behind."""

from __future__ import annotations

import datetime
import json
import os
import time
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from underoak.deliver import (
    cells_of,
    deliver,
    gather,
    input_files,
    named_files,
    names_of_results,
    parcels_of,
    spread_of,
)
from underoak.engine.address import Address
from underoak.engine.cluster import pool_of
from underoak.engine.disk import check_room
from underoak.engine.doubt_outputs import doubt_outputs
from underoak.engine.folder import MANIFEST, RunFolder, finish_publishing
from underoak.engine.futures import Shared, write_futures
from underoak.engine.identity import Identity
from underoak.engine.inputs import Inputs, glance
from underoak.engine.needs import Extent, Needs, needs, within
from underoak.engine.outputs import Output, standard_outputs
from underoak.engine.prepare import Prepared, PreparedView, prepare
from underoak.engine.progress import Progress, duration
from underoak.engine.recipe import Notes
from underoak.engine.reducer import DrawReducer, Reducer
from underoak.engine.runner import build_overviews, recount, reduced, run_tiles, whole_tiles, write_rasters
from underoak.engine.spool import TILE
from underoak.engine.stop import Stop
from underoak.engine.tile import Work
from underoak.engine.trial import is_compiled, trial
from underoak.engine.unfinished import spool_of
from underoak.errors import Fault, Problems, UnderoakError
from underoak.grid import Grid
from underoak.layers.plain_names import plain_to_read
from underoak.layers.quantile_files import tell_crossing
from underoak.places import hold, withhold
from underoak.plan.doubt_words import doubt_lines
from underoak.plan.resolved import Plan
from underoak.report import (
    Findings,
    decision,
    explain,
    explain_zone,
    field_sheet,
    fielded,
    lab_request,
    parcel_place,
    sampled,
    sensitivity_in,
    sensitivity_words,
    swap_in,
    zone_place,
)

if TYPE_CHECKING:
    import geopandas as gpd
    import xarray as xr

    from underoak.places import Sampling, Sensitivity
    from underoak.places.field.planting import Way

_IMPLAUSIBLE = 0.001  # share of a layer's cells that may be dropped before the run stops


@dataclass(frozen=True)
class Run:
    """A finished run: its folder, and what is in it."""

    folder: Path
    manifest: dict[str, Any]
    findings: tuple[Findings, ...] = ()  # of every view, when it was just made

    def __repr__(self) -> str:
        return f"<Run of {self.manifest['plan']['title']!r} in {str(self.folder)!r}>"

    @classmethod
    def open(cls, folder: Path | str) -> Run:
        """A run that was finished earlier; one that was killed while its files got their final names is finished now.

        Raises:
            UnderoakError: E603 when the folder holds no finished run.
        """
        path = Path(folder) / MANIFEST
        finish_publishing(Path(folder))
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            mend = "name the folder that `underoak run` wrote, or run the plan again"
            raise UnderoakError(Fault("E603", "holds no finished run", str(folder), mend)) from error
        if not isinstance(content, dict) or not {"plan", "grid", "views"} <= content.keys():
            what = "holds a run of an older build, which says too little of itself"
            raise UnderoakError(Fault("E603", what, str(folder), "run the plan again"))
        return cls(Path(folder), content)

    @property
    def views(self) -> dict[str, Run]:
        """The runs of single species and futures, by folder; this run itself under "" where there is but one."""
        folders = [view["folder"] for view in self.manifest["views"]]
        return {folder: Run.open(self.folder / folder) if folder else self for folder in folders}

    @property
    def grid(self) -> Grid:
        """The analysis grid."""
        grid = self.manifest["grid"]
        return Grid(grid["crs"], tuple(grid["transform"]), grid["rows"], grid["cols"])

    @cached_property
    def dataset(self) -> xr.Dataset:
        """The rasters as a lazy dataset: cells are read where they are looked at."""
        from underoak.engine.dataset import open_run

        return open_run(self.folder, self.grid, [c["name"] for c in self._only_view()["criteria"]])

    def _only_view(self) -> dict[str, Any]:
        views: list[dict[str, Any]] = self.manifest["views"]
        if len(views) > 1:
            folders = [view["folder"] for view in views]
            mend = "name one of its folders: " + ", ".join(filter(None, folders))
            if "" in folders:  # its tables are those of all views together
                mend += "; for the present, run the plan without `scenarios` into a folder of its own"
            raise UnderoakError(Fault("E608", "this run holds several species or futures", str(self.folder), mend))
        return views[0]

    @cached_property
    def parcels(self) -> gpd.GeoDataFrame | None:
        """The ranked parcels with their shapes, best first; None when the plan has none."""
        return self._table("parcels.gpkg")

    @cached_property
    def zones(self) -> gpd.GeoDataFrame | None:
        """The ranked zones with their shapes, best first; None when the plan asks for none."""
        return self._table("zones.gpkg")

    def _table(self, name: str) -> gpd.GeoDataFrame | None:
        import geopandas as gpd

        path = self.folder / name
        if not path.exists():
            return None
        with plain_to_read(path) as plain:
            return gpd.read_file(plain, engine="pyogrio")

    @property
    def unjudged(self) -> int:
        """Parcels that could not be judged."""
        return 0 if self.parcels is None else int(self.parcels["rank"].isna().sum())

    def explain(self, parcel: str) -> str:
        """Why a parcel stands where it stands, in words.

        Raises:
            UnderoakError: E604 when the run has no such parcel.
        """
        return explain(self._only_view(), self.manifest["plan"], self.parcels, parcel)

    def sensitivity(self, parcel: str) -> Sensitivity:
        """What a parcel's suitability depends on, input by input: shares of its doubt, and how far each moves it.

        Raises:
            UnderoakError: E604 when the run has no such parcel, E609 when no layer is in doubt there, or its cells
                were not kept.
        """
        from underoak.places.answer.kept import Kept

        self._only_view()
        parcel_place(self.parcels, parcel)
        return sensitivity_in(Kept.read(self.folder), parcel)

    def explain_sensitivity(self, parcel: str) -> str:
        """The same in words, with the least change of one weight that would turn the order of the first two parcels.

        Raises:
            UnderoakError: as `sensitivity`.
        """
        from underoak.places.answer.kept import Kept

        found, kept = self.sensitivity(parcel), Kept.read(self.folder)
        return sensitivity_words(self._only_view(), kept, parcel, found, swap_in(kept, self.parcels))

    def explain_zone(self, zone: str) -> str:
        """Why a zone, named by its rank or its id, stands where it stands, in words.

        Raises:
            UnderoakError: E604 when the run has no such zone.
        """
        from underoak.places import mean_memberships

        view, place = self._only_view(), zone_place(self.zones, zone)
        assert self.zones is not None
        means = mean_memberships(self.folder, self.grid, self.zones.geometry.iloc[place])
        return explain_zone(view, self.zones, zone, means.tolist())

    def field_sheet(
        self, parcel: str | None = None, zone: str | None = None, establish: Way | None = None,
        spacing_m: tuple[float, float] | None = None, setback_m: float = 4.0,
    ) -> str:  # fmt: skip
        """What to do on one parcel or zone: soil, lime and water, rows of trees, plants, inoculum, calendar, cautions.

        `establish` is nuts, pots, whips or wild, `spacing_m` the metres between rows and along them; see
        `report.fielded`. Nothing is written.

        Raises:
            UnderoakError: E604 when the run has none of that name, E440 without a shape, E442 for wild ground where
                the truffle is not native.
        """
        self._only_view()
        if parcel is not None:
            table, kind, place = self.parcels, "parcel", parcel_place(self.parcels, parcel)
        else:
            table, kind, place = self.zones, "zone", zone_place(self.zones, str(zone))
        field = fielded(
            self.folder, self.manifest, self.grid, table, place, kind, establish, spacing_m, setback_m
        )  # fmt: skip
        return field_sheet(field)

    def sample(
        self, parcel: str, n: int, range_m: float | None = None, setback_m: float = 10.0, spacing_m: float = 10.0
    ) -> Sampling:
        """Where to take `n` soil samples of a parcel; see `places.sample_parcel`. Nothing is written.

        Raises:
            UnderoakError: E604 when the run has no such parcel, E440, E441 when it cannot be sampled so.
        """
        return sampled(self.folder, self.manifest, self.grid, self.parcels, parcel, n, range_m, setback_m, spacing_m)

    def write_sample(self, sampling: Sampling, out: Path | str | None = None) -> list[Path]:
        """Points and request as files, in a folder beside the run unless another is given.

        Raises:
            UnderoakError: E306 when one of them is there already, E501, E502.
        """
        from underoak.places import safe_name, write_sampling

        run = self.folder.resolve()
        beside = run.parent / f"{run.name}-sampling" / safe_name(sampling.parcel)
        return write_sampling(Path(out) if out is not None else beside, sampling, lab_request(sampling))

    def pointers(self) -> list[str]:
        """Where things are, and what to try next."""
        lines = [f"Report: {self.folder / 'report.html'}"]
        if len(self.manifest["views"]) > 1:
            return [*lines, "Next:   open it; each species and future has a folder and a report of its own"]
        lines.append(f"Map:    {self.folder / 'map.png'}")
        if self.parcels is not None and len(self.parcels):
            best = str(self.parcels.iloc[0]["id"])
            lines.append(f"Next:   underoak explain {self.folder} --parcel {_quoted(best)}")
        return lines


def _quoted(text: str) -> str:
    import shlex

    return shlex.quote(text)


def run(
    plan: Plan,
    *,
    out: Path | str | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    tile: int | None = None,
    memory: int | None = None,
    resume: bool | None = None,
    progress: Progress | None = None,
    strict: bool = False,
    stop: Stop | None = None,
    seed: int | None = None,
) -> Run:
    """Judge the ground a plan describes and write the run folder.

    Args:
        plan: from `load_plan`.
        out: the run folder; the plan's `outputs.folder` unless given.
        workers: threads; one a core unless given. The results do not depend on it.
        cluster: `local:N`, or a scheduler's address; its workers judge instead. The results do not depend on it.
        tile: cells along a tile's side, rounded up to whole blocks. The results do not depend on it.
        memory: most memory that the process may use [bytes]; fewer workers and smaller tiles keep it, by an estimate.
        resume: what to do with the tiles that a stopped run left in the folder. None: go on with them where plan,
            inputs and software are the same, else leave them; True: the same, but E602 where something has changed;
            False: throw them away.
        progress: who is told; nobody unless given.
        strict: warnings stop the run.
        stop: asks the run to end early; its finished tiles are kept.
        seed: instead of the plan's own, for what is drawn.

    Raises:
        UnderoakError: with every fault found before computing starts, or the one that stopped it; no file is then
            left half-written under a final name, and finished tiles are kept.
    """
    began, started = time.monotonic(), datetime.datetime.now(datetime.UTC)
    plan = plan if seed is None else plan.seeded(seed)
    told = progress or Progress("none")
    folder = Path(out) if out is not None else plan.base / plan.outputs.folder
    threads, size = workers or os.cpu_count() or 1, whole_tiles(tile or TILE)
    address = Address.usable(cluster)
    seen = glance(named_files(plan))
    prepared = hold(plan, prepare(plan, strict=strict), strict)
    _log_start(plan, prepared, told)
    problems = Problems(warnings=list(prepared.warnings))
    for fault in prepared.warnings:
        told.warn(fault)
    work, parcels = _work(plan, prepared, problems, strict)
    with told.step("checksums of inputs"):
        inputs = Inputs(input_files(plan, prepared), plan.base, plan.path, seen)
    identity = Identity.of(plan, prepared.grid, inputs.sums, work.outputs)
    extent = Extent.of(plan, work, prepared, parcels)
    if memory is not None:
        threads, size = within(memory, extent, threads, size)
    need, stop = needs(extent, threads, size), stop or Stop()
    with (
        RunFolder(folder, names_of_results(plan, (output.layout.name for output in work.outputs))) as held,
        spool_of(held, identity, prepared.grid, need.disk_mb, resume, told, strict) as spool,
    ):
        when = {"started": started.isoformat(timespec="seconds"), "tile": size, "tiles_kept": spool.tiles}
        with pool_of(address, threads) as pool:
            when["workers"] = pool.workers
            if not is_compiled():
                told.say("Compiling for this machine, once: about half a minute.")
            run_tiles(work, spool, size, pool, told, stop, inputs.watch)
        if when["tiles_kept"] or address is not None:
            recount(work, spool.notes)
        # neighbouring tiles read some cells twice, so these depend on how the ground was cut up
        when["source_cells"] = {"read": spool.notes.read, "implausible": spool.notes.implausible}
        _check_counts(prepared, spool.notes, problems)
        with told.step("overviews"):
            build_overviews(spool, work.outputs, prepared.grid, threads)
        with told.step("rasters"):
            write_rasters(spool, work.outputs, prepared.grid, held.stage)
        shares: dict[str, Shared] = {}
        if plan.futures_of:
            with told.step("futures"):
                edges = parcels.on(prepared.grid) if parcels is not None else None
                shares = write_futures(plan, prepared, spool, held.stage, edges)
        told.start("tables, maps and report", 0)
        tables = reduced(spool, work.reducers)
        findings = gather(plan, prepared, held.stage, spool.notes, tables, problems, started, parcels)
        problems.stop_if_any(strict)
        for fault in problems.warnings[len(prepared.warnings) :]:
            told.warn(fault)
        deliver(plan, prepared, held.stage, findings, parcels, inputs.described, when, began, shares)
        told.finish()
        inputs.check()
        with stop.patient():
            held.publish()
    content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    spent = {key: content["when"][key] for key in ("seconds", "peak_mb")}
    told.log("run_done", folder=str(folder), **spent, outputs=content["outputs"])
    return Run(folder, content, tuple(findings))


def _log_start(plan: Plan, prepared: Prepared, told: Progress) -> None:
    told.log(
        "run_start",
        plan=str(plan.path) if plan.path else None,
        title=plan.title,
        plan_sha256=plan.hash,
        grid=asdict(prepared.grid),
        layers=[layer.name for layer in prepared.recipe.stack.layers],
        views=[view.folder for view in plan.batch],
    )


def _work(plan: Plan, prepared: Prepared, problems: Problems, strict: bool) -> tuple[Work, Any]:
    """Rasters and sums for every view, and the parcels they are for."""
    outputs: list[Output] = []
    tallies: list[Reducer | DrawReducer] = []
    parcels = None
    if plan.parcels is not None:
        from underoak.places import Sample, Tally, read_lab, read_parcels, spreading_of

        before = len(problems.warnings)
        spec, crs = plan.parcels, prepared.grid.crs
        parcels = read_parcels(plan.base / spec.file, spec.id, crs, problems, spec.features)
        problems.stop_if_any(strict and len(problems.warnings) > before)
        assert parcels is not None
    for at, view in enumerate(plan.batch):
        criteria, rules = [c.name for c in view.plan.criteria], view.plan.rules
        sparse = rules.missing == "renormalise"
        outputs += standard_outputs(plan.title, criteria, plan.outputs.dtype, sparse, view.folder, at)
        doubt = prepared.recipe.variants[at].doubt
        if doubt is not None:
            outputs += doubt_outputs(plan.title, doubt, plan.outputs.dtype, view.folder, at)
        if parcels is not None:
            outline, curves = prepared.recipe.outline, [c.curve for c in view.plan.criteria]
            names = [c.name for c in view.plan.constraints]
            tally = Tally.of(
                parcels, prepared.grid, criteria, rules, outline, curves, names, parcels_of(view.folder), at
            )
            tally = withhold(tally, view.plan, parcels, prepared)
            tallies += [tally, Sample.of(parcels, prepared.grid, name=cells_of(view.folder), variant=at)]
            if doubt is not None and doubt.layers:
                judged_by = [criterion.layer for criterion in prepared.recipe.variants[at].criteria]
                tallies.append(
                    spreading_of(parcels.ids, parcels.on(prepared.grid), judged_by, doubt, spread_of(view.folder), at)
                )
    if parcels is not None and plan.spec.lab is not None:
        for view, ready in zip(plan.batch, prepared.views, strict=True):
            read_lab(view.plan, ready.units, parcels.ids, problems)
        problems.stop_if_any(strict)
    return Work(prepared.recipe, tuple(outputs), tuple(tallies)), parcels


def _check_counts(prepared: Prepared, notes: Notes, problems: Problems) -> None:
    """Stop before anything is written when too much was dropped, or nothing is left to judge."""
    told = {name: words for view in reversed(prepared.views) for name, words in view.told.items()}
    for stacked, dropped in notes.implausible.items():
        where, unit = told[stacked]
        share = dropped / notes.read[stacked] if notes.read[stacked] else 0.0
        if share > _IMPLAUSIBLE:
            what = f"{share:.2%} of its values cannot be true in {unit or 'their unit'}"
            problems.add("E204", what, where, "check unit, scale and nodata, or widen `valid`")
        elif dropped:
            what = f"a few values (less than {_IMPLAUSIBLE:.1%}) cannot be true and were taken as missing"
            problems.add("W204", what, where)
    for key, count in sorted(notes.crossing.items()):
        tell_crossing(count, notes.drawn[key], told[key.partition(":")[2]][0], problems)
    for at, view in enumerate(prepared.views):
        classes = notes.of(at).classes
        if any(int(code) <= 4 or code == "250" for code in classes):
            continue
        blank = [name for name, stacked in view.stacked.items() if notes.missing.get(stacked, -1) == notes.inside > 0]
        reason = f": {', '.join(blank)} has no value anywhere in it" if blank else ""
        problems.add("E250", f"nothing to judge in the region{reason}", "region", "check area, nodata and overlap")
    problems.stop_if_any()


def check(
    plan: Plan, *, deep: bool = False, strict: bool = False, workers: int | None = None, memory: int | None = None,
    seed: int | None = None,
) -> list[str]:  # fmt: skip
    """What a plan would do, without doing it: grid, layers, decisions, warnings, and what a run will need.

    A few blocks are judged in memory to tell the needs; nothing is written.

    Args:
        plan: from `load_plan`.
        deep: read every cell of every layer.
        strict: warnings count as faults.
        workers: as for `run`.
        memory: as for `run`.
        seed: as for `run`.

    Raises:
        UnderoakError: with every fault found.
    """
    plan = plan if seed is None else plan.seeded(seed)
    prepared = hold(plan, prepare(plan, strict=strict, deep=deep), strict)
    problems = Problems(warnings=list(prepared.warnings))
    work, parcels = _work(plan, prepared, problems, strict)
    grid, threads, tile = prepared.grid, workers or os.cpu_count() or 1, TILE
    extent = Extent.of(plan, work, prepared, parcels)
    if memory is not None:
        threads, tile = within(memory, extent, threads, tile)
    need = needs(extent, threads, tile, trial(work) if is_compiled() else None)
    short = check_room(plan.base / plan.outputs.folder, need.disk_mb * 1e6)
    problems.extend([short] if short else [])
    problems.stop_if_any(strict)
    lines = [
        f"{plan.title}",
        f"grid      {grid.rows} x {grid.cols} cells of {grid.cell_m:g} m in {grid.crs}",
    ]
    for view, found in zip(plan.batch, prepared.views, strict=True):
        if view.folder:
            lines.append(f"view      {view.label}, in {view.folder}")
        lines += _view_lines(view.plan, found)
    if parcels is not None:
        lines.append(f"parcels   {len(parcels)}")
    lines += [str(fault) for fault in problems.warnings]
    lines += _need_lines(need, threads)
    where = plan.path if plan.path is not None else "PLAN"
    lines.append(f"Next: underoak run {where}")
    return lines


def _need_lines(need: Needs, threads: int) -> list[str]:
    by = f"with {threads} worker{'s' if threads > 1 else ''}"
    lines = [
        f"needs     about {need.kept_mb:,.0f} MB on disk, {need.disk_mb:,.0f} MB while it runs; "
        f"{need.memory_mb:,.0f} MB of memory and {duration(need.seconds)} {by}"
    ]
    if not need.is_tried:
        lines.append(
            "          by averages, as nothing is compiled yet; the first run compiles for about half a minute"
        )
    return lines


def _view_lines(plan: Plan, found: PreparedView) -> list[str]:
    lines = []
    for name, facts in found.facts.items():
        file = plan.files_of(name)
        decided = decision(plan, name, facts, found.months.get(name, ()))
        lines.append(f"layer     {name}: {file} ({facts.format}), {decided}")
    for criterion in plan.criteria:
        lines.append(f"criterion {criterion.name}: weight {criterion.weight:.3f}, {criterion.in_words}")
    lines += doubt_lines(plan)
    return lines + [f"not judged {item}" for item in plan.not_judged]
