"""Whole tiles of plain bytes, where no decoder notices a change: a fault of the host is an error or is made good."""

from __future__ import annotations

import json

import numpy as np
import pytest
import rasterio

from underoak.base import crs as _crs
from underoak.base.errors import UnderoakError
from underoak.plan import load_plan
from underoak.sources.gather.gather import gather

from local_host import IGH, PLACE, local_catalogue, soil_tile

DATA = "/files.isric.org/soilgrids/latest/data/phh2o"
LIST = f"{DATA}/phh2o_5-15cm_mean.vrt"


def plan_text(root: str, extra: str = "", trust: str = "127.0.0.1") -> str:
    x, y = _crs.transformer("EPSG:4326", "EPSG:32631").transform(*PLACE)
    bounds = [round(x) - 3000, round(y) - 3000, round(x) + 3000, round(y) + 3000]
    return f"""
format: 1
title: Hills
purpose: region
species: [tuber_melanosporum]
region: {{bounds: {bounds}, crs: EPSG:32631, cell: 30 m}}
trust: {{allow_hosts: ["{trust}"]}}
layers:
  soil_ph:
    {{file: data/ph.tif, gather: {{set: soilgrids_2_0, band: phh2o/5-15cm/mean}}, unit: pH*10, method: water{extra}}}
"""


@pytest.fixture
def soil(host, tmp_path):
    """A host with one tile, its list, and a plan that wants it."""
    name, data = soil_tile(tmp_path / "tile.tif")
    host.tile = f"{DATA}/phh2o_5-15cm_mean/{name}.tif"
    host.files[host.tile] = data
    source = f'<SourceFilename relativeToVRT="1">phh2o_5-15cm_mean/{name}.tif</SourceFilename>'
    host.files[LIST] = f"<VRTDataset>{source}</VRTDataset>".encode()
    host.catalogue = local_catalogue(tmp_path / "catalogue", host.root, "soilgrids_2_0")
    (tmp_path / "plan.yaml").write_text(plan_text(host.root), encoding="utf-8")
    return host


def run(tmp_path, host, **options):
    plan = load_plan(tmp_path / "plan.yaml")
    return gather(plan, tmp_path / "store", lambda survey: True, sources=host.catalogue, **options)


def test_the_cells_of_the_window_are_those_of_the_tile(soil, tmp_path):
    run(tmp_path, soil)
    with rasterio.open(tmp_path / "data" / "ph.tif") as made, rasterio.open(tmp_path / "tile.tif") as tile:
        assert made.nodata == -32768
        assert made.crs == rasterio.crs.CRS.from_string(IGH)
        col, row = ~tile.transform * (made.transform.c, made.transform.f)
        assert (col, row) == pytest.approx((round(col), round(row)), abs=1e-6)
        window = rasterio.windows.Window(round(col), round(row), made.width, made.height)
        assert np.array_equal(made.read(1), tile.read(1, window=window))
        # 6 km and a margin of 1 km and two cells on each side; the homolosine shears a square by a few cells
        assert 34 <= made.height <= 40
    record = json.loads((tmp_path / "data" / "ph.tif.provenance.json").read_text())
    (file,) = record["files"]
    assert file["address"] == soil.root + soil.tile
    assert file["length"] == len(soil.files[soil.tile])
    assert file["header"]["nodata"] == -32768
    assert record["request"]["expected"]["nodata"] == {"value": -32768, "known": "seen"}
    assert record["request"]["licence"] == "CC BY 4.0"
    assert record["tile_list"]["tiles"] == 1


def test_a_second_time_nothing_is_asked_and_offline_gives_the_same_bytes(soil, tmp_path):
    run(tmp_path, soil)
    made = tmp_path / "data" / "ph.tif"
    before, beside = made.read_bytes(), (tmp_path / "data" / "ph.tif.provenance.json").read_bytes()
    n = len(soil.requests)
    assert [each.name for each in run(tmp_path, soil).there] == ["data/ph.tif"]
    assert len(soil.requests) == n
    made.unlink()
    run(tmp_path, soil, is_offline=True)
    assert len(soil.requests) == n
    assert made.read_bytes() == before
    assert (tmp_path / "data" / "ph.tif.provenance.json").read_bytes() == beside


def test_another_plan_uses_what_was_fetched(soil, tmp_path):
    run(tmp_path, soil)
    (tmp_path / "data" / "ph.tif").unlink()
    soil.requests.clear()
    run(tmp_path, soil)
    assert [path for path, _ in soil.requests].count(soil.tile) == 1  # one read, as before: no second is needed


def test_offline_without_anything_stored_is_an_error(soil, tmp_path):
    with pytest.raises(UnderoakError, match=r"E717"):
        run(tmp_path, soil, is_offline=True)
    assert soil.requests == []
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize(
    ("mode", "every"),
    [(mode, every) for mode in ("drop", "503", "404", "429", "cut", "html") for every in (2, 3)]
    + [("zeros", 3), ("shifted", 3)],
)
def test_a_host_that_fails_now_and_then_gives_the_true_cells(soil, tmp_path, mode, every):
    run(tmp_path, soil)
    made = tmp_path / "data" / "ph.tif"
    true = made.read_bytes()
    made.unlink()
    for path in (tmp_path / "store").rglob("*"):
        if path.is_file():
            path.unlink()
    soil.requests.clear()
    soil.fault = lambda n, path, span: mode if n % every == 0 and (path != LIST or mode != "html") else ""
    run(tmp_path, soil)
    assert made.read_bytes() == true


@pytest.mark.parametrize(
    ("mode", "code"),
    [("drop", "E711"), ("503", "E711"), ("404", "E711"), ("cut", "E711"), ("html", "E711"), ("zeros", "E718")],
)
def test_a_host_that_always_fails_is_an_error_and_leaves_no_file(soil, tmp_path, mode, code):
    soil.fault = lambda n, path, span: mode if path == soil.tile else ""
    with pytest.raises(UnderoakError, match=code):
        run(tmp_path, soil)
    assert not (tmp_path / "data").exists()


def test_bytes_that_change_at_every_read_are_an_error(soil, tmp_path):
    modes = ["", "zeros", "shifted"]
    soil.fault = lambda n, path, span: modes[n % 3] if path == soil.tile else ""
    with pytest.raises(UnderoakError, match=r"E713"):
        run(tmp_path, soil)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"nodata": -9999}, r"nodata -9999\.0, and the catalogue -32768\.0 \(seen\)"),
        ({"nodata": None}, "nodata none, and the catalogue -32768"),
        ({"compress": "deflate"}, r"compression deflate, and the catalogue none \(derived\)"),
        ({"tiled": True, "blockxsize": 256, "blockysize": 256}, "layout tiled, and the catalogue striped"),
        ({"scales": (0.1, 0.0)}, "scale 0.1, and the catalogue none"),
        ({"cell": 500.0}, "a cell of 500 x 500, and the catalogue"),
        ({"left": -20037500.0}, "outside the ground of the tile"),
    ],
)
def test_a_header_that_differs_from_the_catalogue_stops_with_both(soil, tmp_path, changes, words):
    soil.files[soil.tile] = soil_tile(tmp_path / "other.tif", **changes)[1]
    with pytest.raises(UnderoakError, match=r"E714 .*" + words):
        run(tmp_path, soil)
    assert not (tmp_path / "data").exists()


def test_a_tile_is_absent_only_by_the_sets_own_list(soil, tmp_path):
    del soil.files[soil.tile]
    with pytest.raises(UnderoakError, match=r"E711 .*status 404"):
        run(tmp_path, soil)
    other = b'<SourceFilename relativeToVRT="1">a/tileSG-001-001/tileSG-001-001_1-1.tif</SourceFilename>'
    soil.files[LIST] = other
    with pytest.raises(UnderoakError, match=r"E716 .*by its own list"):
        run(tmp_path, soil)
    soil.files[LIST] = b"<html>sorry</html>"
    with pytest.raises(UnderoakError, match=r"E716 .*names none"):
        run(tmp_path, soil)


def test_a_file_that_was_not_gathered_is_never_written_over(soil, tmp_path):
    (tmp_path / "data").mkdir()
    mine = tmp_path / "data" / "ph.tif"
    mine.write_bytes(b"mine")
    with pytest.raises(UnderoakError, match=r"E306"):
        run(tmp_path, soil)
    assert mine.read_bytes() == b"mine"
    assert soil.requests == []


def test_a_private_host_is_asked_only_if_the_plan_trusts_it(soil, tmp_path):
    (tmp_path / "plan.yaml").write_text(plan_text(soil.root, trust="192.168.7.7"), encoding="utf-8")
    with pytest.raises(UnderoakError, match=r"E715"):
        run(tmp_path, soil)
    assert soil.requests == []


@pytest.mark.parametrize(
    "to", ["http://example.org/x.tif", "http://127.0.0.1:1/x.tif", "file:///etc/passwd", "//localhost/x"]
)
def test_a_redirect_to_another_host_is_refused(soil, tmp_path, to):
    soil.fault = lambda n, path, span: f"redirect {to}" if path == soil.tile else ""
    with pytest.raises(UnderoakError, match=r"E715"):
        run(tmp_path, soil)


def test_a_redirect_within_the_host_is_followed(soil, tmp_path):
    moved = soil.tile + ".moved"
    soil.files[moved] = soil.files[soil.tile]
    soil.fault = lambda n, path, span: f"redirect {moved}" if path == soil.tile else ""
    run(tmp_path, soil)
    assert (tmp_path / "data" / "ph.tif").exists()


def test_what_was_stored_and_is_damaged_is_fetched_again(soil, tmp_path):
    run(tmp_path, soil)
    made = tmp_path / "data" / "ph.tif"
    true = made.read_bytes()
    made.unlink()
    for blob in (tmp_path / "store" / "blobs").rglob("*"):
        if blob.is_file():
            blob.write_bytes(blob.read_bytes()[:-1])
    run(tmp_path, soil)
    assert made.read_bytes() == true


def test_units_and_files_are_checked_before_anything_is_asked(soil, tmp_path):
    text = plan_text(soil.root)
    for old, new, code in (
        ("unit: pH*10", "unit: pH", "E381"),
        ("phh2o/5-15cm/mean", "phh2o/5-15cm/median", "E380"),
        ("soilgrids_2_0", "wdpa", "E381"),
        ("data/ph.tif", "../ph.tif", "E241"),
    ):
        (tmp_path / "plan.yaml").write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(UnderoakError, match=code):
            run(tmp_path, soil)
    assert soil.requests == []
