"""What doubt costs: processor seconds of a run with draws, against the same run without.

    python benchmarks/draws.py --size 2k --draws 64 --rule linear

The plan is the benchmark's, with five of its six criteria in doubt (`model.in_doubt`): soil of 250 m, climate of 1 km,
all resampled bilinearly and judged in every draw. The first run of each kind compiles and is thrown away. Prints one
JSON line and keeps it in `results/draws.json`; the companions (zones, parcels) are left out unless --parcels is given.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

import underoak as uo
from compare import HERE, SIZES, conditions, inputs
from model import THREADS, Ground, in_doubt, plan
from underoak.engine import allocator


def spent(written: dict[str, Any], base: Path, workers: int) -> tuple[float, float]:
    """Processor seconds of all threads, and wall seconds, of one run; its folder is thrown away."""
    folder = Path(tempfile.mkdtemp(dir=HERE / "out"))
    try:
        loaded = uo.load_plan(written, base=base)
        cpu, wall = time.process_time(), time.perf_counter()
        uo.run(loaded, out=folder, workers=workers)
        return time.process_time() - cpu, time.perf_counter() - wall
    finally:
        shutil.rmtree(folder)


def main() -> None:
    """Measure, print, keep."""
    allocator.retain_freed()  # as the command line does
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--size", choices=SIZES, default="2k")
    asked.add_argument("--draws", type=int, default=64)
    asked.add_argument("--rule", choices=("linear", "geometric", "minimum"), default="linear")
    asked.add_argument("--range", default="800 m", help="correlation range")
    asked.add_argument("--resample", choices=("bilinear", "nearest"), default="bilinear")
    asked.add_argument("--parcels", type=int)
    asked.add_argument("--workers", type=int, default=THREADS)
    given = asked.parse_args()
    (HERE / "out").mkdir(exist_ok=True)
    sure = plan(inputs(given.size, HERE), given.parcels) | {"combine": {"rule": given.rule}}
    uncertain = in_doubt(sure, given.draws, given.range, given.resample)
    tiny = inputs("tiny", HERE)
    small = plan(tiny) | {"combine": {"rule": given.rule}}
    for written in (small, in_doubt(small, given.draws, given.range, given.resample)):
        spent(written, tiny, 1)
    found: dict[str, Any] = dict(vars(given))
    for name, written in (("without", sure), ("with", uncertain)):
        cpu, wall = spent(written, inputs(given.size, HERE), given.workers)
        found[name] = {"cpu": round(cpu, 2), "wall": round(wall, 2)}
    cells = Ground.of(inputs(given.size, HERE)).cells ** 2
    found["ratio"] = round(found["with"]["cpu"] / found["without"]["cpu"], 2)
    found["ns_a_cell"] = round((found["with"]["cpu"] - found["without"]["cpu"]) / cells * 1e9, 1)
    found["conditions"] = conditions()
    print(json.dumps(found))
    kept = HERE / "results" / "draws.json"
    kept.parent.mkdir(exist_ok=True)
    kept.write_text(json.dumps(found, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
