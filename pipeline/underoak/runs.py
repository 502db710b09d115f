"""One function does the job: `run(plan)` judges the ground, ranks it, and leaves a run folder behind."""

from __future__ import annotations

import datetime
import json
import math
import os
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from underoak.engine.cog import BLOCK
from underoak.engine.folder import MANIFEST, RunFolder
from underoak.engine.manifest import described, dump, manifest, software
from underoak.engine.needs import needs
from underoak.engine.outputs import UINT16_STEPS, standard_outputs
from underoak.engine.pool import Threads
from underoak.engine.prepare import Prepared, prepare, relief_source
from underoak.engine.progress import Progress, duration, resident_mb
from underoak.engine.runner import TILE, build_overviews, reduced, run_tiles, whole_tiles, write_rasters
from underoak.engine.spool import Spool
from underoak.engine.tile import Work
from underoak.errors import Fault, Problems, UnderoakError
from underoak.grid import Grid
from underoak.indicators import cell_areas, cell_metres
from underoak.report import Findings, decision, explain, legend_sld, map_png, report_html, stac_item

if TYPE_CHECKING:
    import geopandas as gpd
    import xarray as xr

_IMPLAUSIBLE = 0.001  # share of a layer's cells that may be dropped before the run stops


@dataclass(frozen=True)
class Run:
    """A finished run: its folder, and what is in it."""

    folder: Path
    manifest: dict[str, Any]
    findings: Findings | None = None

    @classmethod
    def open(cls, folder: Path | str) -> Run:
        """A run that was finished earlier.

        Raises:
            UnderoakError: E603 when the folder holds no finished run.
        """
        path = Path(folder) / MANIFEST
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            mend = "name the folder that `underoak run` wrote, or run the plan again"
            raise UnderoakError(Fault("E603", "holds no finished run", str(folder), mend)) from error
        return cls(Path(folder), content)

    @property
    def grid(self) -> Grid:
        """The analysis grid."""
        grid = self.manifest["grid"]
        return Grid(grid["crs"], tuple(grid["transform"]), grid["rows"], grid["cols"])

    @cached_property
    def dataset(self) -> xr.Dataset:
        """The rasters as a lazy dataset: cells are read where they are looked at."""
        from underoak.engine.dataset import open_run

        return open_run(self.folder, self.grid, [c["name"] for c in self.manifest["criteria"]])

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
        return gpd.read_file(path, engine="pyogrio") if path.exists() else None

    @property
    def unjudged(self) -> int:
        """Parcels that could not be judged."""
        return 0 if self.parcels is None else int(self.parcels["rank"].isna().sum())

    def explain(self, parcel: str) -> str:
        """Why a parcel stands where it stands, in words.

        Raises:
            UnderoakError: E604 when the run has no such parcel.
        """
        return explain(self.manifest, self.parcels, parcel)

    def pointers(self) -> list[str]:
        """Where things are, and what to try next."""
        lines = [f"Report: {self.folder / 'report.html'}", f"Map:    {self.folder / 'map.png'}"]
        if self.parcels is not None and len(self.parcels):
            best = str(self.parcels.iloc[0]["id"])
            lines.append(f"Next:   underoak explain {self.folder} --parcel {_quoted(best)}")
        return lines


def _quoted(text: str) -> str:
    import shlex

    return shlex.quote(text)


def run(
    plan: Any,
    *,
    out: Path | str | None = None,
    workers: int | None = None,
    tile: int | None = None,
    progress: Progress | None = None,
    strict: bool = False,
) -> Run:
    """Judge the ground a plan describes and write the run folder.

    Args:
        plan: from `load_plan`.
        out: the run folder; the plan's `outputs.folder` unless given.
        workers: threads; one a core unless given. The results do not depend on it.
        tile: cells along a tile's side, rounded up to whole blocks. The results do not depend on it.
        progress: who is told; nobody unless given.
        strict: warnings stop the run.

    Raises:
        UnderoakError: with every fault found before computing starts, or the one that stopped it; no file is then
            left half-written under a final name.
    """
    began, started = time.monotonic(), datetime.datetime.now(datetime.UTC)
    told = progress or Progress("none")
    folder = Path(out) if out is not None else plan.base / plan.outputs.folder
    threads, size = workers or os.cpu_count() or 1, whole_tiles(tile or TILE)
    prepared = prepare(plan, strict=strict)
    problems = Problems(warnings=list(prepared.warnings))
    for fault in prepared.warnings:
        told.warn(fault)
    work, parcels = _work(plan, prepared, problems, strict)
    with RunFolder(folder) as held:
        spool = Spool(held.spool, plan.hash)
        try:
            run_tiles(work, spool, size, Threads(threads), told)
            _check_counts(prepared, spool, problems)
            build_overviews(spool, work.outputs, prepared.grid)
            write_rasters(spool, work.outputs, prepared.grid, held.stage)
            tables = reduced(spool, work.reducers)
            counts = asdict(spool.notes)
        finally:
            spool.remove()
        when = {"started": started.isoformat(timespec="seconds"), "workers": threads, "tile": size}
        findings = _findings(plan, prepared, held, counts, tables, parcels, problems, started)
        problems.stop_if_any(strict)
        for fault in problems.warnings[len(prepared.warnings) :]:
            told.warn(fault)
        _write_rest(plan, prepared, held, findings, parcels, when, began)
        held.publish()
    content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    return Run(folder, content, findings)


def _work(plan: Any, prepared: Prepared, problems: Problems, strict: bool) -> tuple[Work, Any]:
    criteria = [c.name for c in plan.criteria]
    outputs = standard_outputs(plan.title, criteria, plan.outputs.dtype, plan.rules.missing == "renormalise")
    if plan.parcels is None:
        return Work(prepared.recipe, tuple(outputs), ()), None
    from underoak.places import Tally, read_parcels

    before = len(problems.warnings)
    spec, crs = plan.parcels, prepared.grid.crs
    parcels = read_parcels(plan.base / spec.file, spec.id, crs, problems, spec.features)
    problems.stop_if_any(strict and len(problems.warnings) > before)
    assert parcels is not None
    tally = Tally.of(parcels, prepared.grid, criteria, plan.rules, prepared.recipe.outline)
    return Work(prepared.recipe, tuple(outputs), (tally,)), parcels


def _check_counts(prepared: Prepared, spool: Spool, problems: Problems) -> None:
    """Stop before anything is written when too much was dropped, or nothing is left to judge."""
    notes = spool.notes
    for name, dropped in notes.implausible.items():
        share = dropped / notes.read[name] if notes.read[name] else 0.0
        where = f"{name} ({prepared.facts[name].path})"
        if share > _IMPLAUSIBLE:
            what = f"{share:.2%} of its values cannot be true in {prepared.units[name] or 'their unit'}"
            problems.add("E204", what, where, "check unit, scale and nodata, or widen `valid`")
        elif dropped:
            problems.add("W204", f"{dropped} values that cannot be true were taken as missing", where)
    judged = sum(count for code, count in notes.classes.items() if int(code) <= 4)
    if not judged and not notes.classes.get("250"):
        inside = notes.inside
        blank = [name for name, count in notes.missing.items() if count == inside] if inside else []
        reason = f": {', '.join(blank)} has no value anywhere in it" if blank else ""
        problems.add("E250", f"nothing to judge in the region{reason}", "region", "check area, nodata and overlap")
    problems.stop_if_any()


def _findings(
    plan: Any, prepared: Prepared, held: RunFolder, counts: dict[str, Any], tables: dict[str, Any], parcels: Any,
    problems: Problems, made: datetime.datetime,
) -> Findings:  # fmt: skip
    grid = prepared.grid
    middle = type(grid.window)(grid.rows // 2, grid.cols // 2, 1, 1)
    cell_ha = float(cell_areas(grid, middle)[0, 0]) / 1e4
    grains = {name: _grain(plan, prepared, name) for name in prepared.facts}
    table, zones = None, None
    if parcels is not None:
        from underoak.places import overlap_warning

        table = tables["parcels"]
        overlap = overlap_warning(table)
        problems.extend([overlap] if overlap else [])
    if plan.zones is not None:
        from underoak.places import find_zones, reading

        with reading(held.stage) as (read, zone_grid):
            zones = find_zones(
                read, zone_grid, [c.name for c in plan.criteria], plan.zones.at_least, plan.zones.min_area_m2,
                plan.zones.connect, BLOCK,
            )  # fmt: skip
    return Findings(
        plan, grid, table, zones, counts, prepared.facts, prepared.units, grains, cell_ha, tuple(problems.warnings),
        made, software(),
    )  # fmt: skip


def _grain(plan: Any, prepared: Prepared, name: str) -> float:
    """Side of the cells that a layer's source truly resolves [m]: what the plan says, else those of its file."""
    said = plan.layers[name].grain_m
    if said is not None:
        return float(said)
    grid = next(layer for layer in prepared.layers if layer.name == name).native.grid
    middle = type(grid.window)(grid.rows // 2, grid.cols // 2, 1, 1)
    strip = cell_metres(grid, middle)[0]
    return math.sqrt(abs(float(strip.dx[0] * strip.dy[0])))


def _write_rest(
    plan: Any, prepared: Prepared, held: RunFolder, findings: Findings, parcels: Any, when: dict[str, Any], began: float
) -> None:
    """Tables, pictures, report and manifest, each under its final name in the stage."""
    from underoak.places import write_parcels, write_zones

    stage = held.stage
    if findings.parcels is not None:
        write_parcels(stage, findings.parcels, parcels)
    if findings.zones is not None:
        write_zones(stage, findings.zones)
    picture = map_png(findings, stage, relief_source(prepared), parcels)
    (stage / "map.png").write_bytes(picture)
    top = float(UINT16_STEPS) if plan.outputs.dtype == "uint16" else 1.0
    (stage / "legend.sld").write_text(legend_sld(top), encoding="utf-8")
    outputs = described(stage.iterdir(), stage)
    (stage / "report.html").write_text(report_html(findings, picture), encoding="utf-8")
    item = stac_item(plan.title, f"underoak-{plan.hash[:12]}", prepared.grid, outputs, findings.made)
    (stage / "item.json").write_text(item, encoding="utf-8")
    dated = described((stage / name for name in ("report.html", "item.json")), stage)
    inputs = described(_input_files(plan, prepared), plan.base)
    when |= {"seconds": round(time.monotonic() - began, 3), "peak_mb": round(resident_mb(), 1), "outputs": dated}
    criteria = [asdict(criterion) for criterion in findings.criteria]
    warnings = [str(fault) for fault in findings.warnings]
    content = manifest(plan, prepared, inputs, outputs, when, findings.counts, criteria, warnings)
    (stage / MANIFEST).write_text(dump(content), encoding="utf-8")


def _input_files(plan: Any, prepared: Prepared) -> Iterable[Path]:
    """Every file that was read: rasters with the files they name, outlines, constraints, parcels, the plan itself."""
    for facts in prepared.facts.values():
        yield from (Path(name) for name in facts.files)
    named = [getattr(plan.region, "area", None), plan.parcels and plan.parcels.file]
    named += [spec.file for spec in plan.constraints if hasattr(spec, "file")]
    yield from (plan.base / name for name in named if name)
    if plan.path is not None:
        yield plan.path


def check(plan: Any, *, deep: bool = False, strict: bool = False, workers: int | None = None) -> list[str]:
    """What a plan would do, without doing it: grid, layers, decisions, warnings, and what a run will need.

    `deep` reads every cell of every layer.

    Raises:
        UnderoakError: with every fault found.
    """
    prepared = prepare(plan, strict=strict, deep=deep)
    problems = Problems(warnings=list(prepared.warnings))
    work, parcels = _work(plan, prepared, problems, strict)
    grid, threads = prepared.grid, workers or os.cpu_count() or 1
    lines = [
        f"{plan.title}",
        f"grid      {grid.rows} x {grid.cols} cells of {grid.cell_m:g} m in {grid.crs}",
    ]
    for name, facts in prepared.facts.items():
        file = plan.layers[plan.origin(name)].file
        lines.append(f"layer     {name}: {file} ({facts.format}), {decision(plan, name, facts)}")
    for criterion in plan.criteria:
        lines.append(f"criterion {criterion.name}: weight {criterion.weight:.3f}, {criterion.in_words}")
    lines += [f"not judged {item}" for item in plan.not_judged]
    if parcels is not None:
        lines.append(f"parcels   {len(parcels)}")
    lines += [str(fault) for fault in problems.warnings]
    need = needs(work, prepared, threads)
    lines.append(
        f"needs     {need.disk_mb:,.0f} MB on disk, {need.memory_mb:,.0f} MB of memory, {duration(need.seconds)}"
    )
    where = plan.path if plan.path is not None else "PLAN"
    lines.append(f"Next: underoak run {where}")
    return lines
