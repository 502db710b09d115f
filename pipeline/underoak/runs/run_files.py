"""The files of a run: named by its plan, read, and written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from underoak.decision.deal.deal_file import NAME as DEAL
from underoak.engine.prepare.prepare import Prepared
from underoak.engine.storage.manifest import MANIFEST
from underoak.plan.keys.constraints import ShapesConstraint
from underoak.plan.keys.decision.years import SeriesSpec
from underoak.plan.plan import Plan

DATED = ("report.html", "item.json")  # they hold the time of the run


def named_files(plan: Plan) -> list[Path]:
    """Return the files that a plan names. None is opened, so files that these name are missing."""
    layers = [layer for case_plan in plan.cases for layer in case_plan.layers.values()]
    files = [layer.file for layer in layers if layer.file is not None]
    files += [quantile.file for layer in layers for quantile in (layer.quantiles or {}).values()]
    return [*(plan.base / file for file in files), *(path for _, path in _named_shapes(plan))]


def input_files(plan: Plan, prepared: Prepared) -> dict[Path, set[str]]:
    """Return every file that was read, with the keys of the plan that name it."""
    files: dict[Path, set[str]] = {}
    for ready in prepared.cases:
        for layer in ready.layers:
            for origin, source in zip(ready.plan.origins(layer.name), layer.source_layer.sources, strict=True):
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


def result_names(plan: Plan, rasters: Iterable[str]) -> list[str]:
    """Return the names of the files that a run will write, as far as they are known before it computes anything."""
    in_every_folder = [*DATED, MANIFEST, *(["parcels.csv", "parcels.gpkg"] if plan.parcels is not None else [])]
    in_every_folder += [DEAL] if plan.spec.deal is not None else []
    of_case = [*in_every_folder, "map.png", "legend.sld", *(["zones.gpkg"] if plan.zones is not None else [])]
    return [*rasters, *in_every_folder, *(each.case.file(name) for each in plan.cases for name in of_case)]


def _series(plan: Plan) -> Iterable[tuple[str, SeriesSpec]]:
    return plan.spec.years.series.items() if plan.spec.years is not None else ()


def _named_shapes(plan: Plan) -> Iterator[tuple[str, Path]]:
    spec = plan.spec
    named = [
        ("region", plan.region.area),
        ("parcels", plan.parcels.file if plan.parcels else None),
        ("lab", spec.lab.file if spec.lab else None),
        ("native", spec.native.file if spec.native else None),
        *((f"neighbours.{name}", neighbour.file) for name, neighbour in spec.neighbours.items()),
        ("rules", spec.rules.file if spec.rules else None),
        *(() if spec.deal is None else spec.deal.files()),
        *((f"constraints.{c.name}", c.file) for c in plan.constraints if isinstance(c, ShapesConstraint)),
    ]
    yield from ((key, plan.base / file) for key, file in named if file is not None)
    for name, series in _series(plan):
        path = plan.base / series.file
        files = sorted(part for part in path.rglob("*") if part.is_file()) if path.is_dir() else [path]
        yield from ((f"years.{name}", file) for file in files)
