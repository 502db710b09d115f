"""Where underoak's time goes: processor seconds by part of the work, one tile after the other in one thread.

    python benchmarks/where.py --size 8k --tiles 16

Each part is what its functions take without the parts called inside them. The tiles are neighbours, in the engine's
order, from the middle of it, so that reading finds in the cache what it does in a run. Two tiles are done before the
clocks: they load compiled kernels and the coarse layers. Results go to `results/where.json`.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

import underoak as uo
from compare import HERE, SIZES, conditions, inputs
from model import plan
from underoak.engine import allocator
from underoak.engine.prepare.prepare import prepare
from underoak.engine.workers import tile as tiles
from underoak.engine.workers.runner import TILE, tile_order
from underoak.engine.write.outputs import standard_outputs

# module, and what in it is timed (a function, or a class's method) -> part
PARTS = {
    ("underoak.layers.stack", "read_window"): "read and decode",
    ("underoak.layers.resampling.meshes", "Meshes.coordinates"): "coordinates",
    ("underoak.layers.derivation.source_layer", "SourceLayer.derive"): "slope",
    ("underoak.layers.stack", "resample_layers"): "resample",
    ("underoak.engine.judge.recipe", "membership"): "curves",
    ("underoak.engine.judge.recipe", "judge"): "overlay",
    ("underoak.engine.workers.tile", "encode"): "encode",
    ("underoak.engine.workers.tile", "halve"): "first overview",
    ("underoak.engine.workers.tile", "judge_tile"): "the rest: constraints, counts",
}


class Parts:
    """Processor seconds by part; a part inside another is taken off the outer one."""

    def __init__(self) -> None:
        self.seconds = dict.fromkeys(PARTS.values(), 0.0)
        self._inner = [0.0]

    def watch(self) -> None:
        """Put a clock around every part."""
        for (module, path), part in PARTS.items():
            *outer, name = path.split(".")
            home: Any = import_module(module)
            for each in outer:
                home = getattr(home, each)
            setattr(home, name, self._timed(getattr(home, name), part))

    def _timed(self, function: Callable[..., Any], part: str) -> Callable[..., Any]:
        def timed(*args: Any, **kwargs: Any) -> Any:
            began = time.thread_time()
            self._inner.append(0.0)
            try:
                return function(*args, **kwargs)
            finally:
                spent = time.thread_time() - began
                self.seconds[part] += spent - self._inner.pop()
                self._inner[-1] += spent

        return timed


def main() -> None:
    """Time some tiles."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--size", default="2k", choices=SIZES)
    parser.add_argument("--tiles", type=int, default=16, help="at most so many")
    parser.add_argument("--all", action="store_true", help="all four rasters, not the suitability alone")
    parser.add_argument("--folder", type=Path, default=HERE, help="where data/ is")
    parser.add_argument("--results", type=Path, default=HERE / "results")
    given = parser.parse_args()
    data = inputs(given.size, given.folder)
    asked = uo.load_plan(plan(data), base=data)
    recipe = prepare(asked).recipe
    outputs = standard_outputs(asked.title, [c.name for c in asked.criteria], "float32", False)
    work = tiles.TileJob(recipe, (tiles.CaseJob(asked.case, tuple(outputs if given.all else outputs[:1])),))
    allocator.retain_freed()  # as a run does
    windows = tile_order(recipe.grid.tiles(TILE), recipe.stack)
    first = max(0, (len(windows) - given.tiles) // 2)
    chosen = windows[first : first + given.tiles]
    parts = Parts()
    for window in windows[max(0, first - 2) : max(2, first)]:
        tiles.judge_tile(work, window)
    parts.watch()
    for window in chosen:
        tiles.judge_tile(work, window)
    cells = sum(window.rows * window.cols for window in chosen)
    each = {part: round(seconds / cells * 1e9, 2) for part, seconds in parts.seconds.items()}
    result = {
        "size": given.size,
        "tiles": len(chosen),
        "rasters": len(work.outputs),
        "conditions": conditions(),
        "nanoseconds_a_cell": each,
    }
    given.results.mkdir(parents=True, exist_ok=True)
    (given.results / "where.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    shown = Table("part", "ns a cell", "share")
    for part, spent in each.items():
        shown.add_row(part, f"{spent:.1f}", f"{spent / sum(each.values()):.0%}")
    Console().print(shown)


if __name__ == "__main__":
    main()
