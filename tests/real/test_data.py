"""What the real files hold, and that they are read the right way round. Measured figures unless a source is named."""

from __future__ import annotations

import sys
from pathlib import Path

import exactextract
import geopandas as gpd
import numpy as np
import pytest
import rasterio.transform
import xarray as xr

from underoak.base import crs, units
from underoak.indicators.climate.water_balance import warm_season_balance_thornthwaite
from underoak.indicators.year import season_sum

sys.path.insert(0, str(Path(__file__).parents[1] / "published"))

from known_sites import known_sites

import builders

pytestmark = pytest.mark.real


# Luxembourg


def test_canton_mean_is_the_figure_an_exact_coverage_library_gives(luxembourg):
    cantons = gpd.read_file(luxembourg / "lux.shp")
    found = exactextract.exact_extract(str(luxembourg / "elev.tif"), cantons, ["mean", "count"], output="pandas")
    assert list(cantons.NAME_2[:1]) == ["Clervaux"]
    assert found["mean"][0] == pytest.approx(467.379, abs=5e-4)
    assert found["count"][0] == pytest.approx(553.28, abs=5e-3)


def test_luxembourg_elevation_is_stored_as_expected(luxembourg):
    with rasterio.open(luxembourg / "elev.tif") as source:
        assert (source.shape, source.dtypes[0], source.nodata) == ((90, 95), "int16", -32768)
        assert crs.same(source.crs.to_wkt(), "EPSG:4326")
        assert source.res == pytest.approx((1 / 120, 1 / 120), rel=1e-9)
        heights = source.read(1, masked=True)
    assert (heights.min(), heights.max(), heights.count()) == (141, 547, 4608)


def test_northern_cantons_lie_higher(luxembourg):
    # The Oesling in the north is the hilly part of the country (common knowledge): Clervaux and Wiltz against Remich.
    cantons = gpd.read_file(luxembourg / "lux.shp")
    means = exactextract.exact_extract(str(luxembourg / "elev.tif"), cantons, ["mean"], output="pandas")["mean"]
    by_name = dict(zip(cantons.NAME_2, means, strict=True))
    assert min(by_name["Clervaux"], by_name["Wiltz"]) > by_name["Remich"] + 150


def test_canton_areas_agree_with_the_files_own_column(luxembourg):
    cantons = gpd.read_file(luxembourg / "lux.shp")
    geod = crs.geod()
    square_km = np.array([abs(geod.geometry_area_perimeter(shape)[0]) / 1e6 for shape in cantons.geometry])
    assert len(cantons) == 12
    assert square_km == pytest.approx(cantons.AREA.to_numpy(), rel=0.02)


# The weather of 1999


def test_weather_file_is_what_its_plan_says(raw):
    with xr.open_dataset(raw("bcsd_obs_1999.nc"), mask_and_scale=False, decode_times=False) as year:
        assert dict(year.pr.sizes) == {"time": 12, "latitude": 33, "longitude": 81}
        assert (year.pr.attrs["units"], year.tas.attrs["units"]) == ("mm/m", "C")
        assert (year.pr.attrs["_FillValue"], year.tas.attrs["_FillValue"]) == (np.float32(1e20), np.float32(1e20))
        assert np.diff(year.latitude) == pytest.approx(0.125, abs=1e-5)  # rows run north
        assert np.diff(year.longitude) == pytest.approx(0.125, abs=1e-5)
        assert float(year.longitude[0]) == pytest.approx(-84.94, abs=0.005)
        assert float(year.latitude[-1]) == pytest.approx(37.06, abs=0.005)
        valid = (year.pr < 1e19).values
    assert valid.mean() == pytest.approx(0.78, abs=0.005)
    assert (valid == valid[0]).all()  # the sea is missing in every month


def test_odd_units_of_the_weather_file_are_known():
    assert units.conversion("mm/m", "mm/month").scale == 1.0
    assert units.conversion("C", "degC").scale == 1.0


def test_weather_of_the_hills_is_as_measured(raw):
    with xr.open_dataset(raw("bcsd_obs_1999.nc")) as year:
        here = year.sel(latitude=slice(36.15, 36.45), longitude=slice(-84.45, -84.05))
        july, rain = here.tas.isel(time=6), here.pr.sum("time", skipna=False)
    assert (round(float(july.min()), 1), round(float(july.max()), 1)) == (23.3, 24.8)
    assert (round(float(rain.min())), round(float(rain.max()))) == (1160, 1465)


# Jacksboro


def test_jacksboro_heights_are_as_measured(dem):
    heights, _ = dem
    assert (heights.shape, heights.dtype) == ((344, 403), np.int16)
    assert (heights.min(), heights.max()) == (236, 1076)


def test_jacksboro_file_contradicts_itself(raw):
    with np.load(raw("jacksboro_fault_dem.npz")) as file:
        assert float(file["ymin"]) > float(file["ymax"])
        assert (float(file["ymin"]) - float(file["ymax"])) / float(file["dy"]) == pytest.approx(344, abs=0.01)


# Known places, heights in feet and coordinates from memory of maps; 30 m for the cell and for memory.
PLACES = [
    ("Caryville", 36.299, -84.223, 1096),
    ("La Follette", 36.383, -84.120, 1112),
    ("Jacksboro", 36.330, -84.184, 1076),
]


@pytest.mark.parametrize(("name", "lat", "lon", "feet"), PLACES, ids=[place[0] for place in PLACES])
def test_towns_lie_at_their_heights(name, lat, lon, feet, dem):
    heights, transform = dem
    row, col = rasterio.transform.rowcol(transform, lon, lat)
    assert heights[row, col] == pytest.approx(feet * 0.3048, abs=30)


def test_highest_ground_is_cross_mountain(dem, counties):
    # Cross Mountain, 3,534 ft, on the Tennessee side and well south of Jacksboro town: from memory of maps.
    heights, transform = dem
    row, col = np.unravel_index(heights.argmax(), heights.shape)
    lon, lat = rasterio.transform.xy(transform, row, col)
    assert heights.max() == pytest.approx(3534 * 0.3048, abs=5)
    county = counties.cx[lon - 0.01 : lon + 0.01, lat - 0.01 : lat + 0.01]
    assert {"Anderson"} <= set(county.name) <= {"Anderson", "Campbell"}
    assert lat < 36.30


def lapse(heights: np.ndarray, west: float, north: float, year: xr.Dataset) -> tuple[float, float]:
    """Correlation of height with the year's mean temperature over climate cells, and the fall per 1000 m."""
    step = 0.00083333
    lat = north - (np.arange(heights.shape[0]) + 0.5) * step
    lon = west + (np.arange(heights.shape[1]) + 0.5) * step
    warm, high = [], []
    mean = year.tas.mean("time", skipna=False)
    for cell in mean.stack(cell=("latitude", "longitude")).cell.values:
        rows, cols = abs(lat - cell[0]) < 0.0625, abs(lon - cell[1]) < 0.0625
        if rows.sum() * cols.sum() > 0.5 * 150 * 150:  # at least half of the climate cell
            high.append(heights[np.ix_(rows, cols)].mean())
            warm.append(float(mean.sel(latitude=cell[0], longitude=cell[1])))
    slope, _ = np.polyfit(high, warm, 1)
    return float(np.corrcoef(high, warm)[0, 1]), float(slope * 1000)


def test_placement_and_orientation_fit_the_weather(dem, raw):
    # Air cools by 4 to 8 K per 1000 m. Where the mountains are put right, temperatures measured by others say so; where
    # the file's bounds are taken at their word, or the rows turned over, they do not.
    heights, transform = dem
    west, north = transform.c, transform.f
    with np.load(raw("jacksboro_fault_dem.npz")) as file:
        at_its_word = float(file["ymin"])
    with xr.open_dataset(raw("bcsd_obs_1999.nc")) as year:
        right, fall = lapse(heights, west, north, year)
        turned, _ = lapse(heights[::-1], west, north, year)
        misplaced, _ = lapse(heights, west, at_its_word, year)
    assert right < -0.9
    assert -8 < fall < -4
    assert turned > -0.7
    assert abs(misplaced) < 0.3


def test_counties_decode_to_sound_shapes(jacksboro, counties):
    everywhere = counties.set_index("fips")
    assert len(everywhere) > 3000
    assert everywhere.index.is_unique
    # Land and water area of Campbell County, Tennessee: 498 square miles, from memory of the census.
    area = abs(crs.geod().geometry_area_perimeter(everywhere.geometry["47013"])[0])
    assert area / 2.589988e6 == pytest.approx(498, rel=0.01)
    here = gpd.read_file(jacksboro / "counties.gpkg")
    assert list(zip(here.fips, here.name, strict=True)) == [
        ("47001", "Anderson"),
        ("47013", "Campbell"),
        ("47151", "Scott"),
    ]
    assert here.is_valid.all()
    assert np.allclose(here.total_bounds, [-84.41375, 36.15958, -84.07792, 36.44625], atol=1e-4)


# Longitudes from 0 to 360, and an old datum


def test_topography_counts_longitudes_from_0_to_360(raw):
    with np.load(raw("topobathy.npz")) as file:
        heights, lon, lat = file["topo"], file["longitude"], file["latitude"]
    assert (heights.shape, heights.dtype) == ((91, 120), np.float32)
    assert (heights.min(), heights.max()) == (-1437, 2205)
    assert 234 < lon.min() < lon.max() < 238
    # Round the south of Vancouver Island: the open Pacific in the south-west, the Coast Mountains in the north-east.
    rows = np.argsort(lat)
    north_up = heights[rows[::-1]]
    assert north_up[-20:, :20].mean() < -100
    assert north_up[:20, -20:].mean() > 300


def test_old_datum_moves_north_carolina_by_metres(raw):
    counties = gpd.read_file(raw("nc.gpkg"))
    assert len(counties) == 100
    assert counties.FIPS.is_unique
    assert crs.same(counties.crs.to_wkt(), "EPSG:4267")
    lon, lat = counties.geometry[0].centroid.coords[0]
    there = crs.transformer("EPSG:4267", "EPSG:4269").transform(lon, lat)
    _, _, moved = crs.geod().inv(lon, lat, *there)
    assert 5 < moved < 60


def test_climate_of_the_reanalysis_is_in_the_units_its_values_say_and_not_its_attributes(raw):
    # Another source's weather of one year, over the same ground of the Carolinas and Tennessee.
    with xr.open_dataset(raw("era5_global_climatology_2000_2025.nc")) as stored:
        assert (stored["t2m"].units, stored["tp"].units) == ("K", "m")
    climate = builders.monthly_climate(-84.9, 33.1, -75.0, 37.0)
    with xr.open_dataset(raw("bcsd_obs_1999.nc")) as weather:
        there = weather.mean("time", skipna=False).interp(latitude=climate.latitude, longitude=climate.longitude)
        rain = 12.0 * there["pr"].to_numpy()
    warmth, known = climate["t2m"].mean("month").to_numpy(), np.isfinite(rain)
    assert known.sum() > 300
    assert np.corrcoef(warmth[known], there["tas"].to_numpy()[known])[0, 1] > 0.9
    assert abs(warmth[known] - there["tas"].to_numpy()[known]).mean() < 1.0
    assert climate["tp"].sum("month").to_numpy()[known].mean() == pytest.approx(rain[known].mean(), rel=0.2)


def test_climate_of_the_reanalysis_lies_where_it_should(raw):
    raw("era5_global_climatology_2000_2025.nc")
    # Warm at Zaragoza in the Ebro valley, cold on the Pyrenees north of it, and summer in January at Manjimup.
    climate = builders.monthly_climate(-14.0, 30.0, 42.0, 62.0)["t2m"].mean("month")
    ebro, mountains = (climate.sel(longitude=x, latitude=y, method="nearest") for x, y in ((-0.88, 41.65), (0.5, 42.6)))
    assert ebro > mountains + 8.0
    south = builders.monthly_climate(112.0, -45.0, 155.0, -28.0)["t2m"].sel(
        longitude=116.15, latitude=-34.24, method="nearest"
    )
    assert int(south.argmax("month")) in (0, 1)
    assert climate.longitude.to_numpy() == pytest.approx(np.arange(-14.0, 42.01, 0.25))


def test_the_climate_of_known_sites_is_that_of_the_reanalysis(raw):
    raw("era5_global_climatology_2000_2025.nc")
    climate = builders.monthly_climate(-180.0, -60.0, 179.75, 75.0)
    for site in known_sites():
        at = climate.interp(latitude=site.latitude, longitude=site.longitude)
        warmth, rain = (at[name].to_numpy().astype(np.float32).reshape(12, 1, 1) for name in ("t2m", "tp"))
        worked_out = {
            "temp_annual": warmth.mean(), "temp_warmest": warmth.max(), "temp_coldest": warmth.min(),
            "rain_annual": rain.sum(), "rain_summer": season_sum(rain, site.latitude)[0, 0],
            "rain_autumn": season_sum(rain, site.latitude, "autumn")[0, 0],
            "water_balance": warm_season_balance_thornthwaite(rain, warmth, site.latitude)[0, 0],
        }  # fmt: skip
        for name, value in site.climate.items():
            assert float(worked_out[name]) == pytest.approx(value, abs=0.06 if name.startswith("temp") else 0.6), site
