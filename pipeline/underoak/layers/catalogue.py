"""Every layer of a plan, opened: its files, its months, its indicator, its unit."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from underoak.base import units
from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.base.grid import Grid
from underoak.indicators import REGISTRY, Indicator, Input, get
from underoak.indicators.year import SEASONS, season_months
from underoak.layers.derivation.source_layer import ExtraInput, SourceLayer
from underoak.layers.derivation.whole_file import WholeFileSource
from underoak.layers.files import Trust, input_path
from underoak.layers.formats.georeference import describe_grid
from underoak.layers.formats.open import open_source
from underoak.layers.shapes.distance import open_distance
from underoak.layers.source import Source
from underoak.layers.stack import StackedLayer

if TYPE_CHECKING:
    from underoak.plan.keys.layer import LayerSpec
    from underoak.plan.keys.region import TrustSpec


def open_layers(
    layers: Mapping[str, LayerSpec],
    base: Path,
    trust: Trust | TrustSpec | None,
    is_south: bool,
    problems: Problems,
    used: Collection[str] | None = None,
    grid: Grid | None = None,
) -> tuple[StackedLayer, ...]:
    """Open every layer of a plan that can be opened, in the plan's order; faults of the others go to `problems`.

    Args:
        layers: the plan's layers by name.
        base: the plan's folder.
        trust: the plan's `trust:`.
        is_south: True when seasons are those south of the equator.
        problems: where faults and warnings go.
        used: layers of criteria and constraints. A monthly layer without `reduce` or `derive` that is not among them
            only serves the layers derived from it, and is left out.
        grid: the analysis grid, on which distances to shapes are measured; without one they are left out.
    """
    only_inputs = _monthly_inputs(layers, used)
    sources: dict[str, Source | None] = {}
    for name, spec in layers.items():
        if spec.file is not None and not spec.is_shapes:
            sources[name] = open_source(name, spec, base, trust, problems, only_inputs.get(name))
    stacked = []
    for name, spec in layers.items():
        if name in only_inputs:
            continue
        if spec.is_shapes:
            stacked += _distance_layer(name, spec, base, grid, problems)
            continue
        origins = {"": name} if spec.file is not None else spec.origins
        if not _has_file_origins(origins, name, layers, problems):
            continue
        opened = {key: source for key, origin in origins.items() if (source := sources[origin]) is not None}
        if len(opened) < len(origins):
            continue
        try:
            source_layer = _source_layer(name, spec, opened, is_south, problems)
        except UnderoakError as error:
            problems.extend(Fault(f.code, f.what, f.where or f"layers.{name}", f.fix) for f in error.faults)
            continue
        if source_layer is not None:
            share_of = tuple(map(float, spec.share_of or ()))
            stacked.append(StackedLayer(name, source_layer, spec.resampling, share_of))
    return tuple(stacked)


def layer_unit(layer: StackedLayer, spec: LayerSpec) -> str:
    """Return the unit of a layer's values on the analysis grid."""
    if spec.to is not None:
        return units.canonical_name(spec.to)
    indicator = layer.source_layer.indicator
    source = layer.source_layer.source
    return source.facts.unit if indicator is None else _indicator_unit(indicator, source)


def _distance_layer(
    name: str, spec: LayerSpec, base: Path, grid: Grid | None, problems: Problems
) -> list[StackedLayer]:
    """Open the distance to a file of shapes."""
    file = str(spec.file)
    where = f"{name} ({file})"
    try:
        within = get(str(spec.derive)).settings(spec.settings, of_shapes=True)["within"]
        assert isinstance(within, float)
        if grid is None:
            input_path(file, base, where)
            return []
        source = open_distance(where, base / file, spec.features, spec.crs or "", within, grid, problems)
        to_plan_unit = units.conversion("m", spec.to) if spec.to is not None else units.Affine1D()
    except UnderoakError as error:
        problems.extend(Fault(f.code, f.what, f.where or where, f.fix) for f in error.faults)
        return []
    return [StackedLayer(name, SourceLayer(source, to_plan_unit=to_plan_unit, valid=_bounds(spec)), spec.resampling)]


def _monthly_inputs(layers: Mapping[str, LayerSpec], used: Collection[str] | None) -> dict[str, Input]:
    """Return the layers that only serve others with their months, and the input they are to those."""
    uses: dict[str, list[Input]] = {}
    for spec in layers.values():
        if spec.file is None and spec.derive in REGISTRY:
            inputs = REGISTRY[spec.derive].inputs
            for key, origin in spec.origins.items():
                taken_as = inputs.get(key) if key else next(iter(inputs.values()))
                if taken_as is not None and taken_as.axis == "months":
                    uses.setdefault(origin, []).append(taken_as)
    only_inputs = {}
    for name, inputs_of_others in uses.items():
        layer = layers.get(name)
        if layer is not None and layer.derive is None and layer.reduce is None and name not in (used or ()):
            wanted_units = {taken_as.unit for taken_as in inputs_of_others}
            only_inputs[name] = Input(wanted_units.pop() if len(wanted_units) == 1 else "", "months")
    return only_inputs


def _has_file_origins(
    origins: Mapping[str, str], name: str, layers: Mapping[str, LayerSpec], problems: Problems
) -> bool:
    """Return whether a layer is derived from layers of this plan that have a file; add E351 if not."""
    for origin in origins.values():
        if origin not in layers:
            fix = did_you_mean(origin, layers, "name a layer of this plan")
            problems.add("E351", f'is derived from "{origin}", which is no layer', f"layers.{name}", fix)
            return False
        if layers[origin].file is None:
            what = f'is derived from "{origin}", which is derived itself'
            problems.add("E351", what, f"layers.{name}", f"write `from:` the layer that {origin} comes from")
            return False
    return True


def _source_layer(
    name: str, spec: LayerSpec, sources: Mapping[str, Source], is_south: bool, problems: Problems
) -> SourceLayer | None:
    """Return a layer on its source grid; None when a fault was added.

    `sources` are named as the indicator's inputs, or "" where there is one.
    """
    first = next(iter(sources.values()))
    indicator = get(spec.derive) if spec.derive is not None else get(f"months_{spec.reduce}") if spec.reduce else None
    if indicator is None:
        return SourceLayer(first) if _has_wanted_axis(name, spec, first, Input(), problems) else None
    if "" in sources:
        sources = {next(iter(indicator.inputs)): first}
    lacking = [key for key in indicator.inputs if key not in sources]
    if lacking or len(sources) > len(indicator.inputs):
        what = f"{indicator.id} needs {', '.join(indicator.inputs)}, but the plan gives {', '.join(sources)}"
        problems.add("E352", what, f"layers.{name}", "give it a layer for each under `from:`")
        return None
    ordered = {key: sources[key] for key in indicator.inputs}
    if not _is_on_one_grid(name, ordered, problems):
        return None
    inputs = []
    for key, source in ordered.items():
        taken_as = indicator.inputs[key]
        if not _has_wanted_axis(name, spec, source, taken_as, problems):
            return None
        months = _selected_months(spec, taken_as, is_south) if taken_as.axis == "months" else ()
        lost = [month for month in months if month not in source.months]
        if lost:
            what = f"months {', '.join(map(str, lost))} are needed, but {source.facts.name} does not have them"
            problems.add("E225", what, f"layers.{name}", "name a file with all of them")
            return None
        # an input that takes any unit gets the same for all
        unit = taken_as.unit or ("" if taken_as.kind == "codes" else first.facts.unit)
        to_indicator_unit = units.conversion(source.facts.unit, unit) if unit else units.Affine1D()
        inputs.append(ExtraInput(_on_grid(source, first.grid), months, to_indicator_unit))
    unit = _indicator_unit(indicator, first)
    step_of = units.any_step if indicator.id == "slope" else units.conversion
    to_plan_unit = step_of(unit, spec.to) if spec.to is not None else units.Affine1D()
    settings = tuple(indicator.settings(spec.settings).items())
    main, *extra = inputs
    if indicator.is_whole:
        derived = WholeFileSource(main.source, indicator, main.to_indicator_unit, settings, unit)
        return SourceLayer(derived, to_plan_unit=to_plan_unit, valid=_bounds(spec))
    return SourceLayer(
        main.source,
        main.selected_months,
        indicator,
        main.to_indicator_unit,
        to_plan_unit,
        _bounds(spec),
        tuple(extra),
        settings,
    )


def _bounds(spec: LayerSpec) -> tuple[float, float] | None:
    return (float(spec.valid[0]), float(spec.valid[1])) if spec.valid is not None else None


def _has_wanted_axis(name: str, spec: LayerSpec, source: Source, taken_as: Input, problems: Problems) -> bool:
    """Return whether a source has months where they are needed, and none where they are not; add E251 if not."""
    where = f"layers.{name}"
    if taken_as.axis == "months" and not source.months:
        what = f"`{spec.derive or f'reduce: {spec.reduce}'}` needs monthly values, but {source.facts.name} has none"
        key = "derive" if spec.derive else "reduce"
        fix = f"name a file of twelve months, or, if the file holds that value already, remove `{key}`"
        problems.add("E251", what, where, fix)
        return False
    if taken_as.axis == "cells" and source.months:
        n_months = len(source.months)
        what = f"{source.facts.name} holds {n_months} months, and the plan does not say how they become one value"
        problems.add("E251", what, where, "add `reduce: sum`, mean, min or max, or `derive:`")
        return False
    if taken_as.is_year and (spec.months or spec.season not in (None, "year")):
        key = "months" if spec.months else "season"
        problems.add("E251", f"`{spec.derive}` needs all twelve months", where, f"remove `{key}`")
        return False
    return True


def _selected_months(spec: LayerSpec, taken_as: Input, is_south: bool) -> tuple[int, ...]:
    if taken_as.is_year:
        return SEASONS["year"]
    return spec.months or (season_months(spec.season, is_south) if spec.season else SEASONS["year"])


def _is_on_one_grid(name: str, sources: Mapping[str, Source], problems: Problems) -> bool:
    """Return whether all inputs of an indicator have the same cells; add E354 if not."""
    (first, source), *others = sources.items()
    for key, other in others:
        if not source.grid.is_aligned(other.grid):
            what = (
                f"{first} and {key} lie on different grids: {source.facts.name} has {_grid_and_crs(source.grid)}, "
                f"{other.facts.name} has {_grid_and_crs(other.grid)}"
            )
            fix = f"take both from one product, or resample {key} to the cells of {first} first"
            problems.add("E354", what, f"layers.{name}", fix)
            return False
    return True


def _grid_and_crs(grid: Grid) -> str:
    return f"{describe_grid(grid)} in {grid.crs[:40]}"


def _on_grid(source: Source, grid: Grid) -> Source:
    """Return the source on this very grid, where the two differ in their last digits."""
    if source.grid == grid:
        return source
    return replace(source, grid=grid)  # type: ignore[type-var]  # every source of a file is a dataclass


def _indicator_unit(indicator: Indicator, first: Source) -> str:
    """Return the unit of an indicator's values; "" for a plain number."""
    takes_any = not next(iter(indicator.inputs.values())).unit
    return indicator.unit or (first.facts.unit if takes_any else "")
