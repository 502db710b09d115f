"""The plan's layers, opened: which files, which months, which indicator, in which unit."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from underoak.base import units
from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.base.grid import Grid
from underoak.indicators import REGISTRY, Indicator, Input, get
from underoak.indicators.year import SEASONS, season_months
from underoak.layers.files import input_path
from underoak.layers.formats.open import open_source
from underoak.layers.resampling.source_layer import ExtraInput, SourceLayer
from underoak.layers.resampling.whole_file import WholeFileSource
from underoak.layers.shapes.distance import open_distance
from underoak.layers.source import Source
from underoak.layers.stack import StackedLayer


def open_layers(
    layers: Mapping[str, Any],
    base: Path,
    trust: Any,
    is_south: bool,
    problems: Problems,
    judged: Collection[str] | None = None,
    grid: Grid | None = None,
) -> tuple[StackedLayer, ...]:
    """Every layer of a plan that can be opened, in the plan's order; faults of the others are added to `problems`.

    A monthly layer of which nothing is made is left out when it is not among the `judged` and others come from it.
    `grid` is the analysis grid, on which distances to shapes are measured; without one they are left out.
    """
    bare = _bare_months(layers, judged)
    sources: dict[str, Source | None] = {}
    for name, spec in layers.items():
        if spec.file is not None and not spec.is_shapes:
            sources[name] = open_source(name, spec, base, trust, problems, bare.get(name))
    made = []
    for name, spec in layers.items():
        if name in bare:
            continue
        if spec.is_shapes:
            made += _to_shapes(name, spec, base, grid, problems)
            continue
        given = {"": name} if spec.file is not None else spec.origins
        if not _come_from_files(given, name, layers, problems):
            continue
        opened = {key: sources[origin] for key, origin in given.items()}
        if None in opened.values():
            continue
        try:
            native = _native(name, spec, opened, is_south, problems)  # type: ignore[arg-type]
        except UnderoakError as error:
            problems.extend(Fault(f.code, f.what, f.where or f"layers.{name}", f.fix) for f in error.faults)
            continue
        if native is not None:
            made.append(StackedLayer(name, native, spec.resampling, tuple(map(float, spec.share_of or ()))))
    return tuple(made)


def _to_shapes(name: str, spec: Any, base: Path, grid: Grid | None, problems: Problems) -> list[StackedLayer]:
    """The distance to a file of shapes."""
    where = f"{name} ({spec.file})"
    try:
        within = get(spec.derive).settings(spec.settings, of_shapes=True)["within"]
        if grid is None:
            input_path(spec.file, base, where)
            return []
        source = open_distance(where, base / spec.file, spec.features, spec.crs or "", float(within), grid, problems)  # type: ignore[arg-type]
        after = units.conversion("m", spec.to) if spec.to is not None else units.Affine1D()
        valid = (float(spec.valid[0]), float(spec.valid[1])) if spec.valid is not None else None
    except UnderoakError as error:
        problems.extend(Fault(f.code, f.what, f.where or where, f.fix) for f in error.faults)
        return []
    return [StackedLayer(name, SourceLayer(source, to_plan_unit=after, valid=valid), spec.resampling)]


def _bare_months(layers: Mapping[str, Any], judged: Collection[str] | None) -> dict[str, Input]:
    """Layers that only serve others with their months, and what those want of them."""
    wanted: dict[str, list[Input]] = {}
    for spec in layers.values():
        if spec.file is None and spec.derive in REGISTRY:
            inputs = REGISTRY[spec.derive].inputs
            for key, origin in spec.origins.items():
                found = inputs.get(key) if key else next(iter(inputs.values()))
                if found is not None and found.axis == "months":
                    wanted.setdefault(origin, []).append(found)
    bare = {}
    for name, uses in wanted.items():
        spec = layers.get(name)
        if spec is not None and spec.derive is None and spec.reduce is None and name not in (judged or ()):
            ends = {given.unit for given in uses}
            bare[name] = Input(ends.pop() if len(ends) == 1 else "", "months")
    return bare


def _come_from_files(given: Mapping[str, str], name: str, layers: Mapping[str, Any], problems: Problems) -> bool:
    for origin in given.values():
        if origin not in layers:
            fix = did_you_mean(origin, layers, "name a layer of this plan")
            problems.add("E351", f'is derived from "{origin}", which is no layer', f"layers.{name}", fix)
            return False
        if layers[origin].file is None:
            what = f'is derived from "{origin}", which is derived itself'
            problems.add("E351", what, f"layers.{name}", f"write `from:` the layer that {origin} comes from")
            return False
    return True


def _native(
    name: str, spec: Any, sources: Mapping[str, Source], is_south: bool, problems: Problems
) -> SourceLayer | None:
    """How the layer comes of its sources, which are named as the indicator's inputs, or "" where there is one."""
    first = next(iter(sources.values()))
    indicator = get(spec.derive) if spec.derive is not None else get(f"months_{spec.reduce}") if spec.reduce else None
    if indicator is None:
        return SourceLayer(first) if _has_cells(name, spec, first, Input(), problems) else None
    if "" in sources:
        sources = {next(iter(indicator.inputs)): first}
    lacking = [given for given in indicator.inputs if given not in sources]
    if lacking or len(sources) > len(indicator.inputs):
        what = f"{indicator.id} comes from {', '.join(indicator.inputs)}, and is given {', '.join(sources)}"
        problems.add("E352", what, f"layers.{name}", "give it a layer for each under `from:`")
        return None
    ordered = {given: sources[given] for given in indicator.inputs}
    if not _share_grid(name, ordered, problems):
        return None
    feeds = []
    for given, source in ordered.items():
        wanted = indicator.inputs[given]
        if not _has_cells(name, spec, source, wanted, problems):
            return None
        keep = _months(spec, wanted, is_south) if wanted.axis == "months" else ()
        lost = [month for month in keep if month not in source.months]
        if lost:
            what = f"months {', '.join(map(str, lost))} are wanted, and {source.facts.path} does not have them"
            problems.add("E225", what, f"layers.{name}", "name a file with all of them")
            return None
        end = wanted.unit or ("" if wanted.kind == "codes" else first.facts.unit)  # where any will do, the same for all
        before = units.conversion(source.facts.unit, end) if end else units.Affine1D()
        feeds.append(ExtraInput(_on(source, first.grid), keep, before))
    result = _result_unit(indicator, first)
    after = units.conversion(result, spec.to) if spec.to is not None else units.Affine1D()
    valid = (float(spec.valid[0]), float(spec.valid[1])) if spec.valid is not None else None
    settings = tuple(indicator.settings(spec.settings).items())
    one, *more = feeds
    if indicator.is_whole:
        whole = WholeFileSource(one.source, indicator, one.to_indicator_unit, settings, result)
        return SourceLayer(whole, to_plan_unit=after, valid=valid)
    return SourceLayer(
        one.source, one.selected_months, indicator, one.to_indicator_unit, after, valid, tuple(more), settings
    )


def _has_cells(name: str, spec: Any, source: Source, wanted: Input, problems: Problems) -> bool:
    """Whether a source has months where they are wanted, and none where they are not."""
    where = f"layers.{name}"
    if wanted.axis == "months" and not source.months:
        what = f"`{spec.derive or f'reduce: {spec.reduce}'}` needs monthly values, and {source.facts.path} has none"
        problems.add("E251", what, where, "leave it out, or name a monthly file")
        return False
    if wanted.axis == "cells" and source.months:
        what = f"{source.facts.path} holds {len(source.months)} months, and the plan does not say what to make of them"
        problems.add("E251", what, where, "add `reduce: sum`, mean, min or max, or `derive:`")
        return False
    if wanted.is_year and (spec.months or spec.season not in (None, "year")):
        key = "months" if spec.months else "season"
        problems.add("E251", f"`{spec.derive}` is of all twelve months", where, f"leave `{key}` out")
        return False
    return True


def _months(spec: Any, wanted: Input, is_south: bool) -> tuple[int, ...]:
    if wanted.is_year:
        return SEASONS["year"]
    return spec.months or (season_months(spec.season, is_south) if spec.season else SEASONS["year"])


def _share_grid(name: str, sources: Mapping[str, Source], problems: Problems) -> bool:
    """Whether all inputs lie on one grid, so that cell meets cell."""
    (first, one), *others = sources.items()
    for given, other in others:
        if not one.grid.is_aligned(other.grid):
            what = (
                f"{first} and {given} lie on different grids: {one.facts.path} has {_told(one.grid)}, "
                f"{other.facts.path} has {_told(other.grid)}"
            )
            fix = f"take both from one product, or bring {given} onto the cells of {first} first"
            problems.add("E354", what, f"layers.{name}", fix)
            return False
    return True


def _told(grid: Grid) -> str:
    across, down = grid.cell_size
    left, _, _, top = grid.bounds
    return f"{grid.rows} x {grid.cols} cells of {across:g} x {down:g} from {left:g}, {top:g} in {grid.crs[:40]}"


def _on(source: Source, grid: Grid) -> Source:
    """The source on the very same grid, where the two differ in their last digits."""
    return source if source.grid == grid else replace(source, grid=grid)  # type: ignore[type-var]


def _result_unit(indicator: Indicator, first: Source) -> str:
    """The unit an indicator's values are in; "" for a plain number."""
    takes_any = not next(iter(indicator.inputs.values())).unit
    return indicator.unit or (first.facts.unit if takes_any else "")


def layer_unit(layer: StackedLayer, spec: Any) -> str:
    """The unit a layer's values end up in."""
    if spec.to is not None:
        return units.canonical_name(spec.to)
    indicator = layer.source_layer.indicator
    source = layer.source_layer.source
    return source.facts.unit if indicator is None else _result_unit(indicator, source)
