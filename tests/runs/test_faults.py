"""Wrong input is told once, in plain words, with code, place and mend; nothing is left half-written."""

import json
import os
import platform
import re
import shutil

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
import yaml
from click.testing import CliRunner

from underoak.cli import main
from underoak.runs.finished_run import Run

from noise import LEFT, TOP, write_raster, write_shapes


@pytest.fixture(scope="module")
def plain(small, tmp_path_factory):
    """The command's result for the small country as it is, and the run folder."""
    plan, folder = small
    place = tmp_path_factory.mktemp("plain")
    shutil.copytree(folder, place / "data")
    return told(plan, place / "data", "--out", str(place / "out")), place / "out"


def told(plan, folder, *options, verb="run"):
    path = folder / "plan.yaml"
    path.write_text(yaml.safe_dump(plan, sort_keys=False) if isinstance(plan, dict) else plan, encoding="utf-8")
    result = CliRunner().invoke(
        main, [verb, str(path), "--progress", "none", *options] if verb == "run" else [verb, str(path)]
    )
    assert "Traceback" not in result.output
    return result


def values(folder, name):
    with rasterio.open(folder / name) as source:
        return source.read(1), source.crs, source.transform[:6]


def no_crs(plan, folder):
    cells, _, transform = values(folder, "ph.tif")
    write_raster(folder / "ph.tif", cells, None, transform, nodata=-32768)


def local_crs(plan, folder):
    cells, _, transform = values(folder, "ph.tif")
    write_raster(folder / "ph.tif", cells, 'LOCAL_CS["site grid",UNIT["metre",1]]', transform, nodata=-32768)


def ph_times_ten(plan, folder):
    plan["layers"]["soil_ph"]["unit"] = "pH"


def no_unit(plan, folder):
    del plan["layers"]["soil_ph"]["unit"]


def undeclared_nodata(plan, folder):
    cells, crs, transform = values(folder, "ph.tif")
    write_raster(folder / "ph.tif", cells, crs, transform)


def kelvin(plan, folder):
    cells = np.full((40, 40), 285.0, np.float32)
    write_raster(folder / "t.tif", cells, "EPSG:25831", (100, 0, LEFT - 100, 0, -100, TOP + 100))
    plan["layers"]["warmth"] = {"file": "t.tif", "unit": "degC"}
    plan["criteria"]["warmth"] = {"layer": "warmth", "curve": {"shape": "ramp_up", "at": [5, 15]}, "source": "a test"}
    plan["weights"] = {"ranked": [*plan["criteria"]]}


def scaled_twice(plan, folder):
    cells, crs, transform = values(folder, "ph.tif")
    write_raster(folder / "ph.tif", cells, crs, transform, nodata=-32768)
    with rasterio.open(folder / "ph.tif", "r+") as made:
        made.scales = (0.1,)
    plan["layers"]["soil_ph"] |= {"unit": "pH", "scale": 0.1}


def elsewhere(plan, folder):
    cells, crs, transform = values(folder, "ph.tif")
    write_raster(
        folder / "ph.tif", cells, crs, (*transform[:2], transform[2] + 2_000_000, *transform[3:]), nodata=-32768
    )


def truncated(plan, folder):
    data = (folder / "dem.tif").read_bytes()
    (folder / "dem.tif").write_bytes(data[: len(data) // 2])


def not_there(plan, folder):
    (folder / "cover.tif").rename(folder / "covers.tif")


def remote(plan, folder):
    plan["layers"]["cover"]["file"] = "https://example.org/cover.tif"


def mosaic_with_code(plan, folder):
    (folder / "ph.vrt").write_text(
        '<VRTDataset rasterXSize="10" rasterYSize="10"><VRTRasterBand dataType="Byte" band="1" '
        'subClass="VRTDerivedRasterBand"><PixelFunctionType>f</PixelFunctionType><PixelFunctionLanguage>Python'
        "</PixelFunctionLanguage></VRTRasterBand></VRTDataset>"
    )
    plan["layers"]["soil_ph"]["file"] = "ph.vrt"


def pipe(plan, folder):
    os.remove(folder / "cover.tif")
    os.mkfifo(folder / "cover.tif")


def averaged_classes(plan, folder):
    plan["layers"]["cover"]["resample"] = "bilinear"


def typo(plan, folder):
    plan["wieghts"] = plan.pop("weights")


def degrees(plan, folder):
    plan["region"] = {"bounds": [2.0, 41.5, 2.1, 41.6], "crs": "EPSG:4326", "cell": "0.001 degree"}


def too_large(plan, folder):
    plan["trust"] = {"max_cells": 1000}


def bow_tie(plan, folder):
    x, y = LEFT + 500, TOP - 500
    tie = shapely.Polygon([(x, y), (x + 300, y + 300), (x + 300, y), (x, y + 250)])
    write_shapes(folder / "fields.gpkg", [tie], "EPSG:25831", name=["tie"])


def same_id(plan, folder):
    frame = gpd.read_file(folder / "fields.gpkg")
    frame.loc[5, "name"] = frame.loc[2, "name"]
    frame.to_file(folder / "fields.gpkg", engine="pyogrio")


def no_such_field(plan, folder):
    plan["parcels"]["id"] = "nmae"


def no_parcels(plan, folder):
    frame = gpd.read_file(folder / "fields.gpkg")
    os.remove(folder / "fields.gpkg")
    frame.iloc[:0].to_file(folder / "fields.gpkg", engine="pyogrio")


def blank(plan, folder):
    cells, crs, transform = values(folder, "cover.tif")
    write_raster(folder / "cover.tif", np.zeros_like(cells), crs, transform, nodata=0)
    plan["constraints"] = []


def no_outline(plan, folder):
    plan["region"] = {"area": "regoin.gpkg", "crs": "EPSG:25831", "cell": "30 m"}


FAULTS = [
    (no_crs, "E201", 4, "soil_ph"),
    (local_crs, "E202", 4, "soil_ph"),
    (ph_times_ten, "E204", 4, "soil_ph"),
    (kelvin, "E204", 4, "warmth"),
    (degrees, "E205", 4, "region"),
    (no_unit, "E209", 4, "soil_ph"),
    (undeclared_nodata, "E210", 4, "soil_ph"),
    (scaled_twice, "E214", 4, "soil_ph"),
    (elsewhere, "E220", 5, "soil_ph"),
    (averaged_classes, "E226", 4, "cover"),
    (blank, "E250", 5, "cover"),
    (truncated, "E230", 4, "elevation"),
    (mosaic_with_code, "E240", 4, "soil_ph"),
    (remote, "E242", 4, "cover"),
    (pipe, "E245", 4, "cover"),
    (not_there, "E246", 4, "cover"),
    (no_outline, "E246", 4, "region"),
    (typo, "E303", 3, "wieghts"),
    (no_parcels, "E401", 5, "parcels"),
    (bow_tie, "E402", 4, "parcels"),
    (same_id, "E403", 4, "parcels"),
    (no_such_field, "E406", 4, "parcels"),
    (too_large, "E510", 7, "region"),
]


@pytest.mark.parametrize(("spoil", "code", "exit_code", "place"), FAULTS, ids=[f[0].__name__ for f in FAULTS])
def test_each_fault_has_its_code_place_mend_and_exit_code(case, spoil, code, exit_code, place):
    plan, folder = case
    spoil(plan, folder)
    result = told(plan, folder)
    line = next((line for line in result.stderr.splitlines() if line.startswith(code)), None)
    assert line is not None, result.output
    assert place in line
    assert "Fix: " in line
    assert result.exit_code == exit_code, result.output
    left = [p.name for p in (folder / "out").iterdir()] if (folder / "out").exists() else []
    assert left == []


def test_the_small_country_itself_has_no_fault(plain):
    result, _ = plain
    assert result.exit_code == 0, result.output
    assert "rank" in result.stdout


def test_many_faults_are_told_in_one_go(case):
    plan, folder = case
    for spoil in (no_unit, undeclared_nodata, not_there, remote):
        spoil(plan, folder)
    plan["layers"]["dem2"] = {"file": "nothing.tif", "unit": "m"}
    codes = re.findall(r"^(E\d+)", told(plan, folder).stderr, re.M)
    assert {"E209", "E242", "E246"} <= set(codes)
    assert len(codes) >= 3


def test_check_finds_what_run_finds_and_computes_nothing(case):
    plan, folder = case
    undeclared_nodata(plan, folder)
    result = told(plan, folder, verb="check")
    assert result.exit_code == 4
    assert "E210" in result.stderr
    assert not (folder / "out").exists()


def test_check_tells_grid_layers_and_needs(case):
    result = told(*case, verb="check")
    assert result.exit_code == 0, result.output
    for words in ("91 x 110 cells of 30 m", "soil_ph", "needs", "Next: underoak run"):
        assert words in result.stdout


def test_a_folder_that_cannot_be_written_is_told_before_computing(case):
    plan, folder = case
    (folder / "file").write_text("in the way")
    result = told(plan, folder, "--out", str(folder / "file" / "out"))
    assert result.exit_code == 7
    assert "E502" in result.stderr


def test_a_second_run_in_the_same_folder_is_refused_and_the_lock_of_a_dead_process_is_taken_over(case):
    from underoak.engine.storage.run_folder import RunFolder

    plan, folder = case
    with RunFolder(folder / "out"):
        result = told(plan, folder)
        assert result.exit_code == 9
        assert "E605" in result.stderr
    (folder / "out" / ".underoak").mkdir(parents=True, exist_ok=True)
    dead = {"pid": 2**22 + 1, "host": platform.node(), "boot": "an earlier one", "since": "yesterday"}
    (folder / "out" / ".underoak" / "lock").write_text(json.dumps(dead))
    assert told(plan, folder).exit_code == 0
    assert not (folder / "out" / ".underoak").exists()


def test_a_failed_run_leaves_the_old_results_whole(case, plain):
    plan, folder = case
    shutil.copytree(plain[1], folder / "out")
    before = {p.name: p.read_bytes() for p in (folder / "out").iterdir()}
    truncated(plan, folder)
    assert told(plan, folder).exit_code == 4
    assert {p.name: p.read_bytes() for p in (folder / "out").iterdir()} == before


def test_names_from_files_cannot_forge_lines_or_move_the_cursor(case):
    plan, folder = case
    plan["title"] = "a title"
    frame = gpd.read_file(folder / "fields.gpkg")
    frame.loc[0, "name"] = "\x1b]0;owned\x07\nE999 forged\u202eon\x9b31m\u2028"
    frame.loc[1, "name"] = "</td><script>alert(1)</script>"
    frame.loc[2, "name"] = "=1+1"
    frame.to_file(folder / "fields.gpkg", engine="pyogrio")
    result = told(plan, folder)
    assert result.exit_code == 0, result.output
    frame = pd.read_csv(folder / "out" / "parcels.csv")
    (written,) = frame["id"][frame["id"].str.contains("E999")]
    explained = CliRunner().invoke(main, ["explain", str(folder / "out"), "--parcel", written])
    assert explained.exit_code == 0, explained.stderr
    page = (folder / "out" / "report.html").read_text(encoding="utf-8")
    for text in (result.output, explained.output, page, (folder / "out" / "parcels.csv").read_text(encoding="utf-8")):
        assert not re.search("[\x1b\x07\x9b\u202e\u2028]", text)
        assert not re.search(r"^E999", text, re.MULTILINE)
    assert "<script" not in page
    assert "'=1+1" in (folder / "out" / "parcels.csv").read_text(encoding="utf-8")


def test_missing_files_of_every_kind_are_told_together(case):
    plan, folder = case
    plan["layers"]["cover"]["file"] = "no_cover.tif"
    plan["constraints"][0]["file"] = "no_built.gpkg"
    plan["parcels"]["file"] = "no_fields.gpkg"
    plan["region"] = {"area": "no_region.gpkg", "crs": "EPSG:25831", "cell": "30 m"}
    told_of = told(plan, folder).stderr
    for name in ("no_cover.tif", "no_built.gpkg", "no_fields.gpkg", "no_region.gpkg"):
        assert name in told_of


@pytest.mark.parametrize("name", ["our land 100%20", "a;b!c.zip!", "Überjäger #1?", "n" * 200 + "/" + "m" * 250])
def test_plans_inputs_and_run_folders_may_be_called_anything(case, plain, tmp_path, name):
    plan, folder = case
    plainly, plain_folder = plain
    odd = tmp_path / name
    odd.parent.mkdir(parents=True, exist_ok=True)
    folder.rename(odd)
    result = told(plan, odd, "--out", str(odd / "run 100%25"))
    assert (result.exit_code, result.stdout) == (0, plainly.stdout)
    found, other = Run.open(odd / "run 100%25"), Run.open(plain_folder)
    assert found.parcels.equals(other.parcels)
    assert np.array_equal(found.dataset["class"], other.dataset["class"])
    for file in ("suitability.tif", "parcels.gpkg", "parcels.csv"):
        assert (found.folder / file).read_bytes() == (other.folder / file).read_bytes()


FOREIGN = ["suitability.tif", "parcels.csv", "report.html", "run.json", "map.png", "legend.sld"]


@pytest.mark.parametrize("name", FOREIGN)
def test_a_file_in_the_run_folder_that_no_run_has_made_is_never_written_over(case, name):
    plan, folder = case
    (folder / "out").mkdir()
    (folder / "out" / name).write_text("my own")
    result = told(plan, folder)
    assert result.exit_code == 3, result.output
    assert re.search(rf"^E306 .*{re.escape(name)}.*Fix: ", result.stderr, re.M)
    assert "Saved:" not in result.stderr  # nothing was computed before it was seen
    assert [path.name for path in (folder / "out").iterdir()] == [name]
    assert (folder / "out" / name).read_text() == "my own"
    checked = CliRunner().invoke(main, ["check", str(folder / "plan.yaml")])
    assert (checked.exit_code, "E306" in checked.stderr) == (3, True)


def test_an_input_is_never_written_over_by_a_result_of_its_name(case):
    plan, folder = case
    (folder / "fields.gpkg").rename(folder / "parcels.gpkg")
    plan["parcels"]["file"] = "parcels.gpkg"
    before = (folder / "parcels.gpkg").read_bytes()
    result = told(plan, folder, "--out", str(folder))
    assert result.exit_code == 3
    assert "parcels.gpkg" in result.stderr
    assert (folder / "parcels.gpkg").read_bytes() == before


def test_a_file_of_ones_own_beside_results_is_not_written_over_by_the_next_run(case):
    plan, folder = case
    plan.pop("zones", None)
    (folder / "out").mkdir()
    (folder / "out" / "zones.gpkg").write_text("my own")
    (folder / "out" / "notes.txt").write_text("my own")
    assert told(plan, folder).exit_code == 0
    plan["zones"] = {"at_least": "S3", "min_area": "0.1 ha"}
    result = told(plan, folder)
    assert result.exit_code == 3
    assert "zones.gpkg" in result.stderr
    assert (folder / "out" / "zones.gpkg").read_text() == "my own"
    (folder / "out" / "zones.gpkg").unlink()
    assert told(plan, folder).exit_code == 0
    assert (folder / "out" / "notes.txt").read_text() == "my own"


def test_a_distance_to_a_class_that_is_not_there_is_told_and_strict_stops_at_it(case):
    plan, folder = case
    plan["layers"]["wood"] = {"from": "cover", "derive": "distance", "codes": [77], "within": "300 m"}
    ramp = {"shape": "ramp_up", "at": [30, 200]}
    plan["criteria"]["wood"] = {"layer": "wood", "curve": ramp, "source": "a test"}
    plan["weights"] = {"ranked": [*plan["criteria"]]}
    result = told(plan, folder)
    assert result.exit_code == 0, result.output
    assert "W217 wood" in json.loads((folder / "out" / "run.json").read_text())["warnings"][0]
    assert "class code 77 does not occur in or near the region" in told(plan, folder, verb="check").output
    assert told(plan, folder, "--strict").exit_code == 4
