from __future__ import annotations

import os
import pickle
import shutil
import subprocess
import sys
import threading

import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.layers.formats import gdal

from layer_builders import NORTH_UP, codes, huge_header, opened, retag, whole, write_tif

RNG = np.random.default_rng(7)
PH = RNG.integers(52, 84, (40, 60)).astype(np.int16)


@pytest.fixture(autouse=True)
def _closed():
    yield
    gdal.close_handles()


def test_a_plain_file_opens_with_its_grid_and_values(tmp_path):
    write_tif(tmp_path / "ph.tif", PH, nodata=-32768)
    source, problems = opened(tmp_path, "ph.tif", unit="pH*10")
    assert not codes(problems)
    assert source.grid.transform == NORTH_UP
    assert (source.grid.crs, source.grid.shape, source.months, source.is_periodic) == (
        "EPSG:25831",
        PH.shape,
        (),
        False,
    )
    np.testing.assert_array_equal(whole(source), np.float32(PH * 0.1))
    part = source.read(Window(3, 5, 7, 11)).values
    np.testing.assert_array_equal(part, whole(source)[3:10, 5:16])
    assert source.facts.format == "GeoTIFF"
    assert source.facts.unit == "pH"
    assert source.facts.files == (str(tmp_path / "ph.tif"),)
    assert "nodata -32768 (file)" in source.facts.decoding


def test_a_source_survives_pickling_and_two_layers_of_one_file_are_one_source(tmp_path):
    write_tif(tmp_path / "ph.tif", PH)
    source, _ = opened(tmp_path, "ph.tif", unit="pH*10")
    again = pickle.loads(pickle.dumps(source))
    assert again == source
    assert hash(again) == hash(source)
    np.testing.assert_array_equal(whole(again), whole(source))


def test_a_window_outside_the_grid_is_refused(tmp_path):
    write_tif(tmp_path / "ph.tif", PH)
    source, _ = opened(tmp_path, "ph.tif", unit="pH*10")
    with pytest.raises(ValueError, match="inside"):
        source.read(Window(-1, 0, 5, 5))


class TestCrs:
    def test_a_missing_one_is_never_assumed(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH, crs=None)
        source, problems = opened(tmp_path, "ph.tif", unit="pH*10")
        assert source is None
        assert codes(problems) == ["E201"]
        assert 'add "crs:" under layers.soil_ph' in problems.faults[0].fix
        assert problems.faults[0].where == "soil_ph (ph.tif)"

    def test_the_plan_supplies_a_missing_one(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH, crs=None)
        source, problems = opened(tmp_path, "ph.tif", unit="pH*10", crs="EPSG:3035")
        assert not codes(problems)
        assert source.grid.crs == "EPSG:3035"

    def test_a_local_one_is_refused(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH, crs='LOCAL_CS["site",UNIT["metre",1]]')
        assert codes(opened(tmp_path, "ph.tif", unit="pH*10")[1]) == ["E202"]

    def test_the_plan_wins_over_the_file_and_that_is_told(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH)
        source, problems = opened(tmp_path, "ph.tif", unit="pH*10", crs="EPSG:25830")
        assert codes(problems) == ["W203"]
        assert source.grid.crs == "EPSG:25830"

    def test_the_same_one_in_other_words_is_no_contradiction(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH)
        for same in ("epsg:25831", pyproj.CRS("EPSG:25831").to_wkt("WKT1_GDAL")):
            assert codes(opened(tmp_path, "ph.tif", unit="pH*10", crs=same)[1]) == []

    def test_an_unknown_word_in_the_plan_is_refused(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH)
        _, problems = opened(tmp_path, "ph.tif", unit="pH*10", crs="EPSG:1")
        assert codes(problems) == ["E202"]

    def test_a_compound_one_gives_its_horizontal_part(self, tmp_path):
        write_tif(tmp_path / "dem.tif", PH, crs="EPSG:25831+5782")
        source, problems = opened(tmp_path, "dem.tif", unit="m")
        assert not codes(problems)
        assert source.grid.crs == "EPSG:25831"

    def test_degrees_with_metres_for_coordinates_are_refused(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH, crs="EPSG:4326")
        assert codes(opened(tmp_path, "ph.tif", unit="pH*10")[1]) == ["E206"]


class TestPlace:
    def test_cells_without_a_size_are_refused(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH, transform=(0.0, 1.0, 4e5, 0.0, -30.0, 4.6e6))
        assert codes(opened(tmp_path, "ph.tif", unit="pH*10")[1]) == ["E222"]

    def test_a_file_without_a_place_is_refused(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH, transform=None)
        assert codes(opened(tmp_path, "ph.tif", unit="pH*10")[1]) == ["E222"]

    def test_a_world_file_beside_it_does_not_count(self, tmp_path):
        write_tif(tmp_path / "ph.tif", PH, transform=None)
        (tmp_path / "ph.tfw").write_text("30\n0\n0\n-30\n400015\n4599985\n")
        assert codes(opened(tmp_path, "ph.tif", unit="pH*10")[1]) == ["E222"]

    def test_point_and_area_files_of_the_same_ground_have_the_same_grid(self, tmp_path):
        write_tif(tmp_path / "area.tif", PH)
        write_tif(tmp_path / "point.tif", PH, point=True)
        area, _ = opened(tmp_path, "area.tif", unit="pH*10")
        point, _ = opened(tmp_path, "point.tif", unit="pH*10")
        assert (tmp_path / "area.tif").read_bytes() != (tmp_path / "point.tif").read_bytes()
        assert area.grid == point.grid

    def test_the_tag_alone_moves_the_grid_by_half_a_cell(self, tmp_path):
        # the same tie point, called a corner in one file and a centre in the other
        write_tif(tmp_path / "area.tif", PH)
        data = (tmp_path / "area.tif").read_bytes()
        key_area, key_point = b"\x01\x04\0\0\x01\0\x01\0", b"\x01\x04\0\0\x01\0\x02\0"  # GTRasterTypeGeoKey 1025
        assert data.count(key_area) == 1
        (tmp_path / "point.tif").write_bytes(data.replace(key_area, key_point))
        area, _ = opened(tmp_path, "area.tif", unit="pH*10")
        point, _ = opened(tmp_path, "point.tif", unit="pH*10")
        assert area.grid.xy(0, 0) == point.grid.xy(0.5, 0.5)

    def test_rows_that_run_north_are_kept_as_stored(self, tmp_path):
        a, b, c, d, e, f = NORTH_UP
        write_tif(tmp_path / "south_up.tif", PH[::-1], transform=(a, b, c, d, -e, f + 40 * e))
        write_tif(tmp_path / "north_up.tif", PH)
        south, problems = opened(tmp_path, "south_up.tif", unit="pH*10")
        north, _ = opened(tmp_path, "north_up.tif", unit="pH*10")
        assert not codes(problems)
        assert south.grid.transform[4] == 30.0
        assert south.grid.bounds == north.grid.bounds
        np.testing.assert_array_equal(whole(south)[::-1], whole(north))
        for row in (0, 17, 39):  # the same ground has the same value
            u, v = south.grid.uv(*north.grid.xy(4.5, row + 0.5))
            assert whole(south)[int(v), int(u)] == whole(north)[row, 4]

    def test_a_rotated_grid_is_kept(self, tmp_path):
        cos, sin = np.cos(np.pi / 6), np.sin(np.pi / 6)
        turned = (30 * cos, 30 * sin, 4e5, 30 * sin, -30 * cos, 4.6e6)
        write_tif(tmp_path / "ph.tif", PH, transform=turned)
        source, problems = opened(tmp_path, "ph.tif", unit="pH*10")
        assert not codes(problems)
        np.testing.assert_allclose(source.grid.transform, turned, rtol=1e-12)
        assert source.grid.cell_size == pytest.approx((30.0, 30.0))

    def test_columns_that_go_round_the_earth_are_known(self, tmp_path):
        world = np.ones((18, 36), np.int16)
        for name, step, left in (("a.tif", 10.0, -180.0), ("b.tif", 10.0, 0.0), ("c.tif", 9.0, 0.0)):
            write_tif(tmp_path / name, world, crs="EPSG:4326", transform=(step, 0.0, left, 0.0, -10.0, 90.0))
        assert [opened(tmp_path, n, unit="m")[0].is_periodic for n in ("a.tif", "b.tif", "c.tif")] == [
            True,
            True,
            False,
        ]
        assert opened(tmp_path, "b.tif", unit="m")[0].grid.bounds[2] == 360.0


class TestMissing:
    def test_nan_and_the_tag_are_both_missing(self, tmp_path):
        values = np.float32([[1, -9999, np.nan, 4]])
        write_tif(tmp_path / "x.tif", values, nodata=-9999)
        source, _ = opened(tmp_path, "x.tif", unit="mm")
        assert np.isnan(whole(source)).tolist() == [[False, True, True, False]]

    def test_a_float_tag_whose_text_is_rounded_is_found(self, tmp_path):
        values = np.full((4, 4), -3.4028235e38, np.float32)
        values[0, 0] = 5
        write_tif(tmp_path / "x.tif", values, nodata=-1.0000001e38)
        text = next(t for t in (b"-1.0000001e+38", b"-1.00000010e+38") if t in (tmp_path / "x.tif").read_bytes())
        retag(tmp_path / "x.tif", text, b"-3.4028231e+38".ljust(len(text), b"\0"))
        source, problems = opened(tmp_path, "x.tif", unit="g/kg")
        assert not codes(problems)
        assert np.isfinite(whole(source)).sum() == 1

    def test_a_tag_outside_the_type_is_told_and_hides_nothing(self, tmp_path):
        write_tif(tmp_path / "x.tif", np.uint8([[0, 99, 100]]), nodata=123)
        retag(tmp_path / "x.tif", b"123\0", b"-99\0")
        source, problems = opened(tmp_path, "x.tif", unit="percent")
        assert codes(problems) == ["W213"]
        assert whole(source).tolist() == [[0, 99, 100]]

    def test_infinite_cells_are_missing_and_counted(self, tmp_path):
        write_tif(tmp_path / "x.tif", np.float32([[np.inf, -np.inf, 3]]))
        reading = opened(tmp_path, "x.tif", unit="g/kg")[0].read(Window(0, 0, 1, 3))
        assert np.isnan(reading.values).tolist() == [[True, True, False]]
        assert reading.implausible == 2

    def test_tag_internal_mask_and_alpha_are_united(self, tmp_path):
        values = np.uint8([[[1, 0, 3, 4, 0]], [[255, 255, 0, 255, 255]]])
        write_tif(tmp_path / "x.tif", values, nodata=4, alpha=True)
        source, _ = opened(tmp_path, "x.tif", unit="percent")
        assert np.isnan(whole(source)).tolist() == [[False, False, True, True, False]]
        write_tif(tmp_path / "y.tif", values[0], nodata=4, mask=np.uint8([[255, 255, 255, 255, 0]]))
        source, _ = opened(tmp_path, "y.tif", unit="percent")
        assert np.isnan(whole(source)).tolist() == [[False, False, False, True, True]]

    def test_a_half_transparent_cell_is_decided_at_one_half(self, tmp_path):
        values = np.uint8([[[5, 5, 5, 5]], [[0, 127, 128, 255]]])
        write_tif(tmp_path / "x.tif", values, alpha=True)
        source, _ = opened(tmp_path, "x.tif", unit="percent")
        assert np.isnan(whole(source)).tolist() == [[True, True, False, False]]

    def test_a_mask_beside_the_file_counts(self, tmp_path):
        write_tif(tmp_path / "x.tif", np.uint8([[1, 2, 3]]))
        write_tif(tmp_path / "mask.tif", np.uint8([[255, 0, 255]]))
        shutil.move(tmp_path / "mask.tif", tmp_path / "x.tif.msk")
        source, problems = opened(tmp_path, "x.tif", unit="percent")
        assert not codes(problems)
        assert np.isnan(whole(source)).tolist() == [[False, True, False]]
        assert str(tmp_path / "x.tif.msk") in source.facts.files

    def test_a_mask_of_another_size_is_refused(self, tmp_path):
        write_tif(tmp_path / "x.tif", np.uint8([[1, 2, 3]]))
        write_tif(tmp_path / "mask.tif", np.uint8([[255, 0]]))
        shutil.move(tmp_path / "mask.tif", tmp_path / "x.tif.msk")
        assert codes(opened(tmp_path, "x.tif", unit="percent")[1]) == ["E229"]

    def test_a_window_of_a_file_without_a_tag_keeps_its_zeros(self, tmp_path):
        values = np.zeros((3, 64, 64), np.uint8)
        values[1] = 7
        write_tif(tmp_path / "x.tif", values)
        source, _ = opened(tmp_path, "x.tif", unit="percent", band=1)
        for window in (Window(0, 0, 64, 64), Window(60, 60, 4, 4), Window(5, 0, 1, 64)):
            assert (source.read(window).values == 0).all()

    def test_a_sidecar_cannot_change_what_the_file_says(self, tmp_path):
        write_tif(tmp_path / "x.tif", np.uint8([[1, 2, 3]]), nodata=3)
        (tmp_path / "x.tif.aux.xml").write_text(
            "<PAMDataset><SRS>EPSG:3857</SRS><PAMRasterBand band='1'><NoDataValue>1</NoDataValue>"
            "<Scale>9</Scale><Offset>9</Offset><UnitType>K</UnitType></PAMRasterBand></PAMDataset>"
        )
        source, problems = opened(tmp_path, "x.tif", unit="percent")
        assert not codes(problems)
        assert source.grid.crs == "EPSG:25831"
        np.testing.assert_array_equal(whole(source), np.float32([[1, 2, np.nan]]))


class TestScale:
    def test_the_files_scale_and_offset_are_applied_once(self, tmp_path):
        write_tif(tmp_path / "t.tif", np.uint16([[2850, 2731]]), scale=0.1, offset=-273.15, unit="degC")
        source, problems = opened(tmp_path, "t.tif")
        assert not codes(problems)
        np.testing.assert_allclose(whole(source), [[11.85, -0.05]], atol=1e-5)

    def test_a_plan_that_scales_again_is_refused(self, tmp_path):
        write_tif(tmp_path / "t.tif", np.uint16([[2850]]), scale=0.1, unit="K")
        source, problems = opened(tmp_path, "t.tif", scale=0.1)
        assert source is None
        assert codes(problems) == ["E214"]

    def test_the_scale_of_a_band_is_its_own(self, tmp_path):
        import rasterio

        write_tif(tmp_path / "t.tif", np.full((2, 2, 2), 5, np.int16))
        with rasterio.open(tmp_path / "t.tif", "r+") as file:
            file.scales = [1.0, 0.1]
        assert (whole(opened(tmp_path, "t.tif", unit="mm", band=2)[0]) == np.float32(0.5)).all()
        assert (whole(opened(tmp_path, "t.tif", unit="mm", band=1)[0]) == 5).all()


class TestBands:
    def test_several_bands_are_listed_and_one_must_be_named(self, tmp_path):
        write_tif(tmp_path / "x.tif", np.zeros((3, 2, 2), np.uint8))
        _, problems = opened(tmp_path, "x.tif", unit="percent")
        assert codes(problems) == ["E227"]
        assert "one of 1, 2, 3" in problems.faults[0].fix
        assert codes(opened(tmp_path, "x.tif", unit="percent", band=4)[1]) == ["E227"]

    def test_complex_numbers_are_refused(self, tmp_path):
        write_tif(tmp_path / "x.tif", np.ones((2, 2), np.complex64))
        assert codes(opened(tmp_path, "x.tif", unit="percent")[1]) == ["E228"]

    def test_twelve_bands_are_months_where_months_are_asked_for(self, tmp_path):
        values = np.arange(12, dtype=np.float32)[:, None, None] * np.ones((12, 2, 3), np.float32)
        write_tif(tmp_path / "x.tif", values)
        source, problems = opened(tmp_path, "x.tif", unit="mm", reduce="sum")
        assert not codes(problems)
        assert source.months == tuple(range(1, 13))
        np.testing.assert_array_equal(whole(source), values)
        source, _ = opened(tmp_path, "x.tif", unit="mm/day", season="summer")
        np.testing.assert_allclose(whole(source)[[1, 6], 0, 0], [28.2425, 6 * 31], rtol=1e-6)
        assert codes(opened(tmp_path, "x.tif", unit="mm")[1]) == ["E227"]


class TestDamage:
    @pytest.fixture
    def tiled(self, tmp_path):
        values = np.add.outer(np.arange(256), np.arange(256)).astype(np.int16)
        tiles = {"tiled": True, "blockxsize": 64, "blockysize": 64, "compress": "deflate"}
        return write_tif(tmp_path / "x.tif", values, **tiles)

    @pytest.mark.parametrize("keep", [0.0, 0.01, 0.5, 0.95])
    def test_a_file_cut_short_is_an_error_and_never_nodata(self, tiled, tmp_path, keep, capfd):
        data = tiled.read_bytes()
        tiled.write_bytes(data[: int(len(data) * keep)])
        source, problems = opened(tmp_path, "x.tif", unit="mm")
        if source is None:
            assert codes(problems) == ["E230"]
        else:
            with pytest.raises(UnderoakError, match=r"E230 soil_ph \(x.tif\): rows 0\+256, columns 0\+256"):
                whole(source)
        assert capfd.readouterr().err == ""

    def test_a_damaged_block_is_an_error_and_the_others_can_be_read(self, tiled, tmp_path, capfd):
        import rasterio

        expected = whole(opened(tmp_path, "x.tif", unit="mm")[0])
        with rasterio.open(tiled) as file:
            at = int(file.get_tag_item("BLOCK_OFFSET_1_1", "TIFF", bidx=1))
        data = bytearray(tiled.read_bytes())
        for i in range(at + 10, at + 40):
            data[i] ^= 0xFF
        tiled.write_bytes(data)
        source, _ = opened(tmp_path, "x.tif", unit="mm")
        with pytest.raises(UnderoakError, match="E230"):
            source.read(Window(64, 64, 64, 64))
        np.testing.assert_array_equal(source.read(Window(0, 0, 64, 256)).values, expected[:64])
        assert capfd.readouterr().err == ""

    def test_other_bytes_are_an_error(self, tmp_path, capfd):
        (tmp_path / "x.tif").write_bytes(b"not a raster at all" * 50)
        assert codes(opened(tmp_path, "x.tif", unit="mm")[1]) == ["E230"]
        assert capfd.readouterr().err == ""

    def test_a_file_written_anew_is_read_anew(self, tmp_path):
        write_tif(tmp_path / "x.tif", np.full((2, 2), 1, np.int16))
        source, _ = opened(tmp_path, "x.tif", unit="mm")
        assert (whole(source) == 1).all()
        write_tif(tmp_path / "x.tif", np.full((2, 2), 2, np.int16))
        os.utime(tmp_path / "x.tif", ns=(1, 1))
        assert (whole(source) == 2).all()


_WEIGH = """
import sys, time
from pathlib import Path
from types import SimpleNamespace
from underoak.base.errors import Problems
from underoak.layers.formats.open import open_source

def peak():  # MiB; the kernel's own high-water mark, which a parent process does not lend to its child
    line = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    return int(line.split()[1]) // 1024

open_source("warm", SimpleNamespace(file="small.tif", unit="mm"), Path(sys.argv[1]), None, Problems())
before, start = peak(), time.perf_counter()
for name in ("tiles.tif", "one.tif"):
    problems = Problems()
    source = open_source("x", SimpleNamespace(file=name, unit="mm"), Path(sys.argv[1]), None, problems)
    print(source, sorted({fault.code for fault in problems.faults}))
print(peak() - before, time.perf_counter() - start, peak())
"""


@pytest.mark.skipif(not os.path.exists("/proc/self/status"), reason="measures memory as Linux tells it")
def test_a_kilobyte_that_claims_a_million_rows_and_columns_is_refused_before_anything_is_allocated(tmp_path):
    write_tif(tmp_path / "small.tif", np.ones((4, 4), np.int16))
    huge_header(tmp_path / "tiles.tif", 10**6, 10**6, 512)
    huge_header(tmp_path / "one.tif", 40_000, 40_000, 2**16)
    assert (tmp_path / "tiles.tif").stat().st_size == 1000
    ran = subprocess.run([sys.executable, "-c", _WEIGH, str(tmp_path)], capture_output=True, text=True, check=True)
    lines = ran.stdout.splitlines()
    assert lines[0].startswith("None ")
    assert "E231" in lines[0]
    assert "E231" in lines[1]
    grown, seconds, in_all = map(float, lines[2].split())
    assert grown < 40
    assert seconds < 2
    assert in_all < 300
    assert ran.stderr == ""


def test_max_cells_of_the_plan_is_the_limit(tmp_path):
    from types import SimpleNamespace

    write_tif(tmp_path / "x.tif", np.ones((20, 20), np.int16))
    assert codes(opened(tmp_path, "x.tif", SimpleNamespace(roots=(), max_cells=1), unit="mm")[1]) == ["E231"]
    assert codes(opened(tmp_path, "x.tif", SimpleNamespace(roots=(), max_cells=400), unit="mm")[1]) == []


@pytest.mark.parametrize(("cols", "faults"), [(134_217, []), (134_218, ["E231"])])
def test_an_image_in_one_compressed_strip_is_refused_above_256_mib(tmp_path, cols, faults):
    strip = {"compress": "deflate", "blockysize": 2000, "sparse_ok": True}  # only a header: nothing is written into it
    grid = {"height": 2000, "width": cols, "crs": "EPSG:25831", "transform": Affine(*NORTH_UP)}
    with rasterio.open(tmp_path / "x.tif", "w", driver="GTiff", count=1, dtype="uint8", **grid, **strip):
        pass
    assert codes(opened(tmp_path, "x.tif", unit="mm")[1]) == faults


def test_four_threads_read_what_one_reads(tmp_path):
    values = RNG.integers(0, 9000, (600, 700)).astype(np.int16)
    tiles = {"tiled": True, "blockxsize": 128, "blockysize": 128, "compress": "deflate"}
    write_tif(tmp_path / "x.tif", values, nodata=17, **tiles)
    source, _ = opened(tmp_path, "x.tif", unit="mm")
    rng = np.random.default_rng(1)
    corners = [(int(r), int(c)) for r, c in zip(rng.integers(0, 500, 80), rng.integers(0, 600, 80), strict=True)]
    windows = [Window(r, c, int(rng.integers(1, 100)), int(rng.integers(1, 100))) for r, c in corners]
    alone = [source.read(window).values for window in windows]
    together: dict[int, np.ndarray] = {}

    def work(first):
        for at in range(first, len(windows), 4):
            together[at] = source.read(windows[at]).values

    threads = [threading.Thread(target=work, args=(first,)) for first in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(together) == len(windows)
    for at, values in enumerate(alone):
        np.testing.assert_array_equal(values, together[at])


def test_handles_are_few_and_the_oldest_is_closed(tmp_path):
    gdal.close_handles()
    opened_now = []

    class Handle:
        closed = False

        def close(self):
            self.closed = True

    for i in range(100):
        opened_now.append(gdal.cached_handle(i, Handle))
    assert sum(not handle.closed for handle in opened_now) <= 24
    assert not opened_now[-1].closed
    gdal.close_handles()
    assert all(handle.closed for handle in opened_now)


@pytest.mark.parametrize(
    "name", ["a b.tif", "ünï-日本.tif", "x#y?z%20.tif", "-x.tif", "q'\"&.tif", "zip!a.tif", "c:d.tif"]
)
def test_odd_names_work(tmp_path, name):
    write_tif(tmp_path / "plain.tif", PH)
    shutil.move(tmp_path / "plain.tif", tmp_path / name)
    source, problems = opened(tmp_path, name, unit="pH*10")
    assert not codes(problems)
    assert np.isfinite(whole(source)).all()


def test_settings_of_the_environment_do_not_win(tmp_path):
    write_tif(tmp_path / "x.tif", np.uint8([[1, 2, 3]]))
    (tmp_path / "x.tif.aux.xml").write_text(
        "<PAMDataset><PAMRasterBand band='1'><NoDataValue>1</NoDataValue></PAMRasterBand></PAMDataset>"
    )
    code = (
        "import sys; sys.path.insert(0, sys.argv[2])\n"
        "from pathlib import Path\n"
        "from layer_builders import opened, whole\n"
        "from rasterio._env import get_gdal_config\n"
        "from underoak.layers.formats import gdal\n"
        "print(whole(opened(Path(sys.argv[1]), 'x.tif', unit='percent')[0]).tolist())\n"
        "with gdal.gdal_settings():\n"
        "    print([get_gdal_config(k) for k in ('GDAL_VRT_ENABLE_PYTHON', 'GDAL_PAM_ENABLED', 'GDAL_CACHEMAX')])\n"
    )
    hostile = {
        "GDAL_VRT_ENABLE_PYTHON": "YES",
        "GDAL_PAM_ENABLED": "YES",
        "GDAL_CACHEMAX": "9",
        "GDAL_DISABLE_READDIR_ON_OPEN": "FALSE",
    }
    ran = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), os.path.dirname(os.path.dirname(__file__))],
        env={**os.environ, **hostile},
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stdout.splitlines() == ["[[1.0, 2.0, 3.0]]", f"['NO', 'NO', {40 * 2**20}]"]
