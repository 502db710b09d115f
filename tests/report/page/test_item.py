"""The catalogue item of a run: valid by the bundled schemas, true to the files, and on the right side of the Earth."""

from __future__ import annotations

import datetime
import json
import re
from pathlib import Path

import geopandas as gpd
import jsonschema
import numpy as np
import pyproj
import pystac
import pytest
import rasterio
import referencing
import shapely
from hypothesis import given
from hypothesis import strategies as st

import stac_extensions
import underoak as uo
from underoak.base.grid import Grid
from underoak.report.page.footprint import footprint
from underoak.report.page.item import ItemFacts, stac_item, years

from noise import LEFT, TOP, noise_country

SCHEMAS = Path(pystac.__file__).parent / "validation" / "jsonschemas"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("item")
    plan = noise_country(folder, 120, 130)
    outline = shapely.Polygon([(LEFT + 300, TOP - 300), (LEFT + 3300, TOP - 900), (LEFT + 1800, TOP - 3000)])
    gpd.GeoDataFrame(geometry=[outline], crs="EPSG:25831").to_file(folder / "region.gpkg")
    layer = next(iter(plan["layers"]))
    plan |= {
        "region": {"area": "region.gpkg", "crs": "EPSG:25831", "cell": "30 m"},
        "scenarios": [{"name": "later", "period": "2041-2070", "replace": {layer: plan["layers"][layer]["file"]}}],
    }
    return uo.run(uo.load_plan(plan, base=folder), out=folder / "out").folder


def item_of(folder, inside=""):
    return json.loads((folder / inside / "item.json").read_text(encoding="utf-8"))


def validator():
    """Return a validator of STAC items by the schemas that pystac brings, without the network."""
    registry = referencing.Registry()
    for path in [*SCHEMAS.glob("stac-spec/v1.1.0/*.json"), *SCHEMAS.glob("geojson/*.json")]:
        schema = json.loads(path.read_text(encoding="utf-8"))
        resource = referencing.Resource.from_contents(schema)
        base = "https://schemas.stacspec.org/v1.1.0/item-spec/json-schema/"
        names = (schema["$id"], base + path.name, "https://geojson.org/schema/" + path.name)
        registry = registry.with_resources([(name, resource) for name in names])
    item = json.loads((SCHEMAS / "stac-spec/v1.1.0/item.json").read_text(encoding="utf-8"))
    return jsonschema.Draft7Validator(item, registry=registry)


@pytest.mark.parametrize("inside", ["", "present", "scenarios/later"])
def test_items_are_valid_by_the_schemas_of_stac(folder, inside):
    assert [error.message for error in validator().iter_errors(item_of(folder, inside))] == []


@pytest.mark.parametrize("inside", ["", "present", "scenarios/later"])
def test_items_keep_the_rules_of_each_extension_they_declare(folder, inside):
    assert stac_extensions.faults(item_of(folder, inside)) == []


def change_code(item):
    item["properties"]["proj:code"] = 25831


def change_shape(item):
    item["properties"]["proj:shape"].append(1)


def change_checksum(item):
    next(asset for asset in item["assets"].values() if "file:checksum" in asset)["file:checksum"] = "1220XY"


def change_class(item):
    del item["assets"]["class_tif"]["bands"][0]["classification:classes"][0]["name"]


def change_declared(item):
    item["stac_extensions"].pop()


def change_prefix(item):
    item["properties"]["raster:bands"] = []


@pytest.mark.parametrize(
    "change", [change_code, change_shape, change_checksum, change_class, change_declared, change_prefix]
)
def test_the_rules_of_extensions_find_what_is_wrong(folder, change):
    item = item_of(folder, "present")
    change(item)
    assert stac_extensions.faults(item)


def test_an_item_declares_no_extension_that_it_does_not_use(tmp_path):
    grid = Grid.north_up("EPSG:25831", LEFT, TOP, 30, 10, 10)
    facts = ItemFacts("bare", "bare", grid, None, datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC))
    item = json.loads(stac_item(facts, tmp_path, []))
    assert [address.split("/")[3] for address in item["stac_extensions"]] == ["projection"]
    assert stac_extensions.faults(item) == []


def test_the_schemas_find_what_is_wrong(folder):
    item = item_of(folder)
    del item["bbox"]
    assert list(validator().iter_errors(item))


def test_the_footprint_is_the_outline_of_the_region(folder):
    item = item_of(folder)
    region = gpd.read_file(folder.parent / "region.gpkg").to_crs("OGC:CRS84").union_all()
    shape = shapely.geometry.shape(item["geometry"])
    assert shape.symmetric_difference(region).area < 0.02 * region.area
    assert item["bbox"] == pytest.approx(region.bounds, abs=1e-3)


def test_a_scenario_has_the_time_it_stands_for_and_the_present_that_of_the_run(folder):
    later, present = item_of(folder, "scenarios/later")["properties"], item_of(folder, "present")["properties"]
    assert later["datetime"] is None
    assert (later["start_datetime"], later["end_datetime"]) == ("2041-01-01T00:00:00Z", "2070-12-31T23:59:59Z")
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    started = datetime.datetime.fromisoformat(run["when"]["started"])
    assert datetime.datetime.fromisoformat(present["datetime"]) == started


@pytest.mark.parametrize("inside", ["", "present", "scenarios/later"])
def test_every_asset_is_a_file_with_its_media_type_and_every_band_is_as_in_the_file(folder, inside):
    assets = item_of(folder, inside)["assets"]
    hrefs = {asset["href"].removeprefix("./") for asset in assets.values()}
    files = {str(path.relative_to(folder / inside)) for path in (folder / inside).rglob("*") if path.is_file()}
    apart = {name for name in files if name.endswith(("item.json", "run.json"))}
    assert hrefs - apart == files - apart
    for asset in assets.values():
        assert asset["roles"]
        assert asset["type"]
        path = folder / inside / asset["href"]
        if path.suffix != ".tif":
            continue
        with rasterio.open(path) as source:
            for i, band in enumerate(asset["bands"]):
                assert band["name"] == source.descriptions[i]
                assert band["data_type"] == source.dtypes[i]
                assert band["unit"] == source.units[i]
                assert band.get("raster:scale", 1.0) == source.scales[i]
                nodata = float("nan") if band["nodata"] == "nan" else band["nodata"]
                assert np.array_equal(nodata, source.nodata, equal_nan=True)
            if path.name in ("class.tif", "limiting.tif"):
                cells = source.read()
                for i, band in enumerate(asset["bands"]):
                    classes = {entry["value"]: entry for entry in band["classification:classes"]}
                    assert set(np.unique(cells[i])) <= set(classes)
                    assert classes[255]["nodata"]
                    # the pattern is that of the extension's schema, from memory
                    assert all(re.fullmatch(r"[0-9A-Za-z_-]+", entry["name"]) for entry in classes.values())
            else:
                assert asset["bands"][0]["statistics"]["maximum"] <= (1 / source.scales[0]) * 1.0001


def test_links_lead_from_the_item_to_files_that_are_there(folder):
    links = item_of(folder)["links"]
    assert {link["rel"] for link in links} == {"via", "related"}
    assert all((folder / link["href"]).is_file() for link in links)


@given(st.floats(-30, 30), st.floats(-60, 60))
def test_a_footprint_across_the_antimeridian_is_cut_there_and_its_box_runs_from_west_to_east(shift_km, latitude):
    zone = f"+proj=laea +lat_0={latitude} +lon_0=180 +datum=WGS84 +units=m"
    grid = Grid.north_up(zone, shift_km * 1000 - 50_000, 50_000, 1000, 100, 100)
    geometry, (west, south, east, north) = footprint(grid)
    shape = shapely.geometry.shape(geometry)
    assert geometry["type"] == "MultiPolygon"
    assert shape.is_valid
    assert south < latitude < north
    assert west > 170
    assert east < -170
    assert shape.bounds[0] >= -180
    assert shape.bounds[2] <= 180
    turned = shapely.transform(shape, lambda xy: np.column_stack([xy[:, 0] % 360.0, xy[:, 1]]))
    assert sum(part.area for part in turned.geoms) == pytest.approx((north - south) * (360 + east - west), rel=0.2)


POLAR = st.sampled_from([("EPSG:3031", -90.0), ("EPSG:3995", 90.0)])


def latitude_of(crs, x, y):
    return pyproj.Transformer.from_crs(crs, "OGC:CRS84", always_xy=True).transform(x, y)[1]


def lonlat_inside(geometry, crs, points):
    """Return which points of the plane lie in a geometry in degrees."""
    lon, lat = pyproj.Transformer.from_crs(crs, "OGC:CRS84", always_xy=True).transform(points[:, 0], points[:, 1])
    return shapely.intersects_xy(shapely.geometry.shape(geometry), lon, lat)  # the pole lies on the edge in degrees


@given(POLAR, st.floats(-90, 90), st.floats(-90, 90), st.integers(0, 2**32 - 1))
def test_a_footprint_round_a_pole_is_closed_there_and_its_box_is_a_cap(polar, x_km, y_km, seed):
    """RFC 7946, sections 3.1.9 (cut at the antimeridian) and 5.3 (the poles)."""
    crs, pole = polar
    left, top = x_km * 1000 - 100_000, y_km * 1000 + 100_000
    geometry, (west, south, east, north) = footprint(Grid.north_up(crs, left, top, 2000, 100, 100))
    shape = shapely.geometry.shape(geometry)
    assert shape.is_valid
    assert (west, east) == (-180.0, 180.0)
    assert pole in (south, north)
    corners = [latitude_of(crs, x, y) for x in (left, left + 200_000) for y in (top, top - 200_000)]
    assert (north if pole < 0 else south) == pytest.approx(min(corners, key=abs), abs=1e-6)
    points = np.random.default_rng(seed).uniform(-300e3, 300e3, (300, 2))
    depth = np.minimum.reduce(
        [points[:, 0] - left, left + 200e3 - points[:, 0], top - points[:, 1], points[:, 1] - top + 200e3]
    )
    clear = np.abs(depth) > 5_000  # lines between points of the outline are straight in degrees
    assert np.array_equal(lonlat_inside(geometry, crs, points[clear]), depth[clear] > 0)


@given(POLAR, st.floats(110, 2000), st.floats(-50, 50))
def test_a_footprint_beside_a_pole_does_not_reach_it(polar, away_km, along_km):
    crs, pole = polar
    grid = Grid.north_up(crs, away_km * 1000, along_km * 1000 + 100_000, 2000, 100, 100)  # east of the pole
    geometry, (west, south, east, north) = footprint(grid)
    assert shapely.geometry.shape(geometry).is_valid
    assert -89.99 < south < north < 89.99
    assert 0 < west < east < 180  # both systems have the meridian of 90 degrees east to the right
    nearest = latitude_of(crs, away_km * 1000, 0.0)
    assert (south if pole < 0 else north) == pytest.approx(nearest, abs=0.01)


@pytest.mark.parametrize(("crs", "pole", "meridians"), [("EPSG:3031", -90.0, (0, 90)), ("EPSG:3995", 90.0, (90, 180))])
def test_a_footprint_with_its_corner_at_a_pole_is_a_slice(crs, pole, meridians):
    _, (west, south, east, north) = footprint(Grid.north_up(crs, 0, 150_000, 1500, 100, 100))
    assert (west, east) == pytest.approx(meridians)
    assert pole in (south, north)


@pytest.mark.parametrize(("crs", "pole"), [("EPSG:3031", -90.0), ("EPSG:3995", 90.0)])
def test_a_hole_round_a_pole_stays_a_hole(crs, pole):
    outline = shapely.box(-150e3, -150e3, 150e3, 150e3) - shapely.box(-40e3, -40e3, 40e3, 40e3)
    geometry, (west, south, east, north) = footprint(Grid.north_up(crs, -150e3, 150e3, 3000, 100, 100), outline)
    assert (west, east) == (-180.0, 180.0)
    assert pole not in (south, north)
    points = np.array([[0.0, 10e3], [30e3, -30e3], [100e3, 5e3], [-90e3, -120e3], [-5e3, 60e3]])
    assert lonlat_inside(geometry, crs, points).tolist() == [False, False, True, True, True]


def test_a_footprint_of_all_longitudes_is_one_box():
    geometry, bbox = footprint(Grid.north_up("EPSG:4326", 0, 60, 1, 120, 360))
    assert bbox == [-180.0, -60.0, 180.0, 60.0]
    assert shapely.geometry.shape(geometry).area == pytest.approx(360 * 120)


@given(st.integers(1, 9999), st.integers(0, 300), st.sampled_from(["-", " - ", "/", "–"]))
def test_periods_are_read_as_years(first, more, sign):
    start, end = years(f"{first:04d}{sign}{min(first + more, 9999):04d}")
    assert start.year == first
    assert end.year == min(first + more, 9999)


@pytest.mark.parametrize("words", ["", "late century", "2070-2041", "41-70", "2041-2070 (ssp)"])
def test_other_periods_give_no_dates(words):
    assert years(words) == (None, None)
