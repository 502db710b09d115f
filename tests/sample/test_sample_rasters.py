"""The demo's files are what their README says, and the script makes them again."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import xarray as xr
from rasterio.features import geometry_window
from rasterio.warp import Resampling, reproject

from underoak.base import crs

FOLDER = Path(__file__).parents[2] / "sample_rasters"
SOIL = ("soil_ph.tif", "soil_ph_q05.tif", "soil_ph_q95.tif", "clay.tif", "sand.tif", "organic_carbon.tif")
RASTERS = (*SOIL, "carbonate.tif", "elevation.tif", "landcover.tif")
VECTORS = {
    "region.gpkg": "EPSG:25831",
    "built.gpkg": "EPSG:3035",
    "protected.gpkg": "EPSG:25831",
    "woods.gpkg": "EPSG:3035",
    "parcels.gpkg": "EPSG:4258",
}
FILES = (*RASTERS, *VECTORS, "climate.nc", "landcover.csv", "weather_months.csv", "weather_nights.csv")
GROUND = "EPSG:25831"


@pytest.fixture(scope="module")
def made_twice(tmp_path_factory):
    """Two folders made by two processes at the same time."""
    folders = [tmp_path_factory.mktemp(name) for name in ("first", "second")]
    quiet = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    running = [
        subprocess.Popen([sys.executable, str(FOLDER / "make.py"), str(folder)], env={**quiet, "TZ": zone})
        for folder, zone in zip(folders, ("UTC", "Asia/Tokyo"), strict=True)
    ]
    assert [process.wait(timeout=300) for process in running] == [0, 0]
    return folders


@pytest.fixture(scope="module")
def parcels():
    return gpd.read_file(FOLDER / "parcels.gpkg").to_crs(GROUND).set_index("field_id")


@pytest.fixture(scope="module")
def region():
    return gpd.read_file(FOLDER / "region.gpkg", layer="outline").geometry.iloc[0]


def on_ground(name: str, cell: float = 30.0) -> np.ndarray:
    """A raster's stored values on one metric grid over the region; NaN where missing."""
    out = np.full((367, 467), np.nan, np.float32)
    transform = rasterio.transform.from_origin(396_000.0, 4_658_000.0, cell, cell)
    with rasterio.open(FOLDER / name) as source:
        reproject(
            rasterio.band(source, 1),
            out,
            dst_transform=transform,
            dst_crs=GROUND,
            dst_nodata=np.nan,
            resampling=Resampling.nearest,
        )
    return out


def test_everything_together_is_small():
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) < 3_000_000


def test_script_makes_the_same_bytes_twice(made_twice):
    first, second = made_twice
    assert sorted(path.name for path in first.iterdir()) == sorted(FILES)
    differing = [name for name in FILES if (first / name).read_bytes() != (second / name).read_bytes()]
    assert differing == []


@pytest.mark.parametrize("name", RASTERS)
def test_script_makes_the_committed_rasters(made_twice, name):
    # Other library versions may round a cell the other way: at most one cell in a thousand, and class codes apart from
    # that by one storage step only.
    with rasterio.open(FOLDER / name) as kept, rasterio.open(made_twice[0] / name) as made:
        assert (kept.shape, kept.transform, kept.nodata) == (made.shape, made.transform, made.nodata)
        assert crs.same(kept.crs.to_wkt(), made.crs.to_wkt())
        a, b = kept.read(1).astype(float), made.read(1).astype(float)
    off = a != b
    assert off.mean() <= 1e-3
    if name != "landcover.tif":
        step = 0.125 if name in ("elevation.tif", "carbonate.tif") else 1.0
        assert np.abs(a - b)[off].max(initial=0.0) <= step


def test_script_makes_the_committed_climate_and_shapes(made_twice):
    with xr.open_dataset(FOLDER / "climate.nc") as kept, xr.open_dataset(made_twice[0] / "climate.nc") as made:
        xr.testing.assert_allclose(kept, made, rtol=1e-5)
    for name in VECTORS:
        kept, made = gpd.read_file(FOLDER / name), gpd.read_file(made_twice[0] / name)
        assert kept.drop(columns="geometry").equals(made.drop(columns="geometry"))
        assert kept.geometry.geom_equals_exact(made.geometry, 1e-6 if kept.crs.is_geographic else 0.1).all()


@pytest.mark.parametrize(
    ("name", "system", "cell", "dtype", "nodata", "low", "high"),
    [
        ("soil_ph.tif", "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs", 250.0, "int16", -32768, 50, 88),
        ("clay.tif", "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs", 250.0, "int16", -32768, 50, 600),
        ("sand.tif", "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs", 250.0, "int16", -32768, 20, 900),
        ("organic_carbon.tif", "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs", 250.0, "int16", -32768, 30, 600),
        ("carbonate.tif", "EPSG:25831", 100.0, "float32", -1.0, 0, 70),
        ("elevation.tif", "EPSG:4326", 1 / 3600, "float32", -9999.0, 350, 1100),
        ("landcover.tif", "EPSG:3035", 20.0, "uint8", 0, 10, 80),
    ],
)
def test_raster_is_stored_as_described(name, system, cell, dtype, nodata, low, high):
    with rasterio.open(FOLDER / name) as source:
        assert crs.same(source.crs.to_wkt(), system)
        assert source.res == pytest.approx((cell, cell), rel=1e-12)
        assert (source.dtypes[0], source.nodata, source.count) == (dtype, nodata, 1)
        assert source.profile["tiled"]
        assert source.profile["compress"] == "deflate"
        values = source.read(1, masked=True)
    assert low <= values.min() < values.max() <= high


@pytest.mark.parametrize("name", RASTERS)
def test_raster_covers_the_region(name, region):
    with rasterio.open(FOLDER / name) as source:
        box = gpd.GeoSeries([region], crs=GROUND).to_crs(source.crs.to_wkt()).total_bounds
        assert source.bounds.left < box[0]
        assert source.bounds.bottom < box[1]
        assert source.bounds.right > box[2]
        assert source.bounds.top > box[3]


def test_soil_layers_share_a_grid_and_gaps():
    with rasterio.open(FOLDER / "soil_ph.tif") as ph, rasterio.open(FOLDER / "clay.tif") as clay:
        assert (ph.transform, ph.shape) == (clay.transform, clay.shape)
        gaps = ph.read(1, masked=True).mask
        assert np.array_equal(gaps, clay.read(1, masked=True).mask)
    assert 0.005 < gaps.mean() < 0.10


def test_stored_ph_looks_right_only_when_divided_by_ten():
    with rasterio.open(FOLDER / "soil_ph.tif") as source:
        values = source.read(1, masked=True).compressed()
    assert 70 < np.median(values) < 85
    assert values.min() > 14


def test_land_cover_codes_are_those_in_the_table():
    with (FOLDER / "landcover.csv").open(encoding="utf-8") as stream:
        table = {int(row["code"]): row["name"] for row in csv.DictReader(stream)}
    with rasterio.open(FOLDER / "landcover.tif") as source:
        assert set(np.unique(source.read(1))) == set(table)
        colours = source.colormap(1)
    assert table[80] == "water"
    assert all(colours[code][:3] != (0, 0, 0) for code in table)


def test_climate_says_its_units_and_calendar():
    with xr.open_dataset(FOLDER / "climate.nc", decode_times=False) as year:
        assert (year.pr.attrs["units"], year.tas.attrs["units"]) == ("kg m-2 s-1", "K")
        assert year.time.attrs == {"units": "days since 2001-01-01", "calendar": "noleap"}
        assert year.pr.dims == year.tas.dims == ("time", "lat", "lon")
        assert year.sizes["time"] == 12
        assert np.diff(year.lat).min() > 0  # rows run north
        assert np.allclose(np.diff(year.lon), 0.05)
        assert np.allclose(np.diff(year.lat), 0.05)
        left, bottom, right, top = gpd.read_file(FOLDER / "region.gpkg").to_crs("EPSG:4326").total_bounds
        assert year.lon.min() < left - 0.05 < right + 0.05 < year.lon.max()
        assert year.lat.min() < bottom - 0.05 < top + 0.05 < year.lat.max()


def test_air_cools_and_rain_grows_with_height():
    height = on_ground("elevation.tif")
    north, south = np.nanmean(height[:80, :150]), np.nanmean(height[180:260])  # plateau, valley
    assert north - south > 200
    with xr.open_dataset(FOLDER / "climate.nc") as year:
        lon, lat = crs.transformer(GROUND, "EPSG:4326").transform([398_200.0, 406_000.0], [4_656_800.0, 4_651_400.0])
        at = year.interp(lon=xr.DataArray(lon, dims="place"), lat=xr.DataArray(lat, dims="place"))
        cool, warm = at.tas.mean("time").values
        wet, dry = (
            (at.pr * xr.DataArray([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dims="time")).sum("time").values
        )
    assert 0.5 < warm - cool < 4.0
    assert 400 < dry * 86_400 < wet * 86_400 < 1200


def test_soil_follows_rock():
    ph, clay, height = on_ground("soil_ph.tif") / 10, on_ground("clay.tif"), on_ground("elevation.tif")
    valley, high = height < 480, height > 750
    assert np.nanmedian(ph[valley]) > 7.8  # marl
    assert np.nanmedian(clay[valley]) > 380
    assert np.nanpercentile(ph[high], 10) < 6.5  # sandstone and red clay
    assert np.nanpercentile(ph[high], 90) > 7.5  # limestone


def test_still_water_is_flat():
    cover, height = on_ground("landcover.tif"), on_ground("elevation.tif")
    lake = (cover == 80) & (np.arange(467)[None, :] < 100)
    assert lake.sum() > 500
    assert np.nanpercentile(height[lake], 90) - np.nanpercentile(height[lake], 10) < 2.0


def test_some_ground_is_good_and_most_is_not():
    # pH in the band, clay light enough: what a reader of the map looks for. The region must have both.
    ph, clay = on_ground("soil_ph.tif") / 10, on_ground("clay.tif")
    good = (ph >= 7.5) & (ph <= 8.3) & (clay <= 350)
    assert 0.05 < good[np.isfinite(ph)].mean() < 0.5


def test_elevation_has_one_small_void():
    with rasterio.open(FOLDER / "elevation.tif") as source:
        void = source.read(1, masked=True).mask
    assert 20 < void.sum() < 500


def test_vectors_are_each_in_their_own_crs():
    for name, system in VECTORS.items():
        assert crs.same(gpd.read_file(FOLDER / name).crs.to_wkt(), system), name


def test_there_are_forty_parcels_with_text_ids(parcels):
    assert len(parcels) == 40
    assert parcels.index.is_unique
    assert all(isinstance(field_id, str) for field_id in parcels.index)
    assert {"007", "1e3"} <= set(parcels.index)
    assert any(not name.isascii() for name in parcels.name)


def test_awkward_parcels_are_awkward(parcels, region):
    shapes = parcels.geometry
    parts = shapes.apply(lambda shape: len(shape.geoms))  # a GeoPackage layer holds multipolygons
    assert list(parts.index[parts > 1]) == ["1e3"]
    holes = shapes.apply(lambda shape: sum(len(part.interiors) for part in shape.geoms))
    assert list(holes.index[holes > 0]) == ["007"]
    assert shapes["033"].area / shapes["033"].length * 2 < 6  # mean width [m]
    assert shapes["034"].area < 30 * 30
    assert list(shapes.index[~shapes.is_valid]) == ["035"]
    mended = shapes[["035"]].make_valid().area.iloc[0]
    assert 0 < abs(mended / shapes["035"].area - 1) < 1e-3
    assert 0.5 < shapes["036"].intersection(region).area / shapes["036"].area < 0.7
    assert all(shape.within(region) for field_id, shape in shapes.items() if field_id not in ("035", "036"))


def test_one_parcel_lies_in_a_soil_gap_and_one_is_built_over(parcels):
    with rasterio.open(FOLDER / "soil_ph.tif") as source:
        quarry = gpd.GeoSeries([parcels.geometry["037"]], crs=GROUND).to_crs(source.crs.to_wkt())
        under = source.read(1, window=geometry_window(source, quarry))
    assert under.size >= 1
    assert (under == -32768).all()
    built = gpd.read_file(FOLDER / "built.gpkg").to_crs(GROUND).union_all().buffer(20.0)
    mended = parcels.geometry.make_valid()
    shares = mended.intersection(built).area / mended.area
    assert 0.8 < shares["038"] < 0.95
    assert shares.drop("038").max() < 0.6


def test_ordinary_parcels_do_not_overlap(parcels):
    pairs = parcels.sindex.query(parcels.geometry.make_valid(), predicate="intersects")
    assert (pairs[0] == pairs[1]).all()
