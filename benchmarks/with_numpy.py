"""Baseline: whole arrays, rasterio's warp and numpy; what a careful script does.

Slope is derived after warping, on the analysis grid. With `--native-slope` it is derived on the elevation's own cells,
in true metres, and then warped, as underoak does: not for timing, but to hold underoak's output against.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import Geod
from rasterio.transform import from_origin
from rasterio.warp import Resampling, reproject

from measure import Clock, arguments, report
from model import BARRED, BLOCK, COVER, CRITERIA, LEVEL, STEEP, THREADS, Ground

Array = npt.NDArray[np.float32]


def horn(z: Array, dx: float | Array, dy: float | Array) -> Array:
    """Slope [degree] by Horn's 1981 weights; cells dx by dy [m], one number or a column. The rim repeats its edge."""
    p = np.pad(z, 1, mode="edge")
    across = p[:-2, 2:] + 2 * p[1:-1, 2:] + p[2:, 2:]
    across -= p[:-2, :-2] + 2 * p[1:-1, :-2] + p[2:, :-2]
    across /= 8 * dx
    down = p[2:, :-2] + 2 * p[2:, 1:-1] + p[2:, 2:]
    down -= p[:-2, :-2] + 2 * p[:-2, 1:-1] + p[:-2, 2:]
    down /= 8 * dy
    del p
    steepness = np.hypot(across, down, out=across)
    np.arctan(steepness, out=steepness)
    return np.degrees(steepness, out=steepness)


def native_slope(elevation: Path, made: Path) -> Path:
    """Write the slope of a raster in degrees, on its own cells; returns its path."""
    with rasterio.open(elevation) as source:
        z, profile = source.read(1, masked=True).filled(np.nan), source.profile
        lat = np.linspace(source.bounds.top, source.bounds.bottom, 2 * source.height + 1)  # edges and middles of rows
        step = source.res[0]
    geod, lon = Geod(ellps="WGS84"), np.zeros(len(z))
    dx = geod.inv(lon, lat[1::2], lon + step, lat[1::2])[2]
    dy = geod.inv(lon, lat[:-1:2], lon, lat[2::2])[2]
    slope = horn(z, dx[:, None].astype(np.float32), dy[:, None].astype(np.float32))
    with rasterio.open(made, "w", **{**profile, "nodata": np.nan}) as out:
        out.write(slope, 1)
    return made


def main() -> None:
    """Warp, judge, write."""
    parser = arguments(__doc__)
    parser.add_argument("--native-slope", action="store_true", help="derive slope before warping; not for timing")
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    ground = Ground.of(given.inputs)
    shape = (ground.cells, ground.cells)
    transform = from_origin(ground.left, ground.top, ground.cell, ground.cell)
    slope_file = None
    if given.native_slope:
        slope_file = native_slope(given.inputs / "dem.tif", given.out / "slope.tif")
    clock = Clock()

    def warped(path: Path, how: Resampling, dtype: str, nodata: float) -> npt.NDArray:
        out = np.full(shape, nodata, dtype)
        with rasterio.open(path) as source:
            reproject(
                rasterio.band(source, 1), out, src_nodata=source.nodata, dst_transform=transform, dst_crs=ground.crs,
                dst_nodata=nodata, resampling=how, num_threads=THREADS,
            )  # fmt: skip
        clock.lap("warp")
        return out

    score = np.zeros(shape, np.float32)
    excluded = np.zeros(shape, bool)
    for criterion in CRITERIA:
        is_slope = criterion.name == "slope"
        path = slope_file if is_slope and slope_file else given.inputs / criterion.file
        values = warped(path, Resampling.bilinear, "float32", np.nan)
        if is_slope:
            values = values if slope_file else horn(values, ground.cell, ground.cell)
            excluded |= values > STEEP
            clock.lap("slope")
        if criterion.scale != 1:
            values *= np.float32(criterion.scale)
        score += np.float32(criterion.weight) * np.interp(values, criterion.x, criterion.y).astype(np.float32)
        del values
        clock.lap("curves")
    score /= np.float32(sum(criterion.weight for criterion in CRITERIA))
    cover = warped(given.inputs / COVER, Resampling.nearest, "uint8", 0)
    excluded |= np.isin(cover, (0, *BARRED))
    score[excluded] = np.nan
    del cover, excluded
    clock.lap("overlay")
    with rasterio.open(
        given.out / "suitability.tif", "w", driver="COG", width=ground.cells, height=ground.cells, count=1,
        dtype="float32", crs=ground.crs, transform=transform, nodata=np.nan, compress="deflate", level=LEVEL,
        predictor="yes", blocksize=BLOCK, overview_resampling="average", num_threads=THREADS, bigtiff="if_safer",
    ) as made:  # fmt: skip
        made.write(score, 1)
    clock.lap("write")
    report("numpy", ground, clock)


if __name__ == "__main__":
    main()
