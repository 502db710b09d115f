"""Tiled files, of which only the blocks of the region are read: cells, faults of ranges, months, and several tiles."""

from __future__ import annotations

import json

import numpy as np
import pytest
import rasterio

from underoak.base import crs as _crs
from underoak.base.errors import UnderoakError
from underoak.plan import load_plan
from underoak.sources.gather.gather import gather

from local_host import PLACE, local_catalogue, sparse

DEM = "/copernicus-dem-90m.s3.amazonaws.com"
CHELSA = "/os.unil.cloud.switch.ch/chelsa02/chelsa/global/climatologies"
COVER = "/esa-worldcover.s3.eu-central-1.amazonaws.com/v200/2021"
CELL = 3 / 3600


def dem_name(lon: int, lat: int) -> str:
    return f"Copernicus_DSM_COG_30_N{lat:02d}_00_E{lon:03d}_00_DEM"


def dem_tile(path, lon: int, lat: int, **options) -> bytes:
    """Heights that are a formula of place, so that the cells of two tiles join without a seam."""
    rows, cols = np.mgrid[0:1200, 0:1200]
    x, y = lon + cols * CELL, lat + 1 - rows * CELL  # of cell centres
    cells = height(x, y).astype(np.float32)
    with rasterio.open(
        path, "w", driver="GTiff", height=1200, width=1200, count=1, dtype="float32", crs="EPSG:4326",
        transform=rasterio.transform.from_origin(lon - CELL / 2, lat + 1 + CELL / 2, CELL, CELL),
        **({"tiled": True, "blockxsize": 512, "blockysize": 512, "compress": "deflate", "predictor": 3} | options),
    ) as raster:  # fmt: skip
        raster.update_tags(AREA_OR_POINT="Point")
        raster.write(cells, 1)
    return path.read_bytes()


def height(x, y):
    return 500 + 300 * np.sin(40 * x) * np.cos(31 * y) + 7 * np.sin(900 * x + 800 * y)


def write_plan(tmp_path, layers: str, place=PLACE, half: int = 3000) -> None:
    x, y = _crs.transformer("EPSG:4326", "EPSG:32631").transform(*place)
    bounds = [round(x) - half, round(y) - half, round(x) + half, round(y) + half]
    text = f"""
format: 1
title: Hills
purpose: region
region: {{bounds: {bounds}, crs: EPSG:32631, cell: 30 m}}
trust: {{allow_hosts: ["127.0.0.1"]}}
criteria: {{a: {{layer: elevation, curve: {{shape: ramp_up, at: [0, 900]}}, source: a test}}}}
layers:
{layers}
"""
    (tmp_path / "plan.yaml").write_text(text, encoding="utf-8")


DEM_LAYER = "  elevation: {file: data/dem.tif, gather: {set: copernicus_glo90, band: height}, unit: m}"


def run(tmp_path, host, *names: str, confirm=lambda survey: True, **options):
    catalogue = local_catalogue(tmp_path / "catalogue", host.root, *names)
    return gather(load_plan(tmp_path / "plan.yaml"), tmp_path / "store", confirm, sources=catalogue, **options)


@pytest.fixture
def dem(host, tmp_path):
    for lon in (4, 5):
        name = dem_name(lon, 44)
        host.files[f"{DEM}/{name}/{name}.tif"] = dem_tile(tmp_path / "tile.tif", lon, 44)
    host.files[f"{DEM}/tileList.txt"] = f"{dem_name(4, 44)}\n{dem_name(5, 44)}\n".encode()
    write_plan(tmp_path, DEM_LAYER)
    return host


def check_heights(path) -> None:
    with rasterio.open(path) as made:
        cells = made.read(1)
        rows, cols = np.mgrid[0 : made.height, 0 : made.width]
        x = made.transform.c + (cols + 0.5) * made.transform.a
        y = made.transform.f + (rows + 0.5) * made.transform.e
        assert np.isfinite(cells).all()
        assert np.abs(cells - height(x, y)).max() < 1e-2  # float32, and the rounding of coordinates
        assert made.crs.to_epsg() == 4326


@pytest.mark.parametrize("place", [PLACE, (4.9999, 44.4)])
def test_heights_lie_where_they_were_within_one_tile_and_across_two(dem, tmp_path, place):
    write_plan(tmp_path, DEM_LAYER, place)
    run(tmp_path, dem, "copernicus_glo90")
    check_heights(tmp_path / "data" / "dem.tif")
    record = json.loads((tmp_path / "data" / "dem.tif.provenance.json").read_text())
    assert len(record["files"]) == (1 if place == PLACE else 2)
    assert all(file["header"]["registration"] == "point" for file in record["files"])


def test_only_blocks_of_the_region_are_read(dem, tmp_path):
    surveys = []
    run(tmp_path, dem, "copernicus_glo90", confirm=lambda survey: surveys.append(survey) or True)
    size = len(next(data for path, data in dem.files.items() if path.endswith(".tif")))
    spans = [span for path, span in dem.requests if path.endswith(".tif")]
    n_bytes = sum(int(b) - int(a) + 1 for a, b in (span.removeprefix("bytes=").split("-") for span in spans))
    assert all(spans)
    assert n_bytes < size / 2
    (survey,) = surveys
    assert 0 < survey.bytes_to_come < n_bytes


def test_nothing_is_fetched_but_headers_if_it_is_not_confirmed(dem, tmp_path):
    assert run(tmp_path, dem, "copernicus_glo90", confirm=lambda survey: False) is None
    assert not (tmp_path / "data").exists()
    assert all(span in ("", "bytes=0-65535") for _, span in dem.requests)


def test_gathering_that_was_cut_off_goes_on_where_it_was(dem, tmp_path):
    write_plan(tmp_path, DEM_LAYER, (4.9999, 44.4))
    dem.fault = lambda n, path, span: "503" if "E005" in path and span and span[0] > 0 else ""
    with pytest.raises(UnderoakError, match=r"E711"):
        run(tmp_path, dem, "copernicus_glo90")
    assert not (tmp_path / "data").exists()
    dem.fault, dem.requests = lambda n, path, span: "", []
    run(tmp_path, dem, "copernicus_glo90")
    assert [span for path, span in dem.requests if "E004" in path] == ["bytes=0-65535"]
    check_heights(tmp_path / "data" / "dem.tif")


MODES = ("drop", "503", "404", "cut", "short", "html", "no ranges", "honest wrong range", "lying wrong range", "zeros")


@pytest.mark.parametrize("compress", ["deflate", "lzw"])
@pytest.mark.parametrize("mode", MODES)
def test_a_host_that_fails_now_and_then_gives_the_true_heights(dem, tmp_path, mode, compress):
    path = f"{DEM}/{dem_name(4, 44)}/{dem_name(4, 44)}.tif"
    dem.files[path] = dem_tile(tmp_path / "tile.tif", 4, 44, compress=compress)
    dem.fault = lambda n, path, span: mode if n % 3 == 0 and span else ""
    catalogue = local_catalogue(tmp_path / "catalogue", dem.root, "copernicus_glo90")
    entry = catalogue / "copernicus_glo90.yaml"
    entry.write_text(entry.read_text().replace("value: deflate", f"value: {compress}"))
    gather(load_plan(tmp_path / "plan.yaml"), tmp_path / "store", lambda survey: True, sources=catalogue)
    check_heights(tmp_path / "data" / "dem.tif")


@pytest.mark.parametrize(
    ("mode", "code"),
    [
        ("503", "E711"), ("cut", "E711"), ("short", "E711"), ("html", "E710"), ("no ranges", "E710"),
        ("honest wrong range", "E711"), ("swap", "E712"),
    ],
)  # fmt: skip
def test_a_host_that_always_fails_at_cells_is_an_error_with_its_code(dem, tmp_path, mode, code):
    dem.fault = lambda n, path, span: mode if span and span[0] > 0 else ""
    with pytest.raises(UnderoakError, match=code):
        run(tmp_path, dem, "copernicus_glo90")
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize("mode", ["zeros", "lying wrong range"])
def test_bytes_that_are_wrong_twice_do_not_decode(dem, tmp_path, mode):
    dem.fault = lambda n, path, span: mode if span and span[0] > 0 else ""
    with pytest.raises(UnderoakError, match=r"E230|E718"):
        run(tmp_path, dem, "copernicus_glo90")
    assert not (tmp_path / "data").exists()


def test_a_file_that_is_replaced_between_two_ranges_is_noticed(dem, tmp_path):
    path = f"{DEM}/{dem_name(4, 44)}/{dem_name(4, 44)}.tif"
    dem.fault = lambda n, p, span: dem.etags.update({path: '"new"'}) or "" if span and span[0] > 0 else ""
    with pytest.raises(UnderoakError, match=r"E712"):
        run(tmp_path, dem, "copernicus_glo90")


def test_an_absent_tile_is_missing_ground_and_recorded(dem, tmp_path):
    dem.files[f"{DEM}/tileList.txt"] = f"{dem_name(4, 44)}\n".encode()
    write_plan(tmp_path, DEM_LAYER, (4.9999, 44.4))
    run(tmp_path, dem, "copernicus_glo90")
    record = json.loads((tmp_path / "data" / "dem.tif.provenance.json").read_text())
    assert record["absent_tiles"] == ["N44_00_E005_00"]
    check_heights(tmp_path / "data" / "dem.tif")


def test_without_a_list_at_an_unverified_address_every_tile_must_be_there(dem, tmp_path):
    del dem.files[f"{DEM}/tileList.txt"]
    write_plan(tmp_path, DEM_LAYER, (4.9999, 44.4))
    run(tmp_path, dem, "copernicus_glo90")
    check_heights(tmp_path / "data" / "dem.tif")
    (tmp_path / "data" / "dem.tif").unlink()
    del dem.files[f"{DEM}/{dem_name(5, 44)}/{dem_name(5, 44)}.tif"]
    with pytest.raises(UnderoakError, match=r"E711 .*E005.*status 404"):
        run(tmp_path, dem, "copernicus_glo90")
    assert not (tmp_path / "data" / "dem.tif").exists()


def test_tiles_of_two_widths_are_refused(dem, tmp_path):
    for lat, width in ((49, 1200), (50, 800)):
        name, cell = dem_name(4, lat), 1 / width
        rows, cols = np.mgrid[0:1200, 0:width]
        with rasterio.open(
            tmp_path / "t.tif", "w", driver="GTiff", height=1200, width=width, count=1, dtype="float32",
            crs="EPSG:4326",
            transform=rasterio.transform.Affine(cell, 0, 4 - cell / 2, 0, -CELL, lat + 1 + CELL / 2), tiled=True,
            compress="deflate", predictor=3, blockxsize=512, blockysize=512,
        ) as raster:  # fmt: skip
            raster.update_tags(AREA_OR_POINT="Point")
            raster.write((rows + cols).astype(np.float32), 1)
        dem.files[f"{DEM}/{name}/{name}.tif"] = (tmp_path / "t.tif").read_bytes()
    dem.files[f"{DEM}/tileList.txt"] = f"{dem_name(4, 49)}\n{dem_name(4, 50)}\n".encode()
    write_plan(tmp_path, DEM_LAYER, (4.4, 50.0))
    with pytest.raises(UnderoakError, match=r"E720"):
        run(tmp_path, dem, "copernicus_glo90")


CLIMATE = """
  elevation: {file: data/dem.tif, gather: {set: copernicus_glo90, band: height}, unit: m}
  temp: {file: data/tas.tif, gather: {set: chelsa_2_1, band: tas}, unit: K, to: degC, reduce: mean, season: year}
"""


@pytest.fixture
def climate(dem, tmp_path):
    for month in range(1, 13):

        def values(rows, cols, month=month):
            return 2800 + 10 * month + (rows * 7 + cols * 3) % 50

        dem.files[f"{CHELSA}/tas/1981-2010/CHELSA_tas_{month:02d}_1981-2010_V.2.1.tif"] = sparse(
            tmp_path / "t.tif", (20880, 43200), -180 - 0.5 / 3600, 84 - 0.5 / 3600, 1 / 120, "uint16", values,
            nodata=65535, compress="lzw", blockxsize=512, blockysize=512, scales=(0.1, 0.0),
        )  # fmt: skip
    write_plan(tmp_path, CLIMATE)
    return dem


def test_twelve_months_become_one_file_with_the_headers_scale(climate, tmp_path):
    run(tmp_path, climate, "copernicus_glo90", "chelsa_2_1")
    with rasterio.open(tmp_path / "data" / "tas.tif") as made:
        assert made.count == 12
        assert made.scales == (0.1,) * 12
        assert made.offsets == (0.0,) * 12
        cells = made.read()
        row, col = round((84 - 0.5 / 3600 - made.transform.f) * 120), round((made.transform.c + 180 + 0.5 / 3600) * 120)
        rows, cols = np.mgrid[row : row + made.height, col : col + made.width]
        for month in range(1, 13):
            assert np.array_equal(cells[month - 1], 2800 + 10 * month + (rows * 7 + cols * 3) % 50)


def test_a_month_of_the_older_delivery_is_refused_with_both_offsets(climate, tmp_path):
    climate.files[f"{CHELSA}/tas/1981-2010/CHELSA_tas_07_1981-2010_V.2.1.tif"] = sparse(
        tmp_path / "t.tif", (20880, 43200), -180 - 0.5 / 3600, 84 - 0.5 / 3600, 1 / 120, "uint16",
        lambda rows, cols: 2800 + rows % 9, nodata=65535, compress="lzw", blockxsize=512, blockysize=512,
        scales=(0.1, -273.15),
    )  # fmt: skip
    with pytest.raises(UnderoakError, match=r"E714 .*tas_07.*offset -273.15, and the catalogue 0\.0 \(conflict\)"):
        run(tmp_path, climate, "copernicus_glo90", "chelsa_2_1")


def test_a_conflict_that_no_header_settles_stops(climate, tmp_path):
    climate.files[f"{CHELSA}/tas/1981-2010/CHELSA_tas_07_1981-2010_V.2.1.tif"] = sparse(
        tmp_path / "t.tif", (20880, 43200), -180 - 0.5 / 3600, 84 - 0.5 / 3600, 1 / 120, "uint16",
        lambda rows, cols: 2800 + rows % 9, nodata=65535, compress="lzw", blockxsize=512, blockysize=512,
    )  # fmt: skip
    with pytest.raises(UnderoakError, match=r"offset none, and the catalogue"):
        run(tmp_path, climate, "copernicus_glo90", "chelsa_2_1")


def test_a_sparse_block_is_an_error_and_never_missing_ground(climate, tmp_path):
    climate.files[f"{CHELSA}/tas/1981-2010/CHELSA_tas_02_1981-2010_V.2.1.tif"] = sparse(
        tmp_path / "t.tif", (20880, 43200), -100.0, 84 - 0.5 / 3600, 1 / 120, "uint16",
        lambda rows, cols: 2800 + rows % 9, nodata=65535, compress="lzw", blockxsize=512, blockysize=512,
        scales=(0.1, 0.0),
    )  # fmt: skip
    write_plan(tmp_path, CLIMATE, (-90.0 + 95, 44.4))
    with pytest.raises(UnderoakError, match=r"E714 .*sparse|E720"):
        run(tmp_path, climate, "copernicus_glo90", "chelsa_2_1")


def test_land_cover_keeps_its_codes(dem, tmp_path):
    name = f"{COVER}/map/ESA_WorldCover_10m_2021_v200_N42E003_Map.tif"
    dem.files[name] = sparse(
        tmp_path / "c.tif", (36000, 36000), 3.0, 45.0, 1 / 12000, "uint8", lambda r, c: 10 * (1 + (r + c) % 5),
        nodata=0, compress="deflate", blockxsize=1024, blockysize=1024,
    )  # fmt: skip
    dem.files[f"{COVER}/esa_worldcover_2021_grid.geojson"] = b'{"features": [{"ll_tile": "N42E003"}]}'
    write_plan(
        tmp_path,
        DEM_LAYER + "\n  cover: {file: data/cover.tif, gather: {set: worldcover_2021, band: cover}, kind: classes}",
        half=500,
    )
    run(tmp_path, dem, "copernicus_glo90", "worldcover_2021")
    with rasterio.open(tmp_path / "data" / "cover.tif") as made:
        assert set(np.unique(made.read(1))) == {10, 20, 30, 40, 50}
