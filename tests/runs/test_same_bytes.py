"""The same plan gives the same bytes, however it is cut up and whoever does it."""

import hashlib
import json

import numpy as np
import pytest
import shapely

import underoak as uo

from noise import LEFT, TOP, write_shapes

RASTERS = ["suitability.tif", "class.tif", "limiting.tif", "memberships.tif"]
UNDATED = [*RASTERS, "parcels.gpkg", "parcels.csv", "zones.gpkg", "legend.sld", "map.png"]


def sums(folder):
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in UNDATED}


def without_when(folder):
    content = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    return {key: value for key, value in content.items() if key != "when"}


def without_clock(folder):
    """The catalogue item, but for the one moment it has to name."""
    content = json.loads((folder / "item.json").read_text(encoding="utf-8"))
    assert content["properties"].pop("datetime").startswith("20")
    return content


@pytest.fixture(scope="module")
def first(country, tmp_path_factory):
    plan, base = country
    return uo.run(uo.load_plan(plan, base=base), out=tmp_path_factory.mktemp("first"), tile=2048, workers=1)


@pytest.mark.parametrize(("tile", "workers"), [(1, 3), (5000, 4)])  # the smallest tile; one for all
def test_tile_size_and_workers_change_no_byte(country, first, tmp_path, tile, workers):
    plan, base = country
    uo.run(uo.load_plan(plan, base=base), out=tmp_path, tile=tile, workers=workers)
    assert sums(tmp_path) == sums(first.folder)
    assert without_when(tmp_path) == without_when(first.folder)
    assert without_clock(tmp_path) == without_clock(first.folder)


def test_the_order_of_parcels_in_their_file_changes_no_figure(country, first, tmp_path):
    import geopandas as gpd

    plan, base = country
    fields = gpd.read_file(base / "fields.gpkg").sample(frac=1.0, random_state=3)
    fields.to_file(base / "shuffled.gpkg", engine="pyogrio")
    changed = {**plan, "parcels": {"file": "shuffled.gpkg", "id": "name"}}
    again = uo.run(uo.load_plan(changed, base=base), out=tmp_path)
    assert (again.folder / "parcels.csv").read_bytes() == (first.folder / "parcels.csv").read_bytes()


def test_permuting_the_criteria_changes_nothing_but_their_numbers(country, first, tmp_path):
    plan, base = country
    turned = {**plan, "criteria": dict(reversed(plan["criteria"].items()))}
    again = uo.run(uo.load_plan(turned, base=base), out=tmp_path)
    ours, theirs = again.dataset, first.dataset
    assert np.allclose(ours["suitability"], theirs["suitability"], atol=1e-6, equal_nan=True)
    assert (ours["class"].values != theirs["class"].values).mean() < 1e-5  # a cut may be crossed by a rounding
    weakest, before = ours["limiting"].values[0], theirs["limiting"].values[0]
    judged = before < 250
    assert (weakest[judged] == 3 - before[judged]).mean() > 0.999  # ties take the first in plan order


def test_moving_the_window_of_the_region_changes_no_cell(country, first, tmp_path):
    plan, base = country
    left, bottom, right, top = first.grid.bounds
    bounds = [left + 30 * 101, bottom + 30 * 333, right - 30 * 77, top - 30 * 55]
    part = {**plan, "region": {"bounds": bounds, "crs": "EPSG:25831", "cell": "30 m"}}
    again = uo.run(uo.load_plan(part, base=base), out=tmp_path).dataset
    whole = first.dataset.sel(x=again.x, y=again.y)
    judged = whole["class"].values != 255  # outside the outline the whole run judges nothing
    # the mesh is anchored to the grid, so another grid may differ by its promised bound and no more
    difference = np.abs(again["suitability"].values - whole["suitability"].values)[
        judged & (whole["class"].values < 250)
    ]
    assert np.nanmedian(difference) < 1e-4
    assert np.nanmean(difference > 0.05) < 0.02


def test_a_region_of_two_pieces_far_apart_is_the_same_for_any_tile(country, first, tmp_path):
    plan, base = country
    left, bottom, right, top = first.grid.bounds
    pieces = [shapely.box(left, top - 6000, left + 6000, top), shapely.box(right - 6000, bottom, right, bottom + 6000)]
    write_shapes(base / "pieces.gpkg", pieces, "EPSG:25831")
    apart = {**plan, "region": {**plan["region"], "area": "pieces.gpkg"}}
    for tile in (1024, 5000):
        uo.run(uo.load_plan(apart, base=base), out=tmp_path / str(tile), tile=tile)
    assert sums(tmp_path / "1024") == sums(tmp_path / "5000")


def test_the_manifest_is_the_same_for_any_tile_where_tiles_read_cells_twice(country, tmp_path, monkeypatch):
    from underoak.layers import stack

    monkeypatch.setattr(stack, "RESIDENT_VALUES", 0)  # as for layers too large to stay in memory
    plan, base = country
    left, bottom = LEFT + 30 * 600, TOP - 30 * 1200
    region = {"bounds": [left, bottom, left + 30 * 300, bottom + 30 * 1100], "crs": "EPSG:25831", "cell": "30 m"}
    part = {**plan, "region": region}
    for tile in (1024, 5000):
        uo.run(uo.load_plan(part, base=base), out=tmp_path / str(tile), tile=tile)
    texts = [json.dumps(without_when(tmp_path / str(tile))) for tile in (1024, 5000)]
    assert texts[0] == texts[1]  # the order of keys too


def test_warnings_that_come_late_stand_in_the_manifest(first):
    assert any(text.startswith("W430") for text in without_when(first.folder)["warnings"])
