from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from underoak.base.errors import Problems, UnderoakError
from underoak.layers.files import Trust, input_path, is_remote
from underoak.layers.formats.open import open_source

from layer_builders import codes, opened, whole, write_tif

ONES = np.ones((4, 4), np.int16)


def test_a_missing_file_gets_the_nearest_name(tmp_path):
    write_tif(tmp_path / "soil_ph.tif", ONES)
    source, problems = opened(tmp_path, "soil_hp.tif", unit="pH")
    assert source is None
    assert codes(problems) == ["E246"]
    assert problems.faults[0].where == "soil_ph (soil_hp.tif)"
    assert '"soil_ph.tif"' in problems.faults[0].fix


def test_a_missing_folder_is_said_to_be_missing(tmp_path):
    _, problems = opened(tmp_path, "no/such/x.tif", unit="pH")
    assert codes(problems) == ["E246"]
    assert "folder" in problems.faults[0].fix


@pytest.mark.parametrize("name", ["x.tif", "x.vrt", "x.nc"])
def test_a_pipe_does_not_hang(tmp_path, name):
    os.mkfifo(tmp_path / name)
    assert codes(opened(tmp_path, name, unit="pH")[1]) == ["E245"]


@pytest.mark.parametrize("name", ["x.tif", "x.vrt", "x.nc"])
def test_a_folder_is_no_file(tmp_path, name):
    (tmp_path / name).mkdir()
    assert codes(opened(tmp_path, name, unit="pH")[1]) == ["E245"]


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="needs a device")
def test_a_device_is_no_file(tmp_path):
    (tmp_path / "x.tif").symlink_to("/dev/zero")
    assert codes(opened(tmp_path, "x.tif", unit="pH")[1]) == ["E245"]


def test_a_link_the_plan_names_itself_may_lead_anywhere(tmp_path):
    (tmp_path / "plan").mkdir()
    (tmp_path / "data").mkdir()
    write_tif(tmp_path / "data" / "blob", ONES)
    (tmp_path / "plan" / "x.tif").symlink_to("../data/blob")
    source, problems = opened(tmp_path / "plan", "x.tif", unit="mm")
    assert not codes(problems)
    assert (whole(source) == 1).all()
    assert source.facts.path == str(tmp_path / "data" / "blob")


def test_a_link_that_leads_nowhere_or_in_a_circle_is_told(tmp_path):
    (tmp_path / "a.tif").symlink_to("gone.tif")
    (tmp_path / "b.tif").symlink_to("c.tif")
    (tmp_path / "c.tif").symlink_to("b.tif")
    assert codes(opened(tmp_path, "a.tif", unit="mm")[1]) == ["E246"]
    assert codes(opened(tmp_path, "b.tif", unit="mm")[1]) == ["E246"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_told(tmp_path):
    write_tif(tmp_path / "x.tif", ONES).chmod(0)
    assert codes(opened(tmp_path, "x.tif", unit="mm")[1]) == ["E246"]


@pytest.mark.parametrize(("name", "fix"), [("x.tfi", '".tif"'), ("x.csv", ".zarr"), ("x", ".tif")])
def test_other_endings_are_refused_with_those_that_are_read(tmp_path, name, fix):
    (tmp_path / name).write_text("x")
    _, problems = opened(tmp_path, name, unit="pH")
    assert codes(problems) == ["E247"]
    assert fix in problems.faults[0].fix


def test_endings_may_be_written_large(tmp_path):
    write_tif(tmp_path / "x.TIF", ONES)
    assert not codes(opened(tmp_path, "x.TIF", unit="mm")[1])


def test_what_a_name_ends_in_decides_and_not_what_is_inside(tmp_path):
    write_tif(tmp_path / "x.nc", ONES)
    assert codes(opened(tmp_path, "x.nc", unit="mm")[1]) == ["E230"]
    (tmp_path / "y.tif").write_text("<VRTDataset rasterXSize='1' rasterYSize='1'></VRTDataset>")
    assert codes(opened(tmp_path, "y.tif", unit="mm")[1]) == ["E230"]


def test_one_layers_fault_does_not_hide_anothers(tmp_path):
    write_tif(tmp_path / "a.tif", ONES, crs=None)
    write_tif(tmp_path / "b.tif", ONES)
    problems = Problems()
    layers = {"a": ("a.tif", ""), "b": ("b.tif", ""), "c": ("c.tif", "mm"), "d": ("b.tif", "mm")}
    got = {
        name: open_source(name, SimpleNamespace(file=file, unit=unit), tmp_path, None, problems)
        for name, (file, unit) in layers.items()
    }
    assert [name for name, source in got.items() if source] == ["d"]
    assert {(f.code, f.where) for f in problems.faults} == {
        ("E201", "a (a.tif)"),
        ("E209", "a (a.tif)"),
        ("E209", "b (b.tif)"),
        ("E246", "c (c.tif)"),
    }
    assert all(fault.fix for fault in problems.faults)


def test_a_name_with_control_characters_cannot_forge_a_line(tmp_path):
    _, problems = opened(tmp_path, "x\n\x1b[2JE000 all is well.tif", unit="mm")
    assert codes(problems) == ["E246"]
    assert "\n" not in str(problems.faults[0])
    assert "\x1b" not in str(problems.faults[0])


def test_a_nul_in_a_name_is_told(tmp_path):
    with pytest.raises(UnderoakError, match="E246"):
        input_path("x\0.tif", tmp_path, "x")


def test_trust_counts_from_the_plans_folder_and_holds_real_paths_only(tmp_path):
    (tmp_path / "plan" / "data").mkdir(parents=True)
    trust = Trust.from_plan(tmp_path / "plan", SimpleNamespace(roots=("data", "/srv/rasters"), max_cells=7))
    assert trust.max_cells == 7
    assert trust.contains(str(tmp_path / "plan" / "data" / "x.tif"))
    assert trust.contains("/srv/rasters/a/b.tif")
    assert not trust.contains("/srv/rasters2/b.tif")
    assert not trust.contains(str(tmp_path / "x.tif"))


def test_windows_paths_are_not_taken_for_addresses():
    assert not is_remote("C:\\data\\x.tif")
    assert not is_remote("C:/data/x.tif")
    assert is_remote("\\\\server\\share\\x.tif")


def test_the_door_is_light_until_something_is_opened():
    code = (
        "import sys, underoak.layers.formats.open\n"
        "print(sorted({'rasterio', 'xarray', 'h5py', 'numba', 'geopandas', 'pandas'} & set(sys.modules)))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("start", "kind"),
    [
        (b"%PDF-1.7\n", "PDF"),
        (b"PK\x03\x04", "zip"),
        (b"\n<!DOCTYPE html><html>", "web page"),
        (b'{"error": 404}', "JSON"),
    ],
)
@pytest.mark.parametrize("name", ["x.tif", "x.vrt", "x.nc"])
def test_what_is_no_raster_is_named(tmp_path, name, start, kind):
    (tmp_path / name).write_bytes(start + bytes(2000))
    source, problems = opened(tmp_path, name, unit="pH")
    assert source is None
    assert codes(problems) == ["E230"]
    assert kind in problems.faults[0].what
