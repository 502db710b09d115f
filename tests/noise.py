"""A small country of white noise, the worst case for seams: layers in four grids, shapes, and a plan on them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
import shapely
import shapely.affinity

HOMOLOSINE = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"
LEFT, TOP = 420_000.0, 4_600_000.0


def write_raster(path: Path, values: np.ndarray, crs: str | None, transform: tuple[float, ...], **more: object) -> Path:
    values = values if values.ndim == 3 else values[None]
    profile = {
        "driver": "GTiff", "height": values.shape[1], "width": values.shape[2], "count": values.shape[0],
        "dtype": values.dtype, "crs": crs, "transform": rasterio.Affine(*transform), "compress": "deflate", **more,
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as made:
        made.write(values)
    return path


def write_shapes(path: Path, shapes: list, crs: str, **columns: list) -> Path:
    import geopandas as gpd

    gpd.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(path, engine="pyogrio")
    return path


def noise_country(folder: Path, rows: int = 1300, cols: int = 1500, parcels: int = 60) -> dict:
    """Layers of white noise under a grid of rows x cols cells of 30 m, and a plan (a mapping) on them."""
    from underoak.base import crs as _crs

    rng = np.random.default_rng(7)
    right, bottom = LEFT + 30 * cols, TOP - 30 * rows
    west, south, east, north = _crs.transformer("EPSG:25831", "EPSG:4326").transform_bounds(LEFT, bottom, right, TOP)
    step = 1 / 1800
    shape = (int((north - south) / step) + 40, int((east - west) / step) + 40)
    dem = (500 + 15 * rng.standard_normal(shape)).astype(np.float32)
    dem[rng.random(shape) < 0.01] = -9999
    write_raster(
        folder / "dem.tif", dem, "EPSG:4326", (step, 0, west - 20 * step, 0, -step, north + 20 * step), nodata=-9999
    )
    x0, y0, x1, y1 = _crs.transformer("EPSG:25831", HOMOLOSINE).transform_bounds(LEFT, bottom, right, TOP)
    shape = (int((y1 - y0) / 250) + 20, int((x1 - x0) / 250) + 20)
    ph = rng.integers(62, 86, shape).astype(np.int16)
    ph[rng.random(shape) < 0.05] = -32768
    write_raster(folder / "ph.tif", ph, HOMOLOSINE, (250, 0, x0 - 2500, 0, -250, y1 + 2500), nodata=-32768)
    cover = rng.choice([10, 20, 40, 80], (rows // 3 + 20, cols // 3 + 20)).astype(np.uint8)
    write_raster(folder / "cover.tif", cover, "EPSG:25831", (95, 0, LEFT - 300, 0, -95, TOP + 300), nodata=0)
    centre = shapely.Point((LEFT + right) / 2, (TOP + bottom) / 2)
    write_shapes(folder / "region.gpkg", [centre.buffer(0.52 * 30 * min(rows, cols))], "EPSG:25831")
    spots = [shapely.Point(rng.uniform(LEFT, right), rng.uniform(bottom, TOP)).buffer(200) for _ in range(30)]
    write_shapes(folder / "built.gpkg", spots, "EPSG:25831")
    fields = [
        shapely.Point(rng.uniform(LEFT, right), rng.uniform(bottom, TOP)).buffer(rng.uniform(10, 900), 3)
        for _ in range(parcels)
    ]
    write_shapes(folder / "fields.gpkg", fields, "EPSG:25831", name=[f"f{i:02d}" for i in range(parcels)])
    return {
        "format": 1,
        "title": "white noise",
        "purpose": "region",  # buy and orchard draw by default; most tests on this land are about other things
        "region": {"area": "region.gpkg", "crs": "EPSG:25831", "cell": "30 m"},
        "layers": {
            "soil_ph": {"file": "ph.tif", "unit": "pH*10", "resample": "bilinear"},
            "elevation": {"file": "dem.tif", "unit": "m", "resample": "bilinear"},
            "slope": {"from": "elevation", "derive": "slope", "resample": "mean"},
            "cover": {"file": "cover.tif", "kind": "classes", "resample": "mode"},
        },
        "criteria": {
            "ph": {"layer": "soil_ph", "curve": {"shape": "hump", "at": [6.0, 7.5, 8.0, 8.8]}, "source": "a test"},
            "height": {"layer": "elevation", "curve": {"shape": "bell", "at": 500, "width": 12}, "source": "a test"},
            "slope": {"layer": "slope", "curve": {"shape": "ramp_down", "at": [1, 40]}, "source": "a test"},
            "cover": {
                "layer": "cover",
                "curve": {"shape": "table", "of": {10: 0.9, 20: 0.7, 40: 1.0, 80: 0.4}},
                "source": "a test",
            },
        },
        "constraints": [
            {"name": "built", "file": "built.gpkg", "exclude": "inside", "grow": "20 m"},
            {"name": "steep", "layer": "slope", "exclude": "> 34 degree"},
        ],
        "weights": {"direct": {"ph": 0.4, "height": 0.3, "slope": 0.2, "cover": 0.1}},
        "combine": {"rule": "geometric"},
        "parcels": {"file": "fields.gpkg", "id": "name"},
        "zones": {"at_least": "S3", "min_area": "2 ha"},
        "outputs": {"folder": "out"},
    }  # fmt: skip


def tall_country(folder: Path) -> dict:
    """White noise under a ring of 1060 x 600 cells: two tiles of six blocks, for runs that are repeated often.

    The ring crosses all borders of blocks and tiles; the land in its middle would only take time.
    """
    rows, cols = 1060, 600
    plan = noise_country(folder, rows, cols, parcels=24)
    centre = shapely.Point(LEFT + 15 * cols, TOP - 15 * rows)
    ring = centre.buffer(1.0, 64).difference(centre.buffer(0.75, 64))
    write_shapes(folder / "region.gpkg", [shapely.affinity.scale(ring, 15.3 * cols, 15.3 * rows)], "EPSG:25831")
    return plan


def small_country(folder: Path, parcels: int = 24) -> dict:
    """White noise under 90 x 110 cells, which are the whole region, with few parcels: drawing them takes longest."""
    plan = noise_country(folder, 90, 110, parcels)
    plan["region"] = {"bounds": [LEFT, TOP - 2700, LEFT + 3300, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    return plan
