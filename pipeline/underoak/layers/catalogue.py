"""The plan's layers, opened: which files, which months, which indicator, in which unit."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from underoak import units
from underoak.errors import Problems, UnderoakError, did_you_mean
from underoak.indicators import Indicator, get
from underoak.layers.native import Native
from underoak.layers.open import open_source
from underoak.layers.source import Source
from underoak.layers.stack import StackedLayer

# Meteorological seasons of the northern half; the southern half turns them by six months.
SEASONS = {
    "winter": (12, 1, 2),
    "spring": (3, 4, 5),
    "summer": (6, 7, 8),
    "autumn": (9, 10, 11),
    "year": tuple(range(1, 13)),
}


def season_months(season: str, is_south: bool) -> tuple[int, ...]:
    """Calendar months of a season.

    >>> season_months("summer", False), season_months("summer", True)
    ((6, 7, 8), (12, 1, 2))
    """
    months = SEASONS[season]
    return tuple((month + 5) % 12 + 1 for month in months) if is_south else months


def open_layers(
    layers: Mapping[str, Any], base: Path, trust: Any, is_south: bool, problems: Problems
) -> tuple[StackedLayer, ...]:
    """Every layer of a plan that can be opened, in the plan's order; faults of the others are added to `problems`."""
    sources: dict[str, Source | None] = {}
    for name, spec in layers.items():
        if spec.file is not None:
            sources[name] = open_source(name, spec, base, trust, problems)
    made = []
    for name, spec in layers.items():
        origin = name if spec.file is not None else spec.from_
        if spec.file is None and origin not in layers:
            mend = did_you_mean(origin, layers, "name a layer of this plan")
            problems.add("E351", f'is derived from "{origin}", which is no layer', f"layers.{name}", mend)
            continue
        if spec.file is None and layers[origin].file is None:
            what = f'is derived from "{origin}", which is derived itself'
            problems.add("E351", what, f"layers.{name}", f"write `from:` the layer that {origin} comes from")
            continue
        source = sources[origin]
        if source is None:
            continue
        try:
            native = _native(name, spec, source, is_south, problems)
        except UnderoakError as error:
            problems.take(error)
            continue
        if native is not None:
            made.append(StackedLayer(name, native, spec.resampling, tuple(map(float, spec.share_of or ()))))
    return tuple(made)


def _native(name: str, spec: Any, source: Source, is_south: bool, problems: Problems) -> Native | None:
    where = f"layers.{name}"
    indicator: Indicator | None = None
    if spec.derive is not None:
        indicator = get(spec.derive)
    elif spec.reduce is not None:
        indicator = get(f"months_{spec.reduce}")
    axis = next(iter(indicator.inputs.values())).axis if indicator else "cells"
    if axis == "months" and not source.months:
        what = f"`{spec.derive or f'reduce: {spec.reduce}'}` needs monthly values, and {source.facts.path} has none"
        problems.add("E251", what, where, "leave it out, or name a monthly file")
        return None
    if axis == "cells" and source.months:
        what = f"{source.facts.path} holds {len(source.months)} months, and the plan does not say what to make of them"
        problems.add("E251", what, where, "add `reduce: sum`, mean, min or max, or `derive:`")
        return None
    keep: tuple[int, ...] = ()
    if axis == "months":
        keep = spec.months or (season_months(spec.season, is_south) if spec.season else tuple(range(1, 13)))
        lost = [month for month in keep if month not in source.months]
        if lost:
            what = f"months {', '.join(map(str, lost))} are wanted, and {source.facts.path} does not have them"
            problems.add("E225", what, where, "name a file with all of them")
            return None
    return _in_units(spec, source, keep, indicator)


def _in_units(spec: Any, source: Source, keep: tuple[int, ...], indicator: Indicator | None) -> Native:
    stored, same = source.facts.unit, units.Affine1D()
    before = after = same
    if indicator is not None:
        wanted = next(iter(indicator.inputs.values())).unit
        if wanted:
            before = units.conversion(stored, wanted)
        result = indicator.unit or wanted or stored
        if spec.to is not None and result:
            after = units.conversion(result, spec.to)
    valid = (float(spec.valid[0]), float(spec.valid[1])) if spec.valid is not None and indicator is not None else None
    return Native(source, keep, indicator, before, after, valid)


def unit_of(layer: StackedLayer, spec: Any) -> str:
    """The unit a layer's values end up in."""
    if spec.to is not None:
        return units.canonical_name(spec.to)
    indicator = layer.native.indicator
    if indicator is None:
        return layer.native.source.facts.unit
    return indicator.unit or next(iter(indicator.inputs.values())).unit or layer.native.source.facts.unit
