"""Zones: against labels of the whole map at once, and the same for any block size."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from underoak.base.errors import UnderoakError
from underoak.base.grid import Grid, Window
from underoak.indicators import cell_areas
from underoak.places.wild.zones import FinishedCells, find_zones, reading

UTM = Grid.north_up("EPSG:25831", 4e5, 4.6e6, 30.0, 61, 83)
DEGREES = Grid.north_up("EPSG:4326", 2.0, 44.0, 1 / 3600, 61, 83)
CRITERIA = ("ph", "water")


def cells_of(grid, seed=0, smooth=1.5):
    """Patchy suitability with holes of excluded and missing ground."""
    rng = np.random.default_rng(seed)
    scores = ndimage.gaussian_filter(rng.random(grid.shape), smooth)
    scores = ((scores - scores.min()) / (scores.max() - scores.min())).astype(np.float32)
    classes = (4 - np.digitize(scores, [0.5, 0.6, 0.75])).astype(np.uint8)
    state = rng.choice(np.uint8([0, 250, 255]), grid.shape, p=[0.9, 0.05, 0.05])
    classes[state > 0] = state[state > 0]
    scores[state > 0] = np.nan
    weakest = rng.choice(np.uint8([0, 1, 253]), grid.shape, p=[0.5, 0.3, 0.2])
    return FinishedCells(classes, scores, weakest)


def reader(cells):
    return lambda window: FinishedCells(*(array[window.slices] for array in cells))


def zones(cells, grid=UTM, **options):
    return find_zones(reader(cells), grid, CRITERIA, **{"min_area_m2": 5_000.0, **options})


@pytest.mark.parametrize("grid", [UTM, DEGREES], ids=["metres", "degrees"])
@pytest.mark.parametrize("connect", [4, 8])
@pytest.mark.parametrize("at_least", ["S1", "S2", "S3"])
def test_zones_are_those_of_the_whole_map_labelled_at_once(grid, connect, at_least):
    cells = cells_of(grid)
    found = zones(cells, grid, connect=connect, at_least=at_least, block=16)
    worst = {"S1": 1, "S2": 2, "S3": 3}[at_least]
    good = (cells.classes >= 1) & (cells.classes <= worst)
    labels, count = ndimage.label(good, np.ones((3, 3)) if connect == 8 else None)
    area = cell_areas(grid, grid.window)
    expected = []
    for label in range(1, count + 1):
        own = labels == label
        if area[own].sum() >= 5_000.0:
            first = np.argwhere(own)[0]
            expected.append((-(area * cells.suitability)[own].sum(), f"z{first[0]}-{first[1]}", own))
    expected.sort(key=lambda zone: zone[0])
    assert found["id"].tolist() == [id for _, id, _ in expected]
    assert found["rank"].tolist() == list(range(1, len(expected) + 1))
    assert len(expected) > 1
    for row, (good_m2, _, own) in zip(found.itertuples(), expected, strict=True):
        assert row.cells == own.sum()
        assert row.good_ha == pytest.approx(-good_m2 / 1e4, rel=1e-8)
        assert row.area_ha == pytest.approx(area[own].sum() / 1e4, rel=1e-8)
        assert row.suitability == pytest.approx(-good_m2 / area[own].sum(), rel=1e-8)
        for code in (1, 2, 3):
            share = area[own & (cells.classes == code)].sum() / area[own].sum()
            assert getattr(row, f"share_s{code}") == pytest.approx(share, abs=1e-8)
        shares = [area[own & (cells.weakest == code)].sum() / area[own].sum() for code in (0, 1, 253)]
        names = zip(("ph", "water", "nothing limits"), shares, strict=True)
        assert row.limiting == tuple(name for name, share in names if share >= max(shares) - 1e-6)
        assert row.limiting_share == pytest.approx(max(shares), abs=1e-8)
        assert row.geometry.is_valid
        rows, cols = np.nonzero(own)
        whole = shapely.union_all(
            [shapely.box(*grid.bounds_of(Window(r, c, 1, 1))) for r, c in zip(rows, cols, strict=True)]
        )
        assert shapely.equals(shapely.set_precision(row.geometry, 1e-7), shapely.set_precision(whole, 1e-7))


def test_a_zone_tells_on_how_much_of_it_the_class_is_below_that_of_the_suitability():
    cells, cuts = cells_of(UTM), (0.75, 0.6, 0.5)
    assert not zones(cells, cuts=cuts)["held_share"].any()
    clear = (np.abs(cells.suitability[..., None] - np.array(cuts)) > 2e-5).all(axis=2)  # a stored score is so exact
    lowered = clear & (cells.classes <= 3) & (np.random.default_rng(4).random(UTM.shape) < 0.3)
    held = cells._replace(classes=np.where(lowered, cells.classes + 1, cells.classes).astype(np.uint8))
    found, area = zones(held, cuts=cuts, at_least="S3", block=16), cell_areas(UTM, UTM.window)
    labels, _ = ndimage.label(held.classes <= 3, np.ones((3, 3)))
    assert len(found) > 1
    for row in found.itertuples():
        first = tuple(int(part) for part in row.id[1:].split("-"))
        inside = labels == labels[first]
        assert row.held_share == pytest.approx(area[inside & lowered].sum() / area[inside].sum(), abs=1e-8)


@pytest.mark.parametrize("connect", [4, 8])
@pytest.mark.parametrize("smooth", [0.0, 0.7, 2.0])
def test_no_bit_depends_on_the_block_size(connect, smooth):
    cells = cells_of(DEGREES, 3, smooth)
    whole = zones(cells, DEGREES, connect=connect, min_area_m2=2_000.0, block=512)
    assert len(whole) > 3
    for block in (5, 16, 37):
        made = zones(cells, DEGREES, connect=connect, min_area_m2=2_000.0, block=block)
        assert made.to_wkb().equals(whole.to_wkb())


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 1000), st.floats(12_000.0, 400_000.0), st.sampled_from([5, 16, 37]))
def test_large_zones_are_cut_into_parts_that_keep_every_cell(seed, most, block):
    cells = cells_of(UTM, seed, 2.5)
    uncut = zones(cells, at_least="S3", block=512)
    made = zones(cells, at_least="S3", block=block, max_area_m2=most)
    assert made.to_wkb().equals(zones(cells, at_least="S3", block=512, max_area_m2=most).to_wkb())
    assert made["area_ha"].max() <= most / 1e4 * (1.0 + 1e-6)
    assert made["good_ha"].is_monotonic_decreasing
    for column in ("cells", "area_ha", "good_ha"):
        assert made[column].sum() == pytest.approx(uncut[column].sum(), rel=1e-9)
    origin = made["id"].str.split(".").str[0]
    for id, parts in made.groupby(origin):
        (zone,) = uncut[uncut["id"] == id].itertuples()
        assert shapely.union_all(parts.geometry.to_numpy()).equals(zone.geometry)
        assert parts["area_ha"].sum() == pytest.approx(zone.area_ha, rel=1e-9)
        for share in ("share_s1", "held_share"):
            assert (parts["area_ha"] * parts[share]).sum() == pytest.approx(zone.area_ha * getattr(zone, share))
        names = [id] if len(parts) == 1 else [f"{id}.{n}" for n in range(1, len(parts) + 1)]
        assert sorted(parts["id"], key=lambda name: int(name.rpartition(".")[2] if "." in name else 0)) == names
        assert (len(parts) > 1) == (zone.area_ha * 1e4 > most * (1.0 + 1e-9))


def test_parts_are_about_equal():
    classes = np.full(UTM.shape, 4, np.uint8)
    classes[:, :80] = 1
    cells = FinishedCells(classes, np.full(UTM.shape, 0.8, np.float32), np.zeros(UTM.shape, np.uint8))
    parts = zones(cells, max_area_m2=900_000.0)  # of 439 ha: five would do, squares of the grid make it a little more
    assert 5 <= len(parts) <= 7
    assert parts["area_ha"].min() > 0.5 * parts["area_ha"].max()


def test_corners_join_at_8_and_not_at_4():
    classes = np.full(UTM.shape, 4, np.uint8)
    classes[15, 15] = classes[16, 16] = classes[15, 17] = 1  # the corner of four blocks lies between them
    cells = FinishedCells(classes, np.full(UTM.shape, 0.8, np.float32), np.zeros(UTM.shape, np.uint8))
    joined = zones(cells, min_area_m2=0.0, connect=8, block=16)
    assert joined["cells"].tolist() == [3]
    assert joined.geometry[0].geom_type == "MultiPolygon"
    assert len(joined.geometry[0].geoms) == 3
    assert zones(cells, min_area_m2=0.0, connect=4, block=16)["cells"].tolist() == [1, 1, 1]


def test_outlines_have_corners_only():
    classes = np.full(UTM.shape, 4, np.uint8)
    classes[10:40, 10:50] = 1
    classes[20:30, 20:30] = 250
    cells = FinishedCells(classes, np.full(UTM.shape, 0.8, np.float32), np.zeros(UTM.shape, np.uint8))
    (shape,) = zones(cells, block=8).geometry
    assert shapely.get_num_coordinates(shape) == 5 + 5
    assert shape.area == (30 * 40 - 100) * 900.0


def test_the_least_area_is_kept_and_anything_less_dropped():
    classes = np.full(UTM.shape, 4, np.uint8)
    classes[5:10, 5:9] = 1  # 20 cells
    classes[20:24, 20:24] = 1  # 16 cells
    cells = FinishedCells(classes, np.full(UTM.shape, 0.8, np.float32), np.zeros(UTM.shape, np.uint8))
    cell = float(cell_areas(UTM, Window(20, 20, 1, 1))[0, 0])
    assert zones(cells, min_area_m2=16 * cell * (1 - 1e-6))["cells"].tolist() == [20, 16]
    assert zones(cells, min_area_m2=17 * cell)["cells"].tolist() == [20]
    assert len(zones(cells, min_area_m2=21 * cell)) == 0


def test_much_fair_ground_ranks_before_little_good_ground():
    classes = np.full(UTM.shape, 4, np.uint8)
    scores = np.full(UTM.shape, 0.1, np.float32)
    classes[2:6, 2:6], scores[2:6, 2:6] = 1, 0.95
    classes[20:40, 20:40], scores[20:40, 20:40] = 2, 0.55
    found = zones(FinishedCells(classes, scores, np.zeros(UTM.shape, np.uint8)))
    assert found["suitability"].round(6).tolist() == [0.55, 0.95]
    assert found["good_ha"].is_monotonic_decreasing


def test_no_zone_is_an_empty_table_with_all_columns():
    classes = np.full(UTM.shape, 255, np.uint8)
    cells = FinishedCells(classes, np.full(UTM.shape, np.nan, np.float32), classes)
    found = zones(cells)
    assert isinstance(found, gpd.GeoDataFrame)
    assert len(found) == 0
    assert list(found.columns) == list(zones(cells_of(UTM)).columns)


@pytest.mark.parametrize("dtype", ["float32", "uint16"])
def test_the_rasters_of_a_run_are_read_back(tmp_path, dtype):
    import rasterio

    cells = cells_of(UTM)
    scores = cells.suitability
    if dtype == "uint16":
        scores = np.where(np.isnan(scores), 65535, np.rint(scores * 60000)).astype(np.uint16)
    shape = {"width": UTM.cols, "height": UTM.rows, "crs": UTM.crs, "transform": rasterio.Affine(*UTM.transform)}
    files = {
        "class.tif": ([cells.classes], 255),
        "suitability.tif": ([scores], 65535 if dtype == "uint16" else np.nan),
        "limiting.tif": ([cells.weakest, cells.weakest], 255),
    }
    for name, (bands, nodata) in files.items():
        options = {"driver": "GTiff", "count": len(bands), "dtype": bands[0].dtype, "nodata": nodata, **shape}
        with rasterio.open(tmp_path / name, "w", **options) as out:
            out.write(np.stack(bands))
            if name == "suitability.tif" and dtype == "uint16":
                out.scales = (1 / 60000,)
    with reading(tmp_path) as (read, grid):
        found = find_zones(read, grid, CRITERIA, min_area_m2=5_000.0)
        assert (grid.rows, grid.cols, grid.transform) == (UTM.rows, UTM.cols, UTM.transform)
        back = read(Window(5, 7, 20, 30))
        np.testing.assert_allclose(back.suitability, cells.suitability[5:25, 7:37], atol=1e-5)
    expected = zones(cells)
    assert found["id"].tolist() == expected["id"].tolist()
    assert found["suitability"].tolist() == pytest.approx(expected["suitability"].tolist(), abs=1e-5)


def test_a_missing_result_is_a_fault_not_an_empty_answer(tmp_path):
    with pytest.raises(UnderoakError) as caught, reading(tmp_path):
        pass
    assert caught.value.faults[0].code == "E230"
