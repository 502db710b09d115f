"""What underoak's memory goes to: what the process holds after each step of a run, and the most it held up to then.

    python benchmarks/memory.py --size 8k

It prints a table, and needs a system that tells a process's peak (Linux, macOS). The first steps are the floor that
every run stands on: the libraries, and the kernels once loaded.
"""

from __future__ import annotations

import argparse
import tempfile
from importlib import import_module
from pathlib import Path

# All of these are small, so that what is measured is underoak's.
import psutil

from compare import HERE, SIZES, inputs
from measure import peak_mb
from model import THREADS, plan

LIBRARIES = (
    ("numpy", ("numpy",)),
    ("rasterio, pyproj", ("rasterio", "pyproj")),
    ("numba, llvmlite", ("numba", "scipy.linalg")),
    ("pydantic, pint", ("pydantic", "pint")),
    ("underoak", ("underoak.runs.run", "underoak.engine.workers.runner")),
)


class Table:
    """Rows of a Markdown table, printed as they come."""

    def __init__(self) -> None:
        self._process = psutil.Process()
        print("| after | MB held | MB at most so far |\n|---|---:|---:|")

    def row(self, step: str) -> None:
        """What is held now."""
        print(f"| {step} | {self._process.memory_info().rss / 2**20:.0f} | {peak_mb() or 0:.0f} |", flush=True)


def main() -> None:
    """One run, step by step."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--size", default="2k", choices=SIZES)
    parser.add_argument("--folder", type=Path, default=HERE, help="where data/ is")
    given = parser.parse_args()
    data, table = inputs(given.size, given.folder), Table()
    table.row("the interpreter")
    for name, modules in LIBRARIES:
        for module in modules:
            import_module(module)
        table.row(f"libraries: {name}")

    import underoak as uo
    from underoak.base.grid import Window
    from underoak.engine import allocator
    from underoak.engine.prepare.prepare import prepare
    from underoak.engine.progress import Progress
    from underoak.engine.workers.tile import CaseJob, TileJob, judge_tile
    from underoak.engine.write.outputs import standard_outputs

    class Told(Progress):
        def finish(self) -> None:
            table.row(self._step)
            super().finish()

    allocator.retain_freed()  # as the command line does
    asked = uo.load_plan(plan(data), base=data)
    prepared = prepare(asked)
    table.row("plan read, inputs opened and checked")
    outputs = standard_outputs(asked.title, [criterion.name for criterion in asked.criteria], "float32", False)
    middle = Window(prepared.grid.rows // 2, prepared.grid.cols // 2, 1, 1)
    judge_tile(TileJob(prepared.recipe, (CaseJob(asked.case, tuple(outputs)),)), middle)
    table.row("one cell judged: kernels loaded")
    with tempfile.TemporaryDirectory(dir=data.parent) as scratch:
        uo.run(asked, out=Path(scratch) / "out", workers=THREADS, progress=Told("none"))


if __name__ == "__main__":
    main()
