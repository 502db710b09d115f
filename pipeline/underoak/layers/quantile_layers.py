"""The other quantiles of a map: each opened as the layer itself is, on the very same cells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from underoak.base.errors import Problems
from underoak.base.grid import Grid, Window
from underoak.layers.decoding.plausibility import sample_windows
from underoak.layers.formats.open import open_source
from underoak.layers.resampling.source_layer import clip_to_source, read_window
from underoak.layers.stack import StackedLayer
from underoak.uncertainty.draws.quantiles import crossing

MOST_CROSSING = 0.001  # share of a map's cells whose quantiles may cross

Quantiles = tuple[tuple[float, StackedLayer], ...]  # by rising level, the layer's own file among them


def open_quantiles(
    layers: Mapping[str, Any], opened: Sequence[StackedLayer], base: Path, trust: Any, problems: Problems
) -> dict[str, Quantiles]:
    """The quantiles of every opened layer that has them; faults are added to `problems`."""
    found = {}
    for layer in opened:
        spec = layers[layer.name]
        if spec.quantiles is None:
            continue
        every: list[tuple[float, StackedLayer]] = [(spec.file_level, layer)]
        for level, other in sorted(spec.quantiles.items()):
            name = f"{layer.name} at {level:g}"
            update = other.model_dump(exclude_none=True) | {"quantiles": None, "quantile": None}
            source = open_source(name, spec.model_copy(update=update), base, trust, problems)
            if source is None:
                continue
            own = layer.source_layer.source
            if not own.grid.is_aligned(source.grid):
                what = f"lies on another grid than the layer: {_told(source.grid)}; the layer has {_told(own.grid)}"
                problems.add("E217", what, f"{name} ({other.file})", "take all quantiles from one product")
                continue
            if source.facts.unit != own.facts.unit:
                what = f"is in {source.facts.unit or 'no unit'}, and the layer in {own.facts.unit or 'no unit'}"
                problems.add("E217", what, f"{name} ({other.file})", "say the unit of both files, and `to:`")
                continue
            # grids that differ in their last digits are one
            source_layer = replace(layer.source_layer, source=replace(source, grid=own.grid))
            every.append((level, replace(layer, name=name, source_layer=source_layer)))
        found[layer.name] = tuple(sorted(every, key=lambda pair: pair[0]))
    return found


def check_crossing(name: str, quantiles: Quantiles, window: Window, deep: bool, problems: Problems) -> None:
    """Add E216 when quantiles cross in too many of a sample of cells (of all cells, when deep), W216 when in any.

    `window` are the cells that the region asks of the layer.

    Raises:
        UnderoakError: E230 when a file cannot be read there.
    """
    source = next(layer.source_layer.source for _, layer in quantiles if layer.name == name)
    seen = count = 0
    for part in clip_to_source(source, window).tiles(1024) if deep else sample_windows(clip_to_source(source, window)):
        stack = np.stack([read_window(layer.source_layer.source, part)[0].values for _, layer in quantiles])
        seen += int(np.count_nonzero(np.isfinite(stack).all(axis=0)))
        count += int(np.count_nonzero(crossing(stack)))
    report_crossing(count, seen, f"{name} ({source.facts.path})", problems)


def report_crossing(count: int, seen: int, where: str, problems: Problems) -> None:
    """Add E216 or W216 for `count` cells of `seen` whose quantiles cross."""
    if not count:
        return
    share = count / seen
    if share > MOST_CROSSING:
        percent = f"{share * 100.0:.2g} %" if share < 0.995 else "100 %"
        what = f"a higher quantile has a lower value in {percent} of the cells that have them"
        fix = "two files have changed places" if share > 0.5 else "quantiles of one product and one depth do not cross"
        problems.add("E216", what, where, f"look which file is which: {fix}")
    elif not any(fault.code == "W216" and fault.where == where for fault in problems.warnings):
        what = f"quantiles cross in a few cells (less than {MOST_CROSSING:.1%}): nothing is drawn there"
        problems.add("W216", what, where)


def _told(grid: Grid) -> str:
    across, down = grid.cell_size
    left, _, _, top = grid.bounds
    return f"{grid.rows} x {grid.cols} cells of {across:g} x {down:g} from {left:g}, {top:g}"
