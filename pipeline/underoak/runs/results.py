"""What a run leaves beside its rasters: tables, pictures, reports and manifests, for each view and for all together."""

from __future__ import annotations

import datetime
import math
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from underoak.base.errors import Problems
from underoak.base.grid import Window
from underoak.engine.judge.recipe import TileCounts
from underoak.engine.prepare.prepare import Prepared, PreparedCase, relief_source
from underoak.engine.scenario_rasters import ScenarioCounts, threshold
from underoak.engine.storage.manifest import MANIFEST, CaseManifest, Counts
from underoak.engine.system import peak_memory_mb
from underoak.engine.write.checksums import InputRecord, file_records, software
from underoak.engine.write.cog import BLOCK
from underoak.engine.write.outputs import UINT16_STEPS
from underoak.indicators import cell_areas, cell_metres
from underoak.places import (
    find_zones,
    mark_cut_zones,
    overlap_warning,
    parcel_table,
    range_of,
    reading,
    write_parcels,
    write_zones,
)
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import parcel_columns
from underoak.places.columns.zones import ZONES
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.soil.calibration import calibrated, calibration_warnings
from underoak.places.soil.lab_results import with_lab
from underoak.places.verdicts.mean_draws import after_lab
from underoak.places.verdicts.rank_order import order_of, with_order, write_ranks
from underoak.places.verdicts.saved_cells import SavedCells
from underoak.places.verdicts.scenario_table import futures_of_parcels, with_novelty, write_futures_table
from underoak.places.verdicts.sensitivity import swap_of_first_two
from underoak.places.verdicts.verdicts import with_verdicts
from underoak.places.wild.share_warnings import unusual_share
from underoak.places.wild.zone_draws import COLUMN, s2_shares
from underoak.plan.keys.constraints import ShapesConstraint
from underoak.plan.plan import Case, Plan
from underoak.report import Findings, cases_html, joined_parcels, legend_sld, map_png, relief_of, report_html, stac_item
from underoak.report.page.pair_columns import planting_rows, with_pairs
from underoak.report.page.scenario_section import futures_section
from underoak.report.text.cell_sentences import SENTENCES
from underoak.runs.manifest import case_manifest, run_manifest

_DATED = ("report.html", "item.json")  # they say when they were made


def parcels_of(folder: str) -> str:
    """The name under which a view's parcels are summed."""
    return f"{folder}/parcels" if folder else "parcels"


def cells_of(folder: str) -> str:
    """The name under which a view's sampled cells are kept."""
    return f"{folder}/cells" if folder else "cells"


def spread_of(folder: str) -> str:
    """The name under which the draws of a view's parcels are kept."""
    return f"{folder}/spread" if folder else "spread"


def collect_findings(
    plan: Plan, prepared: Prepared, stage: Path, notes: TileCounts, tables: dict[str, Any], problems: Problems,
    made: datetime.datetime, parcels: Parcels | None,
) -> list[Findings]:  # fmt: skip
    """What every view found; its rasters lie in the stage already."""
    grid = prepared.grid
    middle = Window(grid.rows // 2, grid.cols // 2, 1, 1)
    cell_ha = float(cell_areas(grid, middle)[0, 0]) / 1e4
    found: list[Findings] = []
    spreads: dict[str, ParcelDraws | None] = {}
    for at, (case, ready) in enumerate(zip(plan.cases, prepared.cases, strict=True)):
        table, first_two, calibration, order = None, None, {}, None
        if parcels_of(case.folder) in tables:
            sums, cells = tables[parcels_of(case.folder)], tables[cells_of(case.folder)]
            lab = with_lab(case.plan, ready, grid, sums, cells, problems)
            sums, cells = lab.sums, lab.cells
            table = parcel_table(case.plan, sums, cells, lab.findings if case.plan.spec.lab is not None else None)
            criteria = [c.name for c in case.plan.criteria]
            first_two = swap_of_first_two(table, sums.ids, cells, criteria, case.plan.rules)
            kept = SavedCells.of(case.plan, ready, grid, table, sums.ids, cells, lab.by_parcel)
            if kept is not None:
                kept.write(stage / case.folder)
            if not case.scenario:
                calibration = calibrated(lab.by_parcel)
                problems.extend(calibration_warnings(calibration))
        spread = tables.get(spread_of(case.folder))
        if table is not None and spread is not None:
            mode = case.plan.spec.lab.mode if case.plan.spec.lab is not None else ""
            spread = spreads[case.folder] = after_lab(case.plan, spread, lab, mode)
            table = spread.add_to(table, case.plan.rules)
            if not case.scenario:
                table = with_verdicts(case.plan, ready.units, table, spread)
                order = order_of(case.plan, table, spread, cells)
                table = table if order is None else with_order(table, order)
        if table is not None and at == 0:
            overlap = overlap_warning(table)
            problems.extend([overlap] if overlap else [])
        own = notes.of(at)
        # a view's layers go by the plan's names
        missing = {name: own.missing[stacked] for name, stacked in ready.stacked.items() if stacked in own.missing}
        counts = Counts(
            inside=own.inside, missing=missing, excluded=own.excluded,
            classes={int(code): cells for code, cells in own.classes.items()}, weakest=own.weakest,
        )  # fmt: skip
        grains = {name: _grain(case.plan, ready, name) for name in ready.facts}
        if not case.scenario:
            problems.extend(unusual_share(case.plan, own.classes, prepared))
        found.append(
            Findings(
                case.plan, grid, table, _zones(case, stage, prepared), counts, ready.facts, ready.units, grains,
                cell_ha, tuple(problems.warnings), made, software(), case.label if case.folder else "", ready.months,
                first_two=first_two, calibration=calibration, order=order, is_future=bool(case.scenario),
            )
        )  # fmt: skip
    return with_pairs(plan.cases, found, prepared, parcels, spreads)


def _zones(case: Case, stage: Path, prepared: Prepared) -> Any:
    plan = case.plan
    if plan.zones is None:
        return None
    with reading(stage / case.folder) as (read, grid):
        found = find_zones(
            read, grid, [c.name for c in plan.criteria], plan.zones.at_least, plan.zones.min_area_m2,
            plan.zones.connect, BLOCK,
        )  # fmt: skip
    drawn = s2_shares(stage / case.folder, prepared.grid, found.geometry.to_numpy())
    if drawn is not None:
        found = arrange(found.assign(**{COLUMN: drawn}), ZONES)
    return mark_cut_zones(found, range_of(plan, prepared)) if plan.purpose == "restore" else found


def _grain(plan: Plan, ready: PreparedCase, name: str) -> float:
    """Side of the cells that a layer's source truly resolves [m]: what the plan says, else those of its file."""
    said = plan.layers[name].grain_m
    if said is not None:
        return float(said)
    grid = next(layer for layer in ready.layers if layer.name == name).source_layer.grid
    strip = cell_metres(grid, Window(grid.rows // 2, grid.cols // 2, 1, 1))[0]
    return math.sqrt(abs(float(strip.dx[0] * strip.dy[0])))


def write_results(
    plan: Plan, prepared: Prepared, stage: Path, findings: Sequence[Findings], parcels: Parcels | None,
    inputs: Sequence[InputRecord], when: dict[str, Any], began: float, shares: Mapping[str, ScenarioCounts],
) -> None:  # fmt: skip
    """Write everything but the rasters into the stage, the manifest of the whole run last.

    `shares` is what `engine.scenario_rasters` counted of each species that has futures.
    """
    relief = relief_of(prepared.grid, relief_source(prepared))
    cases = []
    for case, ready, found in zip(plan.cases, prepared.cases, findings, strict=True):
        cases.append(_write_case(case, ready, relief, stage / case.folder, found, parcels))
        if case.folder:
            _write_manifest(
                found, stage / case.folder, [cases[-1].model_copy(update={"folder": ""})], inputs, when, began
            )
    if plan.case_plans:
        if parcels is not None:
            columns = parcel_columns(plan.purpose, SENTENCES, is_joined=True)
            write_parcels(stage, joined_parcels(plan.cases, findings), parcels, columns)
        sections = _futures(plan, stage, findings, shares, parcels)
        (stage / "report.html").write_text(cases_html(plan, findings, sections), encoding="utf-8")
    _write_manifest(replace(findings[0], plan=plan), stage, cases, inputs, when, began)


def _futures(
    plan: Plan, stage: Path, findings: Sequence[Findings], shares: Mapping[str, ScenarioCounts], parcels: Parcels | None
) -> list[dict[str, Any]]:
    """The tables of futures, and what the report says of them, species by species."""
    by_folder = {case.folder: found for case, found in zip(plan.cases, findings, strict=True)}
    sections = []
    for present, futures in plan.futures_of:
        found, at_least, table = by_folder[present.folder], threshold(plan, present), None
        shared = shares[present.folder]
        if found.parcels is not None:
            assert parcels is not None
            table = futures_of_parcels(
                found.parcels, [by_folder[v.folder].parcels for v in futures], [v.scenario for v in futures],
                plan.future_weights, [c.name for c in present.plan.criteria], present.plan.rules, at_least,
            )  # fmt: skip
            table = with_novelty(table, parcels.ids, shared.novelty)
            write_futures_table(stage / present.together, table)
        sections.append(futures_section(plan, present, found, shared, at_least, table))
    return sections


def _write_case(
    case: Case, ready: PreparedCase, relief: Any, folder: Path, found: Findings, parcels: Parcels | None
) -> CaseManifest:
    if found.parcels is not None:
        assert parcels is not None
        write_parcels(folder, found.parcels, parcels, parcel_columns(case.plan.purpose, SENTENCES))
    if found.order is not None:
        write_ranks(folder, found.order, [criterion.name for criterion in found.criteria])
    if found.zones is not None:
        write_zones(folder, found.zones)
    picture = map_png(found, folder, relief, parcels)
    (folder / "map.png").write_bytes(picture)
    top = float(UINT16_STEPS) if case.plan.outputs.dtype == "uint16" else 1.0
    (folder / "legend.sld").write_text(legend_sld(top), encoding="utf-8")
    planting = [] if case.scenario else planting_rows(found, parcels, folder)
    (folder / "report.html").write_text(report_html(found, picture, planting), encoding="utf-8")
    return case_manifest(case, ready, found.counts, found.criteria, found.grains)


def _write_manifest(
    found: Findings, folder: Path, cases: Sequence[CaseManifest], inputs: Sequence[InputRecord], when: dict[str, Any],
    began: float,
) -> None:  # fmt: skip
    plan = found.plan
    files = [path for path in folder.rglob("*") if path.is_file()]
    outputs = file_records((path for path in files if path.name not in (*_DATED, MANIFEST)), folder)
    made = datetime.datetime.fromisoformat(when["started"])
    item = stac_item(plan.title, f"underoak-{plan.hash[:12]}", found.grid, outputs, made)
    (folder / "item.json").write_text(item, encoding="utf-8")
    dated = file_records((folder / name for name in _DATED), folder)
    spent = {"seconds": round(time.monotonic() - began, 3), "peak_mb": round(peak_memory_mb(), 1), "outputs": dated}
    warnings = [str(fault) for fault in found.warnings]
    manifest = run_manifest(plan, found.grid, cases, inputs, outputs, when | spent, warnings)
    (folder / MANIFEST).write_text(manifest.dump(), encoding="utf-8")


def input_files(plan: Plan, prepared: Prepared) -> dict[Path, set[str]]:
    """Every file that was read, with the keys of the plan that name it."""
    files: dict[Path, set[str]] = {}
    for ready in prepared.cases:
        for layer in ready.layers:
            for origin, source in zip(ready.case.plan.origins(layer.name), layer.source_layer.sources, strict=True):
                for file in source.facts.files:
                    files.setdefault(Path(file), set()).add(f"layers.{ready.stacked_origin(layer.name, origin)}")
        for name, quantiles in ready.quantiles.items():
            for level, layer in quantiles:
                if layer.name != name:
                    for file in layer.source_layer.source.facts.files:
                        key = f"layers.{ready.stacked[name]}.quantiles.{level:g}"
                        files.setdefault(Path(file), set()).add(key)
    for key, path in _named_shapes(plan):
        files.setdefault(path, set()).add(key)
    if plan.path is not None:
        files.setdefault(plan.path, set()).add("plan")
    return files


def names_of_results(plan: Plan, rasters: Iterable[str]) -> list[str]:
    """Files that a run will write, as far as that is known before anything is computed."""
    each = [*_DATED, MANIFEST, *(["parcels.csv", "parcels.gpkg"] if plan.parcels is not None else [])]
    own = [*each, "map.png", "legend.sld", *(["zones.gpkg"] if plan.zones is not None else [])]
    return [*rasters, *each, *(f"{case.folder}/{name}".lstrip("/") for case in plan.cases for name in own)]


def named_files(plan: Plan) -> list[Path]:
    """The files that a plan names, before any is opened; what those name in turn is not known yet."""
    layers = [layer.file for case in plan.cases for layer in case.plan.layers.values() if layer.file is not None]
    every = [layer.quantiles or {} for case in plan.cases for layer in case.plan.layers.values()]
    layers += [other.file for quantiles in every for other in quantiles.values()]
    return [*(plan.base / file for file in layers), *(path for _, path in _named_shapes(plan))]


def _named_shapes(plan: Plan) -> list[tuple[str, Path]]:
    named = [("region", plan.region.area), ("parcels", plan.parcels.file if plan.parcels else None)]
    named += [("lab", plan.spec.lab.file if plan.spec.lab else None)]
    named += [("native", plan.spec.native.file if plan.spec.native else None)]
    named += [(f"constraints.{c.name}", c.file) for c in plan.constraints if isinstance(c, ShapesConstraint)]
    return [(key, plan.base / written) for key, written in named if written is not None]
