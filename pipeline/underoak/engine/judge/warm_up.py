"""A warm-up: one cell is judged without reading, so that compiled kernels are loaded before the first tile."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from underoak.base.compiled import is_on_disk
from underoak.base.grid import Window
from underoak.engine.judge import cell_state
from underoak.engine.judge.counts import TileCounts
from underoak.engine.judge.recipe import Recipe, judge_window
from underoak.layers.decoding.encoding import Encoding
from underoak.layers.source import Reading, Source
from underoak.overlay import combine_kernels


def is_compiled() -> bool:
    """Return True if the compiled kernels for tiles are on disk and current; compiling them takes half a minute."""
    return is_on_disk(combine_kernels.judge) and is_on_disk(cell_state.count_codes)


@dataclass(frozen=True)
class _Blank:
    """A source with its grid and facts, but no cells: nothing is read."""

    source: Source

    def __getattr__(self, name: str) -> Any:
        return getattr(self.source, name)

    def read(self, window: Window) -> Reading:
        """Return missing values for all cells, shaped as by `Source.read`."""
        months = (len(self.source.months),) if self.source.months else ()
        return Reading(np.full((*months, window.rows, window.cols), np.nan, np.float32))


def warm_up(recipe: Recipe) -> None:
    """Judge the cell in the middle of a recipe's grid as if its sources had no values."""
    grid = recipe.grid
    for layer in recipe.stack.layers:
        for source in layer.source_layer.sources:
            Encoding().decode(np.zeros((1, 1), source.facts.dtype))
    bare = replace(recipe, stack=recipe.stack.with_sources(_Blank), outline=None)
    for _ in judge_window(bare, Window(grid.rows // 2, grid.cols // 2, 1, 1), TileCounts()):
        pass
