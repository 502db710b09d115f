"""Make the inputs of a size: invented layers like the open ones, each in its own grid, unit and encoding.

    python benchmarks/inputs.py --size 2k

Everything is value noise in several octaves, seeded, looked up at the layer's own cell centres. `data/<size>` holds

    ph.tif                                      int16 pH x 10, 250 m, interrupted Goode homolosine, nodata -32768
    dem.tif                                     float32 m, 1 arc-second, nodata -9999
    rain.tif rain_summer.tif mean.tif warmest.tif   float32 mm and degC, 30 arc-seconds, nodata -3.4e38
    cover.tif                                   uint8, 100 m, not aligned with the analysis grid, nodata 0
    parcels_2000.gpkg parcels_50000.gpkg        star-shaped, some ten times larger than the rest, field `id`
    grid.json                                   the analysis grid
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from numba import njit
from pyproj import Transformer

from model import Ground

HOMOLOSINE = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"
SIZES = {"tiny": 256, "1k": 1024, "2k": 2048, "4k": 4096, "8k": 8192, "20k": 20480}
NORTH = (4_000_000.0, 3_300_000.0)  # upper left corner: hills between the Rhine and the Seine, were they real
SOUTH = (3_500_000.0, 2_080_000.0)  # the 4k grid lies across 40°44' N, where the homolosine bends
PARCELS = (2_000, 50_000)
_BAND = 512  # rows made at a time

Array = npt.NDArray[np.float32]


def ground(size: str) -> Ground:
    """The analysis grid of a size.

    >>> ground("2k").cells
    2048
    """
    left, top = SOUTH if size == "4k" else NORTH
    return Ground(size, "EPSG:3035", left, top, 30.0, SIZES[size])


@njit(cache=True, nogil=True)
def _corner(i, j, seed):  # type: ignore[no-untyped-def]
    """A number 0..1 for a lattice corner: a mixed 64-bit counter (SplitMix64 finaliser, Steele et al. 2014)."""
    h = np.uint64(i) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(j) * np.uint64(0xC2B2AE3D27D4EB4F)
    h += np.uint64(seed) * np.uint64(0x165667B19E3779F9)
    h = (h ^ (h >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    h = (h ^ (h >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.float64((h ^ (h >> np.uint64(31))) >> np.uint64(11)) / 9007199254740992.0


@njit(cache=True, nogil=True)
def _noise(left, top, dx, dy, frequency, octaves, gain, seed, out):  # type: ignore[no-untyped-def]
    """Fill `out` with noise 0..1 at cell centres: each octave a lattice of random numbers, joined smoothly."""
    rows, cols = out.shape
    line = np.empty(cols)
    for r in range(rows):
        line[:] = 0.0
        size, total, often = 1.0, 0.0, frequency
        for octave in range(octaves):
            y = (top + dy * (r + 0.5)) * often
            j = math.floor(y)
            t = y - j
            t = t * t * (3.0 - 2.0 * t)
            first = math.floor(left * often)
            lattice = np.empty(math.floor((left + dx * cols) * often) - first + 2)
            for k in range(lattice.size):
                above = _corner(first + k, j, seed + octave)
                lattice[k] = above + t * (_corner(first + k, j + 1, seed + octave) - above)
            for c in range(cols):
                x = (left + dx * (c + 0.5)) * often - first
                k = int(x)
                s = x - k
                s = s * s * (3.0 - 2.0 * s)
                line[c] += size * (lattice[k] + s * (lattice[k + 1] - lattice[k]))
            total += size
            size *= gain
            often *= 2.03
        for c in range(cols):
            out[r, c] = line[c] / total


@dataclass(frozen=True)
class Noise:
    """Where it varies: `frequency` lattice cells in one unit of the layer's axes, doubled about with each octave."""

    frequency: float
    octaves: int
    gain: float
    seed: int

    def at(self, left: float, top: float, cell: float, rows: int, cols: int) -> Array:
        """Values 0..1, (rows, cols)."""
        out = np.empty((rows, cols), np.float32)
        _noise(left, top, cell, -cell, self.frequency, self.octaves, self.gain, self.seed, out)
        return out


@dataclass(frozen=True)
class Layer:
    """One raster: its grid, its encoding, and what its noise means."""

    file: str
    crs: str
    cell: float
    shift: tuple[float, float]  # of the corner, against whole cells
    dtype: str
    nodata: float
    noise: Noise
    value: Callable[[Array], Array]
    holes: tuple[Noise, float] | None = None  # nodata where this noise is below the level
    block: int = 512

    def write(self, folder: Path, ground: Ground) -> None:
        """Write it over the ground and a rim of some cells."""
        to_layer = Transformer.from_crs(ground.crs, self.crs, always_xy=True)
        west, south, east, north = to_layer.transform_bounds(*ground.bounds, densify_pts=101)
        left = (math.floor(west / self.cell) - 6) * self.cell + self.shift[0]
        top = (math.ceil(north / self.cell) + 6) * self.cell + self.shift[1]
        cols = math.ceil((east - left) / self.cell) + 6
        rows = math.ceil((top - south) / self.cell) + 6

        def band(row: int) -> tuple[int, npt.NDArray]:
            place = (left, top - row * self.cell, self.cell, min(_BAND, rows - row), cols)
            values = self.value(self.noise.at(*place))
            if self.holes:
                holes, level = self.holes
                values[holes.at(*place) < level] = self.nodata
            return row, values.astype(self.dtype)

        kind = 3 if self.dtype.startswith("float") else 2 if self.dtype == "int16" else 1
        profile = {
            "driver": "GTiff", "width": cols, "height": rows, "count": 1, "dtype": self.dtype, "nodata": self.nodata,
            "crs": self.crs, "transform": rasterio.Affine(self.cell, 0, left, 0, -self.cell, top), "tiled": True,
            "blockxsize": self.block, "blockysize": self.block, "compress": "deflate", "zlevel": 6, "predictor": kind,
            "bigtiff": "if_safer",
        }  # fmt: skip
        with rasterio.open(folder / self.file, "w", **profile) as made, ThreadPoolExecutor(os.cpu_count()) as pool:
            starts = list(range(0, rows, _BAND))
            for i in range(0, len(starts), 8):  # a few bands at a time, so that little waits to be written
                for row, values in pool.map(band, starts[i : i + 8]):
                    made.write(values, 1, window=((row, row + values.shape[0]), (0, cols)))


def _climate(file: str, low: float, span: float, digits: int, seed: int) -> Layer:
    return Layer(
        file, "EPSG:4326", 1 / 120, (0, 0), "float32", -3.4e38, Noise(1.0, 6, 0.5, seed),
        lambda z: np.round(low + span * z, digits), (Noise(6.0, 3, 0.5, seed + 7), 0.12), block=256,
    )  # fmt: skip


LAYERS = (
    Layer(
        "dem.tif", "EPSG:4326", 1 / 3600, (0, 0), "float32", -9999, Noise(2.0, 11, 0.5, 100),
        lambda z: np.round((z - np.float32(0.25)) ** 2 * np.float32(4500), 2),
    ),
    _climate("rain.tif", 300, 1500, 1, 200),
    _climate("rain_summer.tif", 60, 400, 1, 300),
    _climate("mean.tif", -2, 20, 2, 400),
    _climate("warmest.tif", 8, 26, 2, 500),
    Layer(
        "ph.tif", HOMOLOSINE, 250.0, (0, 0), "int16", -32768, Noise(1 / 90e3, 8, 0.6, 600),
        lambda z: np.round(35 + 55 * z), (Noise(1 / 9e3, 3, 0.5, 607), 0.2), block=256,
    ),
    Layer(
        "cover.tif", "EPSG:3035", 100.0, (-40, 70), "uint8", 0, Noise(1 / 20e3, 8, 0.6, 700),
        lambda z: np.clip(np.floor((z - 0.2) / 0.6 * 10) + 1, 1, 10),
    ),
)  # fmt: skip


def write_parcels(folder: Path, ground: Ground, number: int) -> None:
    """Stars of nine points, about 150 m from centre to tip; one in a hundred is ten times wider."""
    import geopandas as gpd
    import shapely

    rng = np.random.default_rng(number)
    left, bottom, right, top = ground.bounds
    centres = rng.uniform((left, bottom), (right, top), (number, 2))
    radius = 150 * np.exp(0.5 * rng.standard_normal(number)) * np.where(rng.random(number) < 0.01, 10, 1)
    angles = (np.arange(9) + rng.uniform(0, 0.7, (number, 9))) * (2 * np.pi / 9)
    reach = radius[:, None] * rng.uniform(0.6, 1.4, (number, 9))
    points = centres[:, None] + reach[..., None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    points = np.clip(points, (left + 1, bottom + 1), (right - 1, top - 1))
    shapes = shapely.make_valid(shapely.polygons(points))
    whole = np.isin(shapely.get_type_id(shapes), (3, 6))
    frame = gpd.GeoDataFrame({"id": np.arange(number)[whole]}, geometry=shapes[whole], crs=ground.crs)
    frame.to_file(folder / f"parcels_{number}.gpkg", engine="pyogrio")


def make(size: str, data: Path) -> Path:
    """The inputs of a size under `data`, made when they are not there; returns their folder."""
    folder, new = data / size, data / f".{size}.new"
    if folder.is_dir():
        return folder
    shutil.rmtree(new, ignore_errors=True)
    new.mkdir(parents=True)
    place = ground(size)
    for layer in LAYERS:
        layer.write(new, place)
    for number in PARCELS:
        write_parcels(new, place, number)
    (new / "grid.json").write_text(json.dumps(asdict(place)), encoding="utf-8")
    new.rename(folder)
    return folder


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--size", default="2k", choices=SIZES)
    parser.add_argument("--data", type=Path, default=Path(__file__).parent / "data")
    given = parser.parse_args()
    print(make(given.size, given.data))
