"""Raw real files made into the inputs of the real plans, one folder for each plan."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio.transform
import xarray as xr
from rasterio.transform import Affine
from shapely.geometry import MultiPolygon, Polygon, box

from fetch import Unavailable, get


def jacksboro(folder: Path) -> list[Path]:
    """Elevation, the weather of 1999 and counties where Tennessee meets Kentucky."""
    folder.mkdir(parents=True, exist_ok=True)
    dem, climate, counties = folder / "dem.tif", folder / "climate_1999.nc", folder / "counties.gpkg"
    heights, transform = jacksboro_dem()
    rows, cols = heights.shape
    profile = {"driver": "GTiff", "height": rows, "width": cols, "count": 1, "dtype": "int16", "crs": "EPSG:4326"}
    with rasterio.open(dem, "w", **profile, transform=transform, compress="deflate", tiled=True) as out:
        out.write(heights, 1)
    shutil.copyfile(get("bcsd_obs_1999.nc"), climate)
    covered = box(*rasterio.transform.array_bounds(rows, cols, transform))
    inside = us_counties().clip(covered, keep_geom_type=True).sort_values("fips")
    counties.unlink(missing_ok=True)
    inside.to_file(counties, layer="counties", driver="GPKG")
    return [dem, climate, counties]


def luxembourg(folder: Path) -> list[Path]:
    """Elevation at 30 arc-seconds and the twelve cantons, as they come."""
    return _copied(folder, *((name, name) for name in ("elev.tif", "lux.shp", "lux.shx", "lux.dbf", "lux.prj")))


def north_carolina(folder: Path) -> list[Path]:
    """The weather of 1999 and a hundred counties on NAD27, as they come."""
    return _copied(folder, ("bcsd_obs_1999.nc", "climate_1999.nc"), ("nc.gpkg", "nc.gpkg"))


def europe(folder: Path) -> list[Path]:
    """The climate of 2000 to 2025 over Europe, land, and what is looked at: countries, provinces, known grounds.

    The file says kelvin and metres, as the reanalysis has them; its values are degrees Celsius and millimetres in a
    month, as its package uses them. `test_data.py` shows so by the weather of 1999 from elsewhere.
    """
    folder.mkdir(parents=True, exist_ok=True)
    climate, land, parcels = folder / "climate.nc", folder / "land.gpkg", folder / "parcels.gpkg"
    monthly_climate(-14.0, 30.0, 42.0, 62.0).to_netcdf(climate)
    countries = _shapes("countries-50m.json", "countries").clip(box(-14, 30, 42, 62), keep_geom_type=True)
    provinces = _shapes("provinces.json", "provinces")
    looked_at = [
        countries[countries["name"].isin(COUNTRIES)],
        provinces[provinces["name"].isin(PROVINCES)],
        _circles(EUROPEAN_GROUNDS, "EPSG:3035"),
    ]
    for path, shapes in ((land, countries), (parcels, pd.concat(looked_at, ignore_index=True))):
        path.unlink(missing_ok=True)
        shapes[["name", "geometry"]].to_file(path, driver="GPKG")
    return [climate, land, parcels]


def australia(folder: Path) -> list[Path]:
    """The climate of 2000 to 2025 over southern Australia, and places where black truffle is grown."""
    folder.mkdir(parents=True, exist_ok=True)
    climate, parcels = folder / "climate.nc", folder / "parcels.gpkg"
    monthly_climate(112.0, -45.0, 155.0, -28.0).to_netcdf(climate)
    parcels.unlink(missing_ok=True)
    _circles(AUSTRALIAN_GROUNDS, "EPSG:3577").to_file(parcels, driver="GPKG")
    return [climate, parcels]


COUNTRIES = ("Spain", "France", "Italy", "Czechia", "United Kingdom", "Ireland", "Germany", "Hungary")
PROVINCES = ("Teruel", "Huesca", "Soria")
# Known grounds (longitude, latitude), from memory.
EUROPEAN_GROUNDS = {
    "Sarrión": (-0.81, 40.14), "Morella": (-0.10, 40.62), "Abejar": (-2.79, 41.81), "Graus": (0.34, 42.19),
    "Sarlat": (1.22, 44.89), "Richerenches": (4.91, 44.36), "Norcia": (13.09, 42.79), "Alba": (8.03, 44.70),
    "San Miniato": (10.85, 43.68), "Acqualagna": (12.67, 43.62), "Livade": (13.83, 45.35),
    "Upper Galilee": (35.45, 33.02),
}  # fmt: skip
AUSTRALIAN_GROUNDS = {"Manjimup": (116.15, -34.24), "Braidwood": (149.80, -35.44), "Deloraine": (146.65, -41.52)}
_RADIUS_M = 12_500  # about a cell of the climate


def _circles(places: dict[str, tuple[float, float]], crs: str) -> gpd.GeoDataFrame:
    """A circle of 25 km around each place."""
    points = gpd.GeoSeries(gpd.points_from_xy(*zip(*places.values(), strict=True)), crs="EPSG:4326")
    around = points.to_crs(crs).buffer(_RADIUS_M).to_crs("EPSG:4326")
    return gpd.GeoDataFrame({"name": list(places)}, geometry=around)


def monthly_climate(west: float, south: float, east: float, north: float) -> xr.Dataset:
    """Monthly means over 2000 to 2025 of a reanalysis (ERA5) at a quarter of a degree, in their true units."""
    with xr.open_dataset(get("era5_global_climatology_2000_2025.nc")) as stored:
        turned = stored.drop_vars("number").assign_coords(longitude=(stored["longitude"] + 180.0) % 360.0 - 180.0)
        turned["longitude"].attrs = stored["longitude"].attrs
        cut = turned.sortby("longitude").sel(longitude=slice(west, east), latitude=slice(north, south)).load()
    for name, unit in (("t2m", "degC"), ("tp", "mm/month")):
        cut[name].attrs = {"units": unit}
    return cut


def _copied(folder: Path, *names: tuple[str, str]) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    return [Path(shutil.copyfile(get(name), folder / called)) for name, called in names]


BUILDERS: dict[str, Callable[[Path], list[Path]]] = {
    "jacksboro": jacksboro,
    "luxembourg": luxembourg,
    "north_carolina": north_carolina,
    "europe": europe,
    "australia": australia,
}
BESIDE_THE_PLANS = Path(__file__).parents[2] / "configs" / "plans" / "data"


def main(target: Path) -> int:
    """Build every plan's inputs; 1 when one of them cannot be had."""
    failed = 0
    for place, build in BUILDERS.items():
        try:
            print(*build(target / place), sep="\n")
        except Unavailable as why:
            print(f"NO DATA for {place}: {why}", file=sys.stderr)
            failed = 1
    return failed


def jacksboro_dem() -> tuple[np.ndarray, Affine]:
    """Heights [m] (rows, cols) and their place on Earth, rows running south.

    The file's `ymin` is greater than its `ymax`. That is no mere swap: `ymax` is the true northern edge, and `ymin` was
    laid off from it to the wrong side. `test_data.py` shows so by the weather of 1999 and by known places.
    """
    with np.load(get("jacksboro_fault_dem.npz")) as raw:
        dx, dy, west, north = (float(raw[key]) for key in ("dx", "dy", "xmin", "ymax"))
        return raw["elevation"], Affine(dx, 0.0, west, 0.0, -dy, north)


def us_counties() -> gpd.GeoDataFrame:
    """Counties of the United States: `fips` (text), `name`."""
    return _shapes("counties-10m.json", "counties").rename(columns={"id": "fips"})


def _shapes(file: str, layer: str) -> gpd.GeoDataFrame:
    """Shapes of a TopoJSON file: `id` (text), `name`."""
    topology = json.loads(get(file).read_text(encoding="utf-8"))
    arcs = _arcs(topology)
    rows = topology["objects"][layer]["geometries"]
    shapes = [_shape(row, arcs) for row in rows]
    columns = {"id": [row.get("id", "") for row in rows], "name": [row["properties"]["name"] for row in rows]}
    sound = gpd.GeoSeries(shapes, crs="EPSG:4326").make_valid(method="structure", keep_collapsed=False)
    return gpd.GeoDataFrame(columns, geometry=sound)


def _arcs(topology: dict[str, Any]) -> list[np.ndarray]:
    """Shared lines of a TopoJSON file: whole-number steps, scaled and shifted to degrees."""
    scale, shift = topology["transform"]["scale"], topology["transform"]["translate"]
    return [np.cumsum(np.array(arc), axis=0) * scale + shift for arc in topology["arcs"]]


def _ring(indices: list[int], arcs: list[np.ndarray]) -> np.ndarray:
    """A closed line joined from arcs; ~n is arc n run backwards, and neighbours share their end point."""
    parts = [arcs[n] if n >= 0 else arcs[~n][::-1] for n in indices]
    return np.concatenate([parts[0], *(part[1:] for part in parts[1:])])


def _shape(row: dict[str, Any], arcs: list[np.ndarray]) -> Polygon | MultiPolygon:
    """A row's polygons; islets that rounding has shrunk to a line are left out."""
    parts = [row["arcs"]] if row["type"] == "Polygon" else row["arcs"]
    rings = [[_ring(ring, arcs) for ring in part] for part in parts]
    made = [Polygon(outer, [hole for hole in holes if len(hole) > 3]) for outer, *holes in rings if len(outer) > 3]
    return made[0] if len(made) == 1 else MultiPolygon(made)
