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
import rasterio.transform
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


def _copied(folder: Path, *names: tuple[str, str]) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    return [Path(shutil.copyfile(get(name), folder / called)) for name, called in names]


BUILDERS: dict[str, Callable[[Path], list[Path]]] = {
    "jacksboro": jacksboro,
    "luxembourg": luxembourg,
    "north_carolina": north_carolina,
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
    topology = json.loads(get("counties-10m.json").read_text(encoding="utf-8"))
    arcs = _arcs(topology)
    rows = topology["objects"]["counties"]["geometries"]
    shapes = [_shape(row, arcs) for row in rows]
    columns = {"fips": [row["id"] for row in rows], "name": [row["properties"]["name"] for row in rows]}
    return gpd.GeoDataFrame(columns, geometry=shapes, crs="EPSG:4326")


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
