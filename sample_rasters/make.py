"""Make the demo's files: `python sample_rasters/make.py [FOLDER]`. Invented throughout; see README.md beside this.

Grids, projections, units and encodings differ on purpose: they are those that open soil, elevation, climate and land
cover data come in, so that a run over these files does what a run over real ones does.
"""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import xarray as xr
from fields import buildings, outline, parcels, protected_grassland
from land import CRS, REGION, SEED, Land, build, climate
from pyproj import Transformer
from rasterio import features
from rasterio.enums import ColorInterp
from rasterio.transform import from_origin
from shapely.geometry import shape
from weather import write_weather

HOMOLOSINE = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"
TREES = 10
COVER = {
    TREES: ("tree cover", (38, 92, 58)),
    20: ("shrub", (150, 142, 82)),
    30: ("grass", (190, 206, 142)),
    40: ("crop", (232, 208, 164)),
    50: ("built-up", (122, 84, 104)),
    60: ("bare", (172, 168, 162)),
    80: ("water", (84, 126, 176)),
}
DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])  # the climate file has no leap years


def _bounds(crs: str, rim: float, step: float) -> tuple[float, float, int, int]:
    """Left, top, rows, columns of a grid in `crs`, snapped to `step`, that holds the region and a rim [axis unit]."""
    left, bottom, right, top = Transformer.from_crs(CRS, crs, always_xy=True).transform_bounds(*REGION, densify_pts=50)
    left, top = np.floor((left - rim) / step) * step, np.ceil((top + rim) / step) * step
    return left, top, int(np.ceil((top - bottom + rim) / step)), int(np.ceil((right + rim - left) / step))


def _ground(crs: str, left: float, top: float, rows: int, cols: int, cell: float) -> tuple[np.ndarray, np.ndarray]:
    """Where the cell centres of a grid in `crs` lie on the 30 m ground: x, y [m], (rows, cols)."""
    x, y = np.meshgrid(left + (np.arange(cols) + 0.5) * cell, top - (np.arange(rows) + 0.5) * cell)
    return Transformer.from_crs(crs, CRS, always_xy=True).transform(x, y)


def _write(path: Path, data: np.ndarray, crs: str, left: float, top: float, cell: float, **more: object) -> None:
    rows, cols = data.shape
    colours, tags = more.pop("colours", None), more.pop("tags", {})
    profile = {"driver": "GTiff", "count": 1, "dtype": data.dtype, "crs": crs, "height": rows, "width": cols}
    profile |= {"transform": from_origin(left, top, cell, cell), "compress": "deflate", "zlevel": 9}
    profile |= {"tiled": True, "blockxsize": 256, "blockysize": 256}
    with rasterio.open(path, "w", **profile, **more) as out:
        if colours:
            out.colorinterp = [ColorInterp.palette]
            out.write_colormap(1, colours)
        out.update_tags(**{"ORIGIN": "invented: sample_rasters/make.py", **tags})
        out.write(data, 1)


def write_soil(land: Land, folder: Path) -> None:
    """Soil pH (x10), clay and sand [g/kg], organic carbon [dg/kg], int16 at 250 m in the interrupted homolosine.

    All are means over each cell, with gaps.
    The 5 % and 95 % quantiles of pH lie further off where the ground is steep, and further below than above.
    """
    left, top, rows, cols = _bounds(HOMOLOSINE, 500.0, 250.0)
    x, y = _ground(HOMOLOSINE, left, top, rows * 5, cols * 5, 50.0)
    gaps = land.at(land.unmapped.astype(float), x, y)

    def mean(fine: np.ndarray) -> np.ndarray:
        return fine.reshape(rows, 5, cols, 5).mean(axis=(1, 3))

    missing = mean(gaps) > 0.5
    fields = (("soil_ph", land.ph, 10.0), ("clay", land.clay, 1.0), ("sand", land.sand, 1.0))
    for name, field, times in (*fields, ("organic_carbon", land.carbon, 10.0)):
        stored = np.where(missing, -32768, np.round(mean(land.at(field, x, y)) * times)).astype(np.int16)
        _write(folder / f"{name}.tif", stored, HOMOLOSINE, left, top, 250.0, nodata=-32768, predictor=2)
    down, across = np.gradient(mean(land.at(land.height, x, y)), 250.0)
    rough = np.minimum(np.hypot(down, across) / 0.2, 1.0)
    for name, off in (("soil_ph_q05", -(5.0 + 4.0 * rough)), ("soil_ph_q95", 4.0 + 3.0 * rough)):
        ph = np.round(mean(land.at(land.ph, x, y)) * 10.0)
        stored = np.where(missing, -32768, ph + np.round(off)).astype(np.int16)
        _write(folder / f"{name}.tif", stored, HOMOLOSINE, left, top, 250.0, nodata=-32768, predictor=2)


def write_carbonate(land: Land, folder: Path) -> None:
    """Carbonate [percent] as float32 at 100 m in EPSG:25831, as a national soil map might give it, without gaps."""
    left, top, rows, cols = _bounds(CRS, 300.0, 100.0)
    x, y = _ground(CRS, left, top, rows, cols, 100.0)
    stored = (np.round(land.at(land.lime, x, y) / 10.0 * 8.0) / 8.0).astype(np.float32)
    _write(folder / "carbonate.tif", stored, CRS, left, top, 100.0, nodata=-1.0, predictor=3)


def write_elevation(land: Land, folder: Path) -> None:
    """Height [m] as float32 on 1 arc-second geographic cells, to an eighth of a metre, with a void."""
    cell = 1.0 / 3600.0
    left, top, rows, cols = _bounds("EPSG:4326", 30 * cell, cell)
    x, y = _ground("EPSG:4326", left, top, rows, cols, cell)
    height = np.round(land.at(land.height, x, y, order=3) * 8.0) / 8.0
    height = np.where(land.at(land.void.astype(float), x, y) > 0.5, -9999.0, height).astype(np.float32)
    _write(folder / "elevation.tif", height, "EPSG:4326", left, top, cell, nodata=-9999.0, predictor=3)


def write_cover(land: Land, folder: Path) -> None:
    """Land cover codes as uint8 at 20 m in EPSG:3035, 0 where unknown, and the table of codes."""
    left, top, rows, cols = _bounds("EPSG:3035", 300.0, 20.0)
    x, y = _ground("EPSG:3035", left, top, rows, cols, 20.0)
    codes = land.at(land.cover.astype(float), x, y, order=0).astype(np.uint8)
    colours = {code: (*rgb, 255) for code, (_, rgb) in COVER.items()}
    _write(folder / "landcover.tif", codes, "EPSG:3035", left, top, 20.0, nodata=0, colours=colours)
    lines = ["code,name", *(f"{code},{name}" for code, (name, _) in COVER.items())]
    (folder / "landcover.csv").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def write_climate(land: Land, folder: Path) -> None:
    """An ordinary year by months on 0.05 degree cells: rain as a rate [kg m-2 s-1], temperature [K], no leap years."""
    lon, lat = 1.575 + 0.05 * np.arange(10), 41.825 + 0.05 * np.arange(9)  # rows run north, as such files often do
    across, up = np.meshgrid(lon, lat)
    x, y = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(across.ravel(), up.ravel())
    warmth, rain = (a.reshape(12, lat.size, lon.size) for a in climate(land, x, y))
    starts = np.concatenate([[0], np.cumsum(DAYS)])
    axes = ("time", "lat", "lon")
    rate = (rain / (DAYS * 86_400.0)[:, None, None]).astype(np.float32)
    year = xr.Dataset(
        {
            "pr": (axes, rate, {"units": "kg m-2 s-1", "long_name": "precipitation", "cell_methods": "time: mean"}),
            "tas": (axes, (warmth + 273.15).astype(np.float32), {"units": "K", "long_name": "air temperature"}),
        },
        coords={
            "time": (
                "time",
                (starts[:-1] + starts[1:]) / 2.0,
                {"units": "days since 2001-01-01", "calendar": "noleap"},
            ),
            "lat": ("lat", lat, {"units": "degrees_north", "standard_name": "latitude"}),
            "lon": ("lon", lon, {"units": "degrees_east", "standard_name": "longitude"}),
        },
        attrs={"Conventions": "CF-1.8", "title": "Querna, an invented country: an ordinary year"},
    )
    coding = {name: {"_FillValue": np.float32(1e20)} for name in ("pr", "tas")} | {
        c: {"_FillValue": None} for c in axes
    }
    year.to_netcdf(folder / "climate.nc", engine="scipy", encoding=coding)


def woods(cover: Path, smallest_m2: float = 10_000.0) -> gpd.GeoDataFrame:
    """Connected tree cover of the land cover map, as a forestry office might draw it."""
    with rasterio.open(cover) as source:
        trees = (source.read(1) == TREES).astype(np.uint8)
        outlines = [shape(each) for each, _ in features.shapes(trees, trees == 1, transform=source.transform)]
    table = gpd.GeoDataFrame(geometry=outlines, crs="EPSG:3035")
    return table[table.area >= smallest_m2].simplify(15.0).buffer(0.0).to_frame("geometry").reset_index(drop=True)


def write_vectors(land: Land, folder: Path) -> None:
    """Outline, built-up ground, woods, protected ground and parcels as GeoPackages, each in a CRS of its own."""
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2001-01-01T00:00:00Z"})  # else the clock enters the file
    try:
        region = gpd.GeoDataFrame({"name": ["Querna"]}, geometry=[outline(SEED)], crs=CRS)
        region.to_file(folder / "region.gpkg", layer="outline", driver="GPKG")
        built = gpd.GeoDataFrame(geometry=buildings(land, SEED), crs=CRS).to_crs("EPSG:3035")
        built.to_file(folder / "built.gpkg", layer="built", driver="GPKG")
        woods(folder / "landcover.tif").to_file(folder / "woods.gpkg", layer="woods", driver="GPKG")
        protected = gpd.GeoDataFrame({"name": ["Dry grassland"]}, geometry=[protected_grassland()], crs=CRS)
        protected.to_file(folder / "protected.gpkg", layer="protected", driver="GPKG")
        parcels(land, SEED).to_crs("EPSG:4258").to_file(folder / "parcels.gpkg", layer="parcels", driver="GPKG")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def make(folder: Path) -> None:
    """Write every file of the demo into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.gpkg"):
        old.unlink()
    land = build()
    writers = (write_soil, write_carbonate, write_elevation, write_cover, write_climate, write_weather, write_vectors)
    for write in writers:
        write(land, folder)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
