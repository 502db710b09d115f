"""Time underoak, three baselines of general libraries and a bare copy on the same inputs, one after another in turns.

    python benchmarks/compare.py --size 2k

Every run is a fresh process. Results go to `results/latest.json` and `results/latest.png`.
"""

from __future__ import annotations

import argparse
import datetime
import importlib.metadata
import importlib.util
import json
import os
import platform
import statistics
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# This process stays small: on Linux a child's peak memory begins at that of the process that started it.
import psutil
from rich.console import Console
from rich.table import Table

HERE = Path(__file__).parent
SIZES = ("tiny", "1k", "2k", "4k", "8k", "20k")
PACKAGES = ("underoak", "numpy", "numba", "rasterio", "xarray", "dask", "rioxarray", "odc-geo", "xarray-spatial")
_NATIVE_SLOPE = ("tiny", "1k", "2k", "4k", "8k")  # at 20k, slope in whole arrays takes more memory than most have

AGREEMENTS = {
    "ours": "underoak against the numpy baseline",
    "ours_native_slope": "the same, its slope derived as underoak does",
    "odc": "the odc-geo baseline against the numpy baseline",
    "rioxarray": "the rioxarray baseline against the numpy baseline",
}

Result = dict[str, Any]
talk = Console(stderr=True)


@dataclass(frozen=True)
class Tool:
    """One thing that is timed: its script with options, and the packages it cannot do without."""

    title: str
    script: str
    options: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    after: str = ""  # the tool whose output it copies


TOOLS = {
    "ours": Tool("underoak", "ours.py"),
    "odc": Tool(
        "odc-geo, dask", "with_odc.py", (), ("odc.geo", "rioxarray", "xrspatial", "dask", "tifffile", "imagecodecs")
    ),
    "rioxarray": Tool("rioxarray, dask", "with_rioxarray.py", (), ("rioxarray", "xrspatial", "dask")),
    "numpy": Tool("rasterio, numpy", "with_numpy.py"),
    "copy": Tool("bare copy", "bare_copy.py", after="ours"),
    "ours_all": Tool("underoak, whole run", "ours.py", ("--all",)),
    "copy_all": Tool("bare copy of its rasters", "bare_copy.py", ("--all",), after="ours_all"),
}
RASTER_PART = ("ours", "odc", "rioxarray", "numpy", "copy")


def call(script: str, *words: object) -> str:
    """What a script of this folder prints; stops when it fails."""
    command = [sys.executable, str(HERE / script), *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} failed:\n{done.stderr}")
    return done.stdout


def inputs(size: str, folder: Path) -> Path:
    """The inputs of a size, made when they are not there."""
    if not (folder / "data" / size).is_dir():
        talk.print(f"making inputs of {size} in {folder / 'data'}")
    return Path(call("inputs.py", "--size", size, "--data", folder / "data").strip())


def available(names: list[str]) -> list[str]:
    """The tools asked for whose packages are installed; the others are told."""
    kept = []
    for name in names:
        lacking = [package for package in TOOLS[name].needs if not _is_there(package)]
        if lacking:
            talk.print(f"{TOOLS[name].title} is left out: {', '.join(lacking)} not installed")
        elif TOOLS[name].after and TOOLS[name].after not in kept:
            raise SystemExit(f"--tools {name} copies what {TOOLS[name].after} writes: name both")
        else:
            kept.append(name)
    return kept


def _is_there(package: str) -> bool:
    try:
        return importlib.util.find_spec(package) is not None
    except ModuleNotFoundError:  # the parent of a submodule
        return False


def run(name: str, data: Path, out: Path) -> Result:
    """One run of one tool in a process of its own."""
    tool = TOOLS[name]
    options = [*tool.options, *(("--finished", out / tool.after) if tool.after else ())]
    if hasattr(os, "sync"):
        os.sync()  # what the last tool left to be written is not this one's burden
    load = round(psutil.getloadavg()[0], 2)
    printed = call(tool.script, "--inputs", data, "--out", out / name, *options)
    return {**json.loads(printed.splitlines()[-1]), "load": load}


def warm(data: Path, small: Path, out: Path) -> None:
    """Compile kernels into numba's cache with an unmeasured run, and read the inputs into the page cache."""
    call("ours.py", "--inputs", small, "--out", out / "warm")
    for path in data.iterdir():
        with open(path, "rb") as file:
            while file.read(2**24):
                pass


def conditions() -> Result:
    """The machine and the software."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        lines = cpuinfo.read_text(encoding="utf-8").splitlines()
        model = next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), model)
    versions = {"python": platform.python_version()}
    for package in PACKAGES:
        try:
            versions[package] = importlib.metadata.version(package)
        except importlib.metadata.PackageNotFoundError:
            continue
    return {
        "started": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "cpu": model,
        "cores": os.cpu_count(),
        "memory_gb": round(psutil.virtual_memory().total / 1e9, 1),
        "system": platform.platform(),
        "load_before": [round(load, 2) for load in psutil.getloadavg()],
        "versions": versions,
    }


def agreements(done: list[str], size: str, data: Path, out: Path) -> Result:
    """How far each tool's raster is from the numpy baseline's, and ours from it with slope derived as ours."""
    from agreement import agreement

    def file(name: str) -> Path:
        return out / name / "suitability.tif"

    found = {name: agreement(file(name), file("numpy")) for name in done if name in ("ours", "odc", "rioxarray")}
    if "ours" in done and size in _NATIVE_SLOPE:
        call("with_numpy.py", "--inputs", data, "--out", out / "native", "--native-slope")
        found["ours_native_slope"] = agreement(file("ours"), file("native"))
    return found


def summary(size: str, taken: dict[str, list[Result]]) -> Result:
    """Medians of every tool, null where it did not run, and the single runs."""
    first = next(iter(taken.values()))
    result: Result = {"size": size, "runs": len(first), "cells": first[0]["cells"]}
    for name in TOOLS:
        runs = taken.get(name, [])
        peaks = [run["peak_mb"] for run in runs if run["peak_mb"] is not None]
        result[f"{name}_s"] = round(statistics.median(run["seconds"] for run in runs), 3) if runs else None
        result[f"{name}_cpu_s"] = round(statistics.median(run["cpu_seconds"] for run in runs), 3) if runs else None
        result[f"{name}_peak_mb"] = round(statistics.median(peaks)) if peaks else None
    result["per_run"] = {name: [run["seconds"] for run in runs] for name, runs in taken.items()}
    result["load_per_run"] = {name: [run["load"] for run in runs] for name, runs in taken.items()}
    result["phases"] = {
        name: {phase: round(statistics.median(run["phases"][phase] for run in runs), 3) for phase in runs[0]["phases"]}
        for name, runs in taken.items()
    }
    return result


def table(result: Result) -> Table:
    """The medians, as a person reads them."""
    shown = Table(title=f"{result['size']}: {result['cells']:,} cells, median of {result['runs']} runs")
    shown.add_column("tool")
    for heading in ("s", "from", "to", "× ours", "CPU s", "Mcells/s", "MB"):
        shown.add_column(heading, justify="right", no_wrap=True)
    for name, seconds in result["per_run"].items():
        median, peak = result[f"{name}_s"], result[f"{name}_peak_mb"]
        ours = result["ours_all_s" if name.endswith("_all") else "ours_s"]
        shown.add_row(
            TOOLS[name].title, f"{median:.2f}", f"{min(seconds):.2f}", f"{max(seconds):.2f}",
            f"{median / ours:.2f}" if ours else "", f"{result[f'{name}_cpu_s']:.2f}",
            f"{result['cells'] / median / 1e6:.1f}", str(peak or ""),
        )  # fmt: skip
    return shown


def parse() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--size", default="2k", choices=SIZES)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--tools", nargs="+", default=list(RASTER_PART), choices=list(TOOLS))
    parser.add_argument("--all", action="store_true", help="time the whole run with all companion files too")
    parser.add_argument("--level", type=int, default=1, help="of deflate, in every raster")
    parser.add_argument("--folder", type=Path, default=HERE, help="where data/ and out/ are")
    parser.add_argument("--results", type=Path, default=HERE / "results")
    given = parser.parse_args()
    if given.runs < 1:
        parser.error("--runs must be 1 or more")
    if given.all and given.level != 1:
        parser.error("--all writes at underoak's own level: leave --level away")
    return given


def main() -> None:
    """Make inputs, warm up, take turns, sum up."""
    given = parse()
    os.environ["DEFLATE_LEVEL"] = str(given.level)  # for the scripts that it calls
    asked = given.tools + (["ours_all", "copy_all"] if given.all else [])
    names = available([name for name in TOOLS if name in asked])
    data, out = inputs(given.size, given.folder), given.folder / "out" / given.size
    small = data if given.size == "tiny" else inputs("1k", given.folder)
    machine = conditions()
    talk.print("warming up")
    warm(data, small, out)
    taken: dict[str, list[Result]] = {name: [] for name in names}
    for turn in range(given.runs):
        for name in names:
            taken[name].append(run(name, data, out))
            talk.print(f"run {turn + 1} of {given.runs}  {TOOLS[name].title}: {taken[name][-1]['seconds']:.2f} s")
    result = summary(given.size, taken) | {"deflate_level": given.level}
    result["agreement"] = agreements(names, given.size, data, out) if "numpy" in names else {}
    result["conditions"] = machine
    given.results.mkdir(parents=True, exist_ok=True)
    (given.results / "latest.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    Console().print(table(result))
    for name, found in result["agreement"].items():
        print(f"{AGREEMENTS[name]}: median |d| {found['median']:.1e}, p99 {found['p99']:.1e}, most {found['max']:.1e}")

    from chart import draw  # late: the measured processes were to start from a small one

    draw(result, {name: TOOLS[name].title for name in names}, given.results / "latest.png")


if __name__ == "__main__":
    main()
