"""The catalogue item of a run: valid by the bundled schemas, true to the files, and on the right side of the Earth."""

from __future__ import annotations

import datetime
import json
import re
from pathlib import Path

import geopandas as gpd
import jsonschema
import numpy as np
import pystac
import pytest
import rasterio
import referencing
import shapely
from hypothesis import given
from hypothesis import strategies as st

import underoak as uo
from underoak.base.grid import Grid
from underoak.report.page.footprint import footprint
from underoak.report.page.item import years

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


@given(st.integers(1, 9999), st.integers(0, 300), st.sampled_from(["-", " - ", "/", "–"]))
def test_periods_are_read_as_years(first, more, sign):
    start, end = years(f"{first:04d}{sign}{min(first + more, 9999):04d}")
    assert start.year == first
    assert end.year == min(first + more, 9999)


@pytest.mark.parametrize("words", ["", "late century", "2070-2041", "41-70", "2041-2070 (ssp)"])
def test_other_periods_give_no_dates(words):
    assert years(words) == (None, None)
