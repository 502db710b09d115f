"""A long strip of noise: five tiles that take a second to judge, for tests that stop runs and go on with them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import underoak as uo
from underoak.base.errors import Fault
from underoak.engine.progress import Progress

from noise import LEFT, TOP, noise_country

ROWS, COLS, TILES = 200, 5000, 5  # with four levels of overviews
UNDATED = (
    "suitability.tif", "class.tif", "limiting.tif", "memberships.tif", "parcels.gpkg", "parcels.csv", "zones.gpkg",
    "legend.sld", "map.png", "class.tif.aux.xml", "limiting.tif.aux.xml",
)  # fmt: skip


def strip(folder: Path) -> dict[str, Any]:
    """The layers in a folder, and a plan on them, of a rule whose results take no search."""
    plan = noise_country(folder, ROWS, COLS, parcels=24) | {"combine": {"rule": "linear"}}
    plan["region"] = {"bounds": [LEFT, TOP - 30 * ROWS, LEFT + 30 * COLS, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    return plan


def result(folder: Path) -> tuple[dict[str, str], dict[str, Any]]:
    """Checksums of a finished run, and its manifest less what depends on the day."""
    manifest = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    del manifest["when"]
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in UNDATED}, manifest


def kept_tiles(out: Path) -> int:
    """How many tiles of stopped runs a folder holds."""
    journals = list((out / ".underoak" / "spool").glob("*/journal.txt"))
    return sum(journal.read_bytes().count(b'"tile":') for journal in journals)


class Listener(Progress):
    """Remembers what it was told, and may do something when a number of tiles is done."""

    def __init__(self, at: int = -1, then: Callable[[], object] = lambda: None) -> None:
        super().__init__("none")
        self.heard: list[str] = []
        self.tiles, self.at, self.then = 0, at, then

    def say(self, text: str) -> None:
        self.heard.append(text)

    def warn(self, fault: Fault) -> None:
        self.heard.append(str(fault))

    def advance(self, parts: int = 1) -> None:
        super().advance(parts)
        self.tiles += parts
        if self.tiles == self.at:
            self.then()


def go(plan: dict[str, Any], base: Path, out: Path, **options: Any) -> uo.Run:
    """A run of a plan that is a mapping."""
    return uo.run(uo.load_plan(plan, base=base), out=out, **{"workers": 2, **options})
