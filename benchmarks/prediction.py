"""What `check` says a run will need, against what the run then takes.

    python benchmarks/prediction.py --size 2k --parcels 2000 --zones
    python benchmarks/prediction.py --size 2k --parcels 50000 --draws 64 --rule geometric --futures 4

Prints one JSON line. `check` and `run` are each a process of their own, as people start them; `cpu` beside `seconds`
tells whether the machine had other things to do (two workers that have it to themselves use nearly two seconds in one
while tiles are judged); what is foretold of it is the time by one worker. The constants in
`underoak.engine.prepare.estimate.UnitCosts` come from the steps of such runs.
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
from model import THREADS, in_doubt, plan

_NEEDS = re.compile(
    r"about ([\d,]+) MB on disk, ([\d,]+) MB while it runs; ([\d,]+) MB of memory and (?:(\d+) h )?(\d+) (s|min)"
)


def written(inputs: Path, folder: Path, asked: argparse.Namespace) -> Path:
    """The benchmark's plan as a file in `folder`, with what is asked for beside."""
    given: dict[str, Any] = plan(inputs, asked.parcels)
    if asked.draws:
        given = in_doubt(given, asked.draws)
        if asked.rule == "linear":  # weights are drawn, too
            given["weights"]["spread"] = {"kind": "dirichlet", "strength": 40}
    given["combine"] = {"rule": asked.rule}
    for layer in given["layers"].values():
        if "file" in layer:
            layer["file"] = os.path.relpath(inputs / layer["file"], folder)
    if asked.parcels or asked.shapes:
        file = asked.shapes or inputs / given["parcels"]["file"]
        given["parcels"] = {"file": os.path.relpath(file, folder), "id": "id"}
    given["trust"] = {"roots": sorted({os.path.relpath(each, folder) for each in (inputs, asked.shapes or inputs)})}
    if asked.zones:
        given["zones"] = {"at_least": "S2", "min_area": "2 ha"}
    if asked.futures:
        rain = given["layers"]["rain"]["file"]
        given["scenarios"] = [
            {"name": f"drier_{n}", "replace": {"rain": {"file": rain, "scale": 1 - n / 50}}}
            for n in range(1, asked.futures + 1)
        ]
    path = folder / "plan.yaml"
    path.write_text(yaml.safe_dump(given, sort_keys=False), encoding="utf-8")
    return path


def predicted(path: Path, workers: int = THREADS) -> dict[str, float]:
    """What `check` says."""
    command = [sys.executable, "-m", "underoak", "check", str(path), "--workers", str(workers)]
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
    parser.add_argument("--shapes", type=Path, help="a file of parcels instead, with a field `id`")
    parser.add_argument("--zones", action="store_true")
    parser.add_argument("--draws", type=int, default=0, help="of five doubtful layers")
    parser.add_argument("--rule", choices=("linear", "geometric"), default="linear")
    parser.add_argument("--futures", type=int, default=0, help="with another rain each")
    asked = parser.parse_args()
    inputs = (asked.inputs or make(asked.size, asked.data)).resolve()
    with tempfile.TemporaryDirectory(dir=inputs.parent) as scratch:
        folder = Path(scratch)
        plan_file = written(inputs, folder, asked)
        foretold = predicted(plan_file)
        foretold["cpu"] = predicted(plan_file, 1)["seconds"]
        took, steps = measured(plan_file, folder / "out")
        ratio = {key: round(foretold[key] / took[key], 2) for key in foretold}
        of = {key: str(value) for key, value in vars(asked).items() if value and key not in ("data", "inputs", "size")}
        line = {"inputs": inputs.name, "of": of, "predicted": foretold, "measured": took, "ratio": ratio,
                "steps": steps}  # fmt: skip
        print(json.dumps(line))
        shutil.rmtree(folder / "out", ignore_errors=True)
