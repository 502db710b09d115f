"""Cells whose inputs rule each other out, such as sand, silt and clay that do not add up: counted and located."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from underoak.base.errors import Problems
from underoak.base.grid import Window
from underoak.base.number_words import thousands
from underoak.layers.decoding.plausibility import first_place
from underoak.layers.decoding.value_tally import Count, sample_windows
from underoak.layers.derivation.source_layer import SourceLayer, clip_to_source, read_window

MAX_CELLS = 20_000_000  # of more, a check reads a sample
_SIDE = 1024


@dataclass
class Contradictions:
    """A count of the cells of a layer whose inputs rule each other out, of those where all inputs have a value."""

    is_sample: bool
    cells: int = 0
    off: Count = field(default_factory=Count)


def count_contradictions(source_layer: SourceLayer, window: Window, every_cell: bool = False) -> Contradictions | None:
    """Count the cells of a window whose inputs rule each other out; None for a layer that has no such rule.

    Raises:
        UnderoakError: E230 when a file cannot be read there.
    """
    indicator = source_layer.indicator
    if indicator is None or indicator.contradicts is None:
        return None
    cells = clip_to_source(source_layer.source, window)
    reads_all = every_cell or cells.rows * cells.cols <= MAX_CELLS
    result, settings = Contradictions(is_sample=not reads_all), dict(source_layer.settings)
    for part in cells.tiles(_SIDE) if reads_all else sample_windows(cells, block=source_layer.source.facts.block):
        readings = [read_window(source, part)[0].values for source in source_layer.sources]
        inputs = source_layer.inputs(*readings)
        is_off = indicator.contradicts(**dict(zip(indicator.inputs, inputs, strict=True)), **settings)
        result.cells += int(np.count_nonzero(np.isfinite(np.sum(inputs, axis=0))))
        result.off.add(is_off.ravel(), part, "")
    return result


def report_contradictions(source_layer: SourceLayer, counts: Contradictions, where: str, problems: Problems) -> None:
    """Add W222 for cells whose inputs rule each other out."""
    if not counts.off.cells:
        return
    assert source_layer.indicator is not None
    of = f"{thousands(counts.off.cells)} of {thousands(counts.cells)} {'sampled ' if counts.is_sample else ''}cells"
    source = source_layer.source
    place = first_place(counts.off, source)  # type: ignore[arg-type]  # a layer's inputs are files
    what = f"{source_layer.indicator.contradiction} in {of}, which count as missing; {place}"
    problems.add("W222", what, where, "check the units of the inputs, and that all come from one product and depth")
