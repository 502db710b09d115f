"""Time sums over parcels: underoak's, taken in the pass that judges the ground, against exactextract afterwards.

    python benchmarks/parcels.py --size 8k

Underoak's time is the difference between a run with and a run without parcels, taken in turns: reading the parcels,
their exact share of every cell, and sums of suitability, memberships, classes and limiting factors, ranked.
exactextract reads the parcels and the finished suitability, goes through it in raster order, and gives mean and count:
less, but it is what one would ask of it. Results, with how far the means of both are apart, go to
`results/parcels.json`.
"""

from __future__ import annotations

import argparse
import json
import statistics
from pathlib import Path
from typing import Any

from compare import HERE, SIZES, call, conditions, inputs, talk, warm


def timed(printed: str) -> dict[str, float]:
    """Seconds, and seconds of the processors, from what a script printed."""
    line = json.loads(printed.splitlines()[-1])
    return {what: line[what] for what in ("seconds", "cpu_seconds")}


def turn(data: Path, out: Path, parcels: int) -> dict[str, dict[str, float]]:
    """One run of underoak without and with parcels, and of exactextract."""
    without = call("ours.py", "--inputs", data, "--out", out / "ours")
    within = call("ours.py", "--inputs", data, "--out", out / f"parcels_{parcels}", "--parcels", parcels)
    printed = call(
        "with_exactextract.py", "--inputs", data, "--out", out / "exactextract", "--parcels", parcels,
        "--finished", out / f"parcels_{parcels}",
    )  # fmt: skip
    return {"without": timed(without), "with": timed(within), "exactextract": timed(printed)}


def medians(turns: list[dict[str, dict[str, float]]]) -> dict[str, float]:
    """Of the difference that parcels make, and of exactextract."""
    found = {}
    for what, end in (("seconds", "s"), ("cpu_seconds", "cpu_s")):
        found[f"ours_{end}"] = statistics.median(each["with"][what] - each["without"][what] for each in turns)
        found[f"exactextract_{end}"] = statistics.median(each["exactextract"][what] for each in turns)
    return {name: round(seconds, 3) for name, seconds in found.items()}


def apart(out: Path, parcels: int) -> dict[str, Any]:
    """How far the means of the two are from each other."""
    import pandas as pd

    means = []
    for folder, column in ((f"parcels_{parcels}", "suitability"), ("exactextract", "mean")):
        path = out / folder / f"parcels_{parcels}.csv"
        means.append(pd.read_csv(path, usecols=["id", column]).set_index("id")[column])
    both = pd.concat(means, axis=1).dropna()
    if both.empty:
        raise SystemExit("no parcel has a mean in both")
    return {"compared": len(both), "most_apart": float((both["suitability"] - both["mean"]).abs().max())}


def main() -> None:
    """Take turns, sum up."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--size", default="2k", choices=SIZES)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--parcels", type=int, nargs="+", default=[2_000, 50_000], choices=(2_000, 50_000))
    parser.add_argument("--folder", type=Path, default=HERE, help="where data/ and out/ are")
    parser.add_argument("--results", type=Path, default=HERE / "results")
    given = parser.parse_args()
    data, out = inputs(given.size, given.folder), given.folder / "out" / given.size
    result: dict[str, Any] = {"size": given.size, "runs": given.runs, "conditions": conditions(), "parcels": {}}
    warm(data, data, out)
    call("ours.py", "--inputs", data, "--out", out / "warm", "--parcels", given.parcels[0])
    for parcels in given.parcels:
        turns = []
        for at in range(given.runs):
            turns.append(turn(data, out, parcels))
            seconds = ", ".join(f"{name} {each['seconds']:.2f} s" for name, each in turns[-1].items())
            talk.print(f"run {at + 1} of {given.runs}, {parcels:,} parcels: {seconds}")
        result["parcels"][str(parcels)] = {**medians(turns), **apart(out, parcels), "per_run": turns}
    given.results.mkdir(parents=True, exist_ok=True)
    (given.results / "parcels.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    for parcels, found in result["parcels"].items():
        print(
            f"{int(parcels):>6,} parcels: underoak {found['ours_s']:.2f} s (CPU {found['ours_cpu_s']:.2f}), "
            f"exactextract {found['exactextract_s']:.2f} s (CPU {found['exactextract_cpu_s']:.2f}), "
            f"means apart by {found['most_apart']:.1e} at most over {found['compared']:,} parcels"
        )


if __name__ == "__main__":
    main()
