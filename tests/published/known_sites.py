"""Known sites of truffles, their climate, and the class that a profile gives it: natives, orchards, failures, controls.

`known_sites.csv` holds places to a tenth of a degree, what to expect there, and the climate of 2000 to 2025 in the cell
of the ERA5 reanalysis there (`tests/real/test_data.py` works it out again). No curve was fitted to these sites.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import NamedTuple

import numpy as np

from underoak.overlay import membership
from underoak.overlay.judge import Rules, judge
from underoak.plan import load_profile

FILE = Path(__file__).with_name("known_sites.csv")
# Columns of the climate, by the names of the layers that profiles judge.
CLIMATE = ("temp_annual", "temp_warmest", "temp_coldest", "rain_annual", "rain_summer", "rain_autumn", "water_balance")
CLASSES = ("S1", "S2", "S3", "N")
# What its own class may be. "edge": the northern limit in print, which says nothing of its class.
ALLOWED = {
    "native": ("S1", "S2"),
    "fruits": ("S1", "S2", "S3"),
    "watered": ("S1", "S2", "S3"),
    "edge": CLASSES,
    "control": ("S2", "S3", "N"),
    "low": ("S2", "S3", "N"),
    "failed": ("S2", "S3", "N"),
}


class Site(NamedTuple):
    """A place, its climate, and what to expect."""

    species: str
    place: str
    latitude: float
    longitude: float
    expected: str
    climate: dict[str, float]
    fails_because: str  # empty where it is as expected


class Answer(NamedTuple):
    """What a profile says of the climate of a site."""

    suitability: float
    class_: str
    limiting: str  # empty where nothing limits


def known_sites() -> list[Site]:
    """All sites of the file."""
    with FILE.open(encoding="utf-8", newline="") as file:
        return [
            Site(
                row["species"], row["place"], float(row["latitude"]), float(row["longitude"]), row["expected"],
                {name: float(row[name]) for name in CLIMATE}, row["fails_because"],
            )
            for row in csv.DictReader(file)
        ]  # fmt: skip


def answer(site: Site) -> Answer:
    """Judge the climate of a site by its profile: geometric rule, classes as shipped; `watered` up to the remedy."""
    profile = load_profile(site.species)
    climate = dict(site.climate)
    remedy = profile.criteria["water"].remedy
    if site.expected in ("watered", "failed") and remedy is not None:
        given = max(0.0, (remedy.limit_in("mm") or 0.0) - climate["rain_summer"])
        climate |= {name: climate[name] + given for name in ("rain_summer", "water_balance")}
    rows = {name: row for name, row in profile.criteria.items() if row.layer in climate and row.weight > 0}
    scores = np.float32([[[membership(climate[row.layer], row.curve.curve())]] for row in rows.values()])
    essential = tuple(n for n, row in enumerate(rows.values()) if row.essential)
    rules = Rules(tuple(row.weight for row in rows.values()), "geometric", essential=essential)
    result = judge(scores, np.zeros((1, 1), np.uint8), rules)
    weakest = int(result.weakest[0, 0])
    limiting = list(rows)[weakest] if weakest < len(rows) else ""
    return Answer(float(result.suitability[0, 0]), CLASSES[int(result.classes[0, 0]) - 1], limiting)


def table() -> list[str]:
    """The sites and their answers as lines of a page."""
    lines = ["| species | site | expected | suitability | class | limited by |", "|---|---|---|---|---|---|"]
    for site in known_sites():
        said = answer(site)
        limiting = said.limiting + (f"; {site.fails_because}" if site.fails_because else "")
        name = f"*{site.species.replace('_', ' ').capitalize()}*"
        lines.append(
            f"| {name} | {site.place} | {site.expected} | {said.suitability:.2f} | {said.class_} | {limiting} |"
        )
    return lines
