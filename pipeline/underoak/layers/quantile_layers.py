"""The further quantiles of a layer: each opened like the layer itself, on the same cells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from underoak.base.errors import Problems
from underoak.base.grid import Window
from underoak.layers.decoding.value_tally import sample_windows
from underoak.layers.derivation.source_layer import clip_to_source, read_window
from underoak.layers.files import Trust
from underoak.layers.formats.georeference import describe_grid
from underoak.layers.formats.open import open_source
from underoak.layers.stack import StackedLayer
from underoak.uncertainty.draws.quantiles import crossing

if TYPE_CHECKING:
    from underoak.plan.keys.layer import LayerSpec

MAX_CROSSING_SHARE = 0.001  # of the cells, whose quantiles may cross

Quantiles = tuple[tuple[float, StackedLayer], ...]  # by rising level, the layer's own file among them


def open_quantiles(
    layers: Mapping[str, LayerSpec], opened: Sequence[StackedLayer], base: Path, trust: Trust, problems: Problems
) -> dict[str, Quantiles]:
    """Open the quantiles of every opened layer that has them, by layer name; faults are added to `problems`.

    `layers` are the plan's layers by name, `base` is its folder.
    """
    quantiles_by_layer = {}
    for layer in opened:
        spec = layers[layer.name]
        if spec.quantiles is None:
            continue
        quantiles: list[tuple[float, StackedLayer]] = [(spec.file_level, layer)]
        for level, quantile in sorted(spec.quantiles.items()):
            name = f"{layer.name} at {level:g}"
            where = f"{name} ({quantile.file})"
            changes = quantile.model_dump(exclude_none=True) | {"quantiles": None, "quantile": None}
            changes["gather"] = quantile.gather
            source = open_source(name, spec.model_copy(update=changes), base, trust, problems)
            if source is None:
                continue
            main = layer.source_layer.source
            if not main.grid.is_aligned(source.grid):
                grids = f"{describe_grid(source.grid)}; the layer has {describe_grid(main.grid)}"
                problems.add(
                    "E217",
                    f"lies on another grid than the layer: {grids}",
                    where,
                    "take all quantiles from one product",
                )
                continue
            if source.facts.unit != main.facts.unit:
                what = f"is in {source.facts.unit or 'no unit'}, and the layer in {main.facts.unit or 'no unit'}"
                problems.add("E217", what, where, "give the unit of both files, and `to:`")
                continue
            # grids that differ in their last digits are one
            source_layer = replace(layer.source_layer, source=replace(source, grid=main.grid))
            quantiles.append((level, replace(layer, name=name, source_layer=source_layer)))
        quantiles_by_layer[layer.name] = tuple(sorted(quantiles, key=lambda pair: pair[0]))
    return quantiles_by_layer


def check_crossing(name: str, quantiles: Quantiles, window: Window, deep: bool, problems: Problems) -> None:
    """Add E216 when quantiles cross in too many of a sample of cells (of all cells, when deep), W216 when in any.

    `window` are the source cells that the region needs of the layer.

    Raises:
        UnderoakError: E230 when a file cannot be read there.
    """
    source = next(layer.source_layer.source for _, layer in quantiles if layer.name == name)
    cells = clip_to_source(source, window)
    n_complete = n_crossing = 0
    for part in cells.tiles(1024) if deep else sample_windows(cells, block=source.facts.block):
        values = np.stack([read_window(layer.source_layer.source, part)[0].values for _, layer in quantiles])
        n_complete += int(np.count_nonzero(np.isfinite(values).all(axis=0)))
        n_crossing += int(np.count_nonzero(crossing(values)))
    report_crossing(n_crossing, n_complete, f"{name} ({source.facts.name})", problems)


def report_crossing(n_crossing: int, n_complete: int, where: str, problems: Problems) -> None:
    """Add E216 or W216 for the cells whose quantiles cross, of those that have all quantiles."""
    if not n_crossing:
        return
    share = n_crossing / n_complete
    if share > MAX_CROSSING_SHARE:
        percent = f"{share * 100.0:.2g} %" if share < 0.995 else "100 %"
        what = f"a higher quantile has a lower value in {percent} of the cells that have them"
        cause = "two files are swapped" if share > 0.5 else "quantiles of one product and one depth do not cross"
        problems.add("E216", what, where, f"check which file is which: {cause}")
    elif not any(fault.code == "W216" and fault.where == where for fault in problems.warnings):
        what = (
            f"quantiles cross in a few cells (less than {MAX_CROSSING_SHARE:.1%}), which keep their value in all draws"
        )
        problems.add("W216", what, where)
