"""Runs over real climates, now and changed, and the figures that docs/published_directions.md holds of them.

python tests/real/published.py       # prints the table of figures
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
import yaml

import underoak as uo
from underoak.base import crs

import builders

PLANS = Path(__file__).parents[2] / "configs" / "plans"
BLACK, SUMMER, WHITE = "tuber_melanosporum", "tuber_aestivum", "tuber_magnatum"


class Change(NamedTuple):
    """What is done to a climate: degrees added to all months, factors of the rain of some."""

    warmer: float = 0.0
    rain: float = 1.0
    of_months: tuple[int, ...] = ()


_JUNE_TO_AUGUST, _SEPTEMBER_TO_NOVEMBER = (6, 7, 8), (9, 10, 11)
# Round figures from memory: the first for Europe before 1990, the last for late in the century under high emissions.
CHANGES = {
    "cooler": Change(-1.3),
    "warmer": Change(2.0),
    "drier_summer": Change(0.0, 0.8, _JUNE_TO_AUGUST),
    "wetter_summer": Change(0.0, 1.2, _JUNE_TO_AUGUST),
    "wetter_autumn": Change(0.0, 1.2, _SEPTEMBER_TO_NOVEMBER),
    "late_century": Change(4.0, 0.75, _JUNE_TO_AUGUST),
}


def changed(climate: xr.Dataset, change: Change) -> xr.Dataset:
    """A climate after a change."""
    made = climate.copy(deep=True)
    made["t2m"] += np.float32(change.warmer)
    made["tp"] *= xr.where(made["month"].isin(change.of_months), np.float32(change.rain), np.float32(1.0))
    return made


def run_of(
    folder: Path, species: tuple[str, ...], changes: Mapping[str, Change], out: str, place: str = "europe", **parts: Any
) -> Any:
    """The plan of Europe, or a likeness of it with other `parts`, for `species` in the present and in each change."""
    plan = yaml.safe_load((PLANS / "europe.yaml").read_text(encoding="utf-8"))
    plan |= {"species": list(species), **parts}
    file = folder / "data" / place / "climate.nc"
    from_file = [key for key, layer in plan["layers"].items() if "file" in layer]  # the others derive from these
    for key in from_file:
        plan["layers"][key]["file"] = str(file.relative_to(folder))
    with xr.open_dataset(file) as opened:
        climate = opened.load()
    plan["scenarios"] = []
    for name, change in changes.items():
        made = file.with_name(f"{name}.nc")
        changed(climate, change).to_netcdf(made)
        drawn = [key for key in from_file if key.startswith("temp" if not change.of_months else "")]
        replace = {key: str(made.relative_to(folder)) for key in drawn}
        plan["scenarios"].append({"name": name, "replace": replace})
    return uo.run(uo.load_plan(plan, base=folder), out=folder / out)


def europe_of(folder: Path) -> Any:
    """Both truffles over Europe, in the present and every change."""
    return run_of(folder, (BLACK, SUMMER), CHANGES, "published_europe")


def case(run: Any, species: str, change: str = "") -> Any:
    """One truffle in the present, or after a change."""
    return run.cases[f"{species}/scenarios/{change}" if change else species]


def parcels(run: Any, species: str, change: str = "") -> Any:
    """The table of a view's parcels, by name."""
    return case(run, species, change).parcels.set_index("id")


def suitability(run: Any, species: str, change: str = "") -> np.ndarray:
    """Suitability of every cell, NaN where none was judged."""
    return np.asarray(case(run, species, change).dataset["suitability"])


def on_cells(run: Any, climate: Path) -> xr.Dataset:
    """The climate at the middle of every cell of the analysis grid, straight from its file."""
    grid = run.grid
    down, across = np.indices((grid.rows, grid.cols)) + 0.5
    a, b, c, d, e, f = grid.transform
    to_degrees = crs.transformer(grid.crs, "EPSG:4326")
    lon, lat = to_degrees.transform(a * across + b * down + c, d * across + e * down + f)
    with xr.open_dataset(climate) as opened:
        at = {"longitude": (("row", "col"), lon), "latitude": (("row", "col"), lat)}
        return opened.load().interp(at)


_ROWS = (
    *((BLACK, place) for place in ("Spain", "France", "Italy", "Teruel", "Huesca", "Soria")),
    *((BLACK, place) for place in ("Czechia", "Germany", "United Kingdom", "Ireland")),
    *((SUMMER, place) for place in ("Czechia", "Germany", "France", "Spain")),
)


def figures(run: Any) -> dict[tuple[str, str, str], list[float]]:
    """Of each truffle and place: suitability, share of S1, and share of S1 and S2, in the present and every change."""
    tables = {
        (species, change): parcels(run, species, change) for species in (BLACK, SUMMER) for change in ("", *CHANGES)
    }
    found = {}
    for species, place in _ROWS:
        rows = [tables[species, change].loc[place] for change in ("", *CHANGES)]
        found[species, place, "suitability"] = [float(row["suitability"]) for row in rows]
        found[species, place, "S1"] = [float(row["share_s1"]) for row in rows]
        found[species, place, "S1 and S2"] = [float(row["share_s1"] + row["share_s2"]) for row in rows]
    return found


def table(found: Mapping[tuple[str, str, str], list[float]]) -> list[str]:
    """The figures as lines of the page."""
    short = {BLACK: "melanosporum", SUMMER: "aestivum"}
    return [
        f"| {short[species]} | {place} | {what} | " + " | ".join(f"{value:.2f}" for value in values) + " |"
        for (species, place, what), values in found.items()
    ]


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        builders.europe(Path(folder) / "data" / "europe")
        print(*table(figures(europe_of(Path(folder)))), sep="\n")


if __name__ == "__main__":
    sys.exit(main())
