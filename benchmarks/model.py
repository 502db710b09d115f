"""The one model that all tools compute: six criteria, two constraints and a weighted mean, on one grid.

Underoak gets it as a plan, the others as numbers. Nothing here imports more than the standard library.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Criterion:
    """One layer and its response curve: membership `y` at value `x`, straight between, level outside."""

    name: str
    file: str
    unit: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    weight: float
    scale: float = 1.0  # from the stored number to the curve's


CRITERIA = (
    Criterion("ph", "ph.tif", "pH*10", (4.5, 5.8, 6.8, 8.2), (0.0, 1.0, 1.0, 0.0), 0.20, scale=0.1),
    Criterion("slope", "dem.tif", "m", (0.0, 3.0, 12.0, 25.0), (1.0, 1.0, 0.4, 0.0), 0.20),
    Criterion("rain", "rain.tif", "mm", (400.0, 800.0, 1300.0, 1700.0), (0.0, 1.0, 1.0, 0.2), 0.20),
    Criterion("rain_summer", "rain_summer.tif", "mm", (100.0, 200.0, 350.0, 450.0), (0.0, 1.0, 1.0, 0.3), 0.15),
    Criterion("mean", "mean.tif", "degC", (2.0, 7.0, 12.0, 17.0), (0.0, 1.0, 1.0, 0.0), 0.15),
    Criterion("warmest", "warmest.tif", "degC", (12.0, 18.0, 24.0, 32.0), (0.0, 1.0, 1.0, 0.0), 0.10),
)
COVER = "cover.tif"  # land cover; 0 is nodata
BARRED = (1, 9, 10)  # land-cover classes that are excluded
STEEP = 25.0  # [degree] steeper ground is excluded

BLOCK = 512  # cells along a block of every output
LEVEL = int(os.environ.get("DEFLATE_LEVEL", "1"))  # in every output; 1 is the one underoak writes with
THREADS = 2
CHUNK = 2048  # cells along a dask chunk


@dataclass(frozen=True)
class Ground:
    """The analysis grid."""

    size: str
    crs: str
    left: float
    top: float
    cell: float
    cells: int  # along a side

    @classmethod
    def of(cls, inputs: Path) -> Ground:
        """The grid that lies with the inputs."""
        return cls(**json.loads((inputs / "grid.json").read_text(encoding="utf-8")))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top."""
        side = self.cells * self.cell
        return self.left, self.top - side, self.left + side, self.top


def plan(inputs: Path, parcels: int | None = None) -> dict[str, Any]:
    """The model as a plan; `parcels` names one of the parcel files by its number of parcels."""
    ground = Ground.of(inputs)
    layers: dict[str, Any] = {
        c.name: {"file": c.file, "unit": c.unit, "resample": "bilinear"} for c in CRITERIA if c.name != "slope"
    }
    layers |= {
        "elevation": {"file": "dem.tif", "unit": "m"},
        "slope": {"from": "elevation", "derive": "slope", "resample": "bilinear"},
        "cover": {"file": COVER, "kind": "classes", "resample": "nearest"},
    }
    points = {c.name: [list(point) for point in zip(c.x, c.y, strict=True)] for c in CRITERIA}
    written = {
        "format": 1,
        "title": "benchmark",
        "purpose": "region",
        "region": {
            "bounds": list(ground.bounds),
            "crs": ground.crs,
            "cell": f"{ground.cell:g} m",
            "snap": [ground.left, ground.top],
        },
        "layers": layers,
        "criteria": {
            name: {"layer": name, "curve": {"shape": "points", "of": of}, "source": "benchmark"}
            for name, of in points.items()
        },
        "weights": {"direct": {c.name: c.weight for c in CRITERIA}},
        "constraints": [
            {"name": "cover", "layer": "cover", "exclude": f"in {', '.join(map(str, BARRED))}"},
            {"name": "steep", "layer": "slope", "exclude": f"> {STEEP:g} degree"},
        ],
        "combine": {"rule": "linear"},
        "outputs": {"folder": "out"},
    }
    if parcels:
        written["parcels"] = {"file": f"parcels_{parcels}.gpkg", "id": "id"}
    return written


def in_doubt(
    sure: dict[str, Any], draws: int, correlation: str = "800 m", resample: str = "bilinear"
) -> dict[str, Any]:
    """The same plan with soil and climate in doubt; slope is taken at its word."""
    layers = {name: dict(layer) for name, layer in sure["layers"].items()}
    for name, sd in (("ph", 0.5), ("rain", "8 %"), ("rain_summer", "15 %"), ("mean", "0.6 K"), ("warmest", "0.8 K")):
        layers[name] |= {"sd": sd, "resample": resample}
    uncertainty = {"draws": draws, "correlation_range": correlation, "assume": "none"}
    return {**sure, "layers": layers, "uncertainty": uncertainty}
