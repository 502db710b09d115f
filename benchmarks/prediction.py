"""What `check` says a run will need, against what the run then takes.

    python benchmarks/prediction.py --size 2k --parcels 2000 --zones

Prints one JSON line. `check` and `run` are each a process of their own, as people start them; `cpu` beside `seconds`
tells whether the machine had other things to do (two workers that have it to themselves use nearly two seconds in one
while tiles are judged). The constants in `underoak.engine.needs.Costs` come from the steps of such runs.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import yaml

from inputs import SIZES, make
from model import THREADS, plan

_NEEDS = re.compile(
    r"about ([\d,]+) MB on disk, ([\d,]+) MB while it runs; ([\d,]+) MB of memory and (?:(\d+) h )?(\d+) (s|min)"
)


def written(inputs: Path, folder: Path, parcels: int | None, zones: bool) -> Path:
    """The benchmark's plan as a file in `folder`."""
    given: dict[str, Any] = plan(inputs, parcels)
    for layer in given["layers"].values():
        if "file" in layer:
            layer["file"] = os.path.relpath(inputs / layer["file"], folder)
    if parcels:
        given["parcels"]["file"] = os.path.relpath(inputs / given["parcels"]["file"], folder)
    given["trust"] = {"roots": [os.path.relpath(inputs, folder)]}
    if zones:
        given["zones"] = {"at_least": "S2", "min_area": "2 ha"}
    path = folder / "plan.yaml"
    path.write_text(yaml.safe_dump(given, sort_keys=False), encoding="utf-8")
    return path


def predicted(path: Path) -> dict[str, float]:
    """What `check` says."""
    command = [sys.executable, "-m", "underoak", "check", str(path), "--workers", str(THREADS)]
    said = subprocess.run(command, check=True, capture_output=True, text=True, encoding="utf-8").stdout
    found = _NEEDS.search(said)
    assert found is not None, said
    kept, disk, memory = (float(found[n].replace(",", "")) for n in (1, 2, 3))
    seconds = float(found[4] or 0) * 3600 + float(found[5]) * (1 if found[6] == "s" else 60)
    return {"kept_mb": kept, "disk_mb": disk, "memory_mb": memory, "seconds": seconds}


def measured(path: Path, out: Path) -> tuple[dict[str, float], dict[str, float]]:
    """What a run takes, and its steps."""
    log = out.parent / "log.jsonl"
    command = [sys.executable, "-m", "underoak", "run", str(path), "--out", str(out), "--workers", str(THREADS)]
    began, before = time.monotonic(), spent_by_children()
    with subprocess.Popen([*command, "--progress", "none", "--log-json", str(log)], stdout=subprocess.DEVNULL) as child:
        most = 0
        while child.poll() is None:
            most = max(most, _size(out))
            time.sleep(0.05)
    seconds = time.monotonic() - began
    assert child.returncode == 0
    used = spent_by_children() - before
    lines = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    steps = {line["step"]: line["seconds"] for line in lines if line["ev"] == "step_done"}
    peak = next(line["peak_mb"] for line in lines if line["ev"] == "run_done")
    took = {"kept_mb": _size(out) / 1e6, "disk_mb": most / 1e6, "memory_mb": peak, "seconds": seconds, "cpu": used}
    return {key: round(value, 2) for key, value in took.items()}, steps


def spent_by_children() -> float:
    """Processor time of the children that have ended [s]."""
    times = os.times()
    return times.children_user + times.children_system


def _size(folder: Path) -> int:
    total = 0
    for path in folder.rglob("*"):
        try:
            total += path.stat().st_size if path.is_file() else 0
        except OSError:  # gone meanwhile
            continue
    return total


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--size", default="2k", choices=SIZES)
    parser.add_argument("--data", type=Path, default=Path(__file__).parent / "data")
    parser.add_argument("--inputs", type=Path, help="a folder of inputs instead of --size")
    parser.add_argument("--parcels", type=int, choices=(2_000, 50_000))
    parser.add_argument("--zones", action="store_true")
    asked = parser.parse_args()
    inputs = (asked.inputs or make(asked.size, asked.data)).resolve()
    with tempfile.TemporaryDirectory(dir=inputs.parent) as scratch:
        folder = Path(scratch)
        plan_file = written(inputs, folder, asked.parcels, asked.zones)
        foretold = predicted(plan_file)
        took, steps = measured(plan_file, folder / "out")
        ratio = {key: round(foretold[key] / took[key], 2) for key in foretold}
        line = {"inputs": inputs.name, "parcels": asked.parcels, "zones": asked.zones, "predicted": foretold,
                "measured": took, "ratio": ratio, "steps": steps}  # fmt: skip
        print(json.dumps(line))
        shutil.rmtree(folder / "out", ignore_errors=True)
