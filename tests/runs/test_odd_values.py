"""Values that lie: counted and located in a run, and a scenario that fails alone."""

import json
import re
import shutil

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import yaml
from click.testing import CliRunner

import underoak as uo
from underoak.cli import main
from underoak.runs.check import check

RNG = np.random.default_rng(211)


def change(path, out, function):
    """Write a raster again with other values, which are not missing ones."""
    with rasterio.open(path) as source:
        values, profile = source.read(1), source.profile
    is_valid = values != profile["nodata"]
    with rasterio.open(out, "w", **profile) as target:
        target.write(np.where(is_valid, function(values), values).astype(values.dtype), 1)


def command(verb, plan, folder, *options):
    path = folder / "plan.yaml"
    path.write_text(yaml.safe_dump(plan, sort_keys=False), encoding="utf-8")
    result = CliRunner().invoke(main, [verb, str(path), *options])
    assert "Traceback" not in result.output
    return result


def with_scenarios(plan, folder):
    """A good scenario, and one whose heights are written in tenths of a millimetre."""
    change(folder / "dem.tif", folder / "dem_good.tif", lambda v: v + 30)
    change(folder / "dem.tif", folder / "dem_bad.tif", lambda v: v * 10_000)
    plan["scenarios"] = [
        {"name": "good", "replace": {"elevation": "dem_good.tif"}},
        {"name": "bad", "replace": {"elevation": "dem_bad.tif"}},
    ]
    return plan


@pytest.fixture(scope="module")
def outcome(small, tmp_path_factory):
    folder = tmp_path_factory.mktemp("scenarios") / "data"
    shutil.copytree(small[1], folder)
    plan = with_scenarios(json.loads(json.dumps(small[0])), folder)
    return command("run", plan, folder, "--progress", "none", "--out", str(folder / "out")), plan, folder


class TestScenarios:
    def test_a_bad_scenario_stops_itself_and_nothing_else(self, outcome):
        result, _, folder = outcome
        assert result.exit_code == 4, result.output
        assert (folder / "out" / "present" / "suitability.tif").exists()
        assert (folder / "out" / "scenarios" / "good" / "suitability.tif").exists()
        assert not (folder / "out" / "scenarios" / "bad").exists()

    def test_it_is_named_on_the_terminal_in_the_manifest_and_in_the_report(self, outcome):
        result, _, folder = outcome
        assert re.search(r"^E204 scenario bad, elevation \(dem_bad.tif\): ", result.stderr, re.M)
        assert re.search(r'^W437 scenarios: the scenario "bad" is not judged', result.stderr, re.M)
        manifest = json.loads((folder / "out" / "run.json").read_text())
        (failed,) = manifest["failed_scenarios"]
        assert failed["name"] == "bad"
        assert failed["exit_code"] == 4
        assert failed["faults"][0].startswith("E204 scenario bad, elevation")
        assert [each["name"] for each in manifest["plan"]["scenarios"]] == ["good"]
        for report in (folder / "out" / "report.html", folder / "out" / "present" / "report.html"):
            assert "The scenario" in report.read_text() or "scenario &#34;bad&#34; is not judged" in report.read_text()

    def test_all_else_is_as_without_it(self, outcome, tmp_path):
        _, plan, folder = outcome
        alone = {**plan, "scenarios": [plan["scenarios"][0]]}
        run = uo.run(uo.load_plan(alone, base=folder), out=tmp_path / "alone")
        assert run.failed_scenarios == ()
        for name in ("present/suitability.tif", "scenarios/good/class.tif", "share_of_futures.tif", "futures.csv"):
            assert (folder / "out" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes(), name

    def test_check_reports_it_as_an_error(self, outcome):
        _, plan, folder = outcome
        result = command("check", plan, folder)
        assert result.exit_code == 4
        assert "E204 scenario bad, elevation" in result.stderr

    def test_strict_stops_at_it(self, outcome, tmp_path):
        _, plan, folder = outcome
        result = command("run", plan, folder, "--progress", "none", "--strict", "--out", str(tmp_path / "out"))
        assert result.exit_code == 4
        assert not (tmp_path / "out" / "run.json").exists()

    def test_a_scenario_whose_file_is_not_there_fails_alone_even_if_it_is_the_only_one(self, case):
        plan, folder = case
        plan["scenarios"] = [{"name": "dry", "replace": {"elevation": "nowhere.tif"}}]
        run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
        assert [failed.name for failed in run.failed_scenarios] == ["dry"]
        assert run.failed_scenarios[0].faults[0].startswith("E246 scenario dry, elevation (nowhere.tif)")
        assert [each.folder for each in run.manifest.cases] == ["present"]

    def test_what_the_present_has_too_stops_all(self, case):
        plan, folder = case
        plan = with_scenarios(plan, folder)
        plan["layers"]["soil_ph"]["unit"] = "pH"
        with pytest.raises(uo.UnderoakError) as error:
            uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
        codes = [(fault.code, fault.where) for fault in error.value.faults]
        assert codes == [("E204", "soil_ph (ph.tif)"), ("E204", "scenario bad, elevation (dem_bad.tif)")]


def stray(plan, folder, n):
    """Put impossible heights where no sample of an ordinary check looks."""
    with rasterio.open(folder / "dem.tif") as source:
        values, profile = source.read(1), source.profile
    values = np.tile(values, (8, 8))  # a larger file, so that a sample leaves gaps
    a, b, c, d, e, f = tuple(profile["transform"])[:6]
    profile |= {"height": values.shape[0], "width": values.shape[1]}
    profile["transform"] = rasterio.Affine(a / 8, b, c, d, e / 8, f)
    gap_row, gap_col = 250, 250  # between two of the windows of 64 cells that are sampled
    values[gap_row, gap_col : gap_col + n] = 25_000
    with rasterio.open(folder / "dem.tif", "w", **profile) as target:
        target.write(values, 1)


def test_values_that_no_sample_met_are_counted_and_located_after_the_run(case):
    plan, folder = case
    n = int(RNG.integers(2, 9))
    stray(plan, folder, n)
    lines = check(uo.load_plan(plan, base=folder))
    assert not any("W204" in line for line in lines)
    deep = [line for line in check(uo.load_plan(plan, base=folder), deep=True) if "W204" in line]
    assert len(deep) == 1
    assert f"W204 elevation (dem.tif): {n} of " in deep[0]
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
    assert [line for line in run.manifest.warnings if line.startswith("W204")] == deep  # the same words


def test_a_curve_in_another_unit_is_told_by_check_and_by_the_run(case):
    plan, folder = case
    plan["criteria"]["height"] = {
        "layer": "elevation", "curve": {"shape": "ramp_up", "at": [9, 17]}, "source": "a test"
    }  # fmt: skip
    lines = [line for line in check(uo.load_plan(plan, base=folder)) if "W436" in line]
    assert len(lines) == 1
    assert "height (1.00, values " in lines[0]
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
    assert [line for line in run.manifest.warnings if "W436" in line] == lines


def test_a_membership_that_is_the_same_on_all_judged_land_is_told_after_the_run(case):
    plan, folder = case
    with rasterio.open(folder / "cover.tif") as source:
        codes = [int(code) for code in np.unique(source.read(1)) if code]
    # class codes are not sampled for this, but all judged land shows it
    of = dict.fromkeys(codes, 0.5)
    plan["criteria"]["cover"]["curve"] = {"shape": "table", "of": of}
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
    lines = [line for line in run.manifest.warnings if "W436" in line]
    assert len(lines) == 1
    assert "all judged land has the same membership by cover (0.50)" in lines[0]
    of[codes[0]] = 0.6
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
    assert not [line for line in run.manifest.warnings if "W436" in line]


def with_checked_unit(plan, corners, unit):
    plan["layers"]["elevation"]["to"] = unit
    plan["criteria"]["height"] = {
        "layer": "elevation", "curve": {"shape": "ramp_up", "at": corners}, "source": "a test"
    }  # fmt: skip


def test_land_that_fully_meets_a_criterion_of_a_checked_unit_is_told_and_stops_no_strict_run(case):
    """The land lies at some 500 m."""
    plan, folder = case
    plan.pop("parcels")  # they overlap, which a strict run stops at
    with_checked_unit(plan, [int(RNG.integers(20, 60)), int(RNG.integers(100, 200))], "m")
    lines = [line for line in check(uo.load_plan(plan, base=folder), strict=True) if "W43" in line]
    assert len(lines) == 1
    assert lines[0].startswith("W438 criteria: all land, as far as the sampled values say, fully meets height (1.00, ")
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out", strict=True)
    assert [line for line in run.manifest.warnings if "W43" in line] == lines


def test_land_that_fails_a_criterion_everywhere_stops_a_strict_run(case):
    plan, folder = case
    plan.pop("parcels")
    with_checked_unit(plan, [5000, 6000], "m")
    with pytest.raises(uo.UnderoakError, match=r"W436 .* height .0.00, "):
        check(uo.load_plan(plan, base=folder), strict=True)


def test_one_file_that_feeds_two_layers_in_a_wrong_unit_is_told_once(case):
    plan, folder = case
    plan["layers"]["soil_ph"]["unit"] = "pH"
    plan["layers"]["again"] = {"file": "ph.tif", "unit": "pH", "valid": [3, 10]}
    with pytest.raises(uo.UnderoakError) as error:
        check(uo.load_plan(plan, base=folder))
    (fault,) = error.value.faults
    assert fault.code == "E204"
    assert fault.where == "soil_ph, again (ph.tif)"
    assert "layers.soil_ph and layers.again" in fault.fix


def test_faults_of_files_values_and_parcels_are_told_in_one_round(case):
    plan, folder = case
    plan["layers"]["soil_ph"]["unit"] = "pH"
    plan["layers"]["elevation"]["file"] = "nothing.tif"
    plan["parcels"]["id"] = "nmae"
    with pytest.raises(uo.UnderoakError) as error:
        check(uo.load_plan(plan, base=folder))
    assert [fault.code for fault in error.value.faults] == ["E246", "E204", "E406"]


def test_check_tells_of_parcels_that_overlap(case):
    plan, folder = case
    fields = gpd.read_file(folder / "fields.gpkg")
    twice = pd.concat([fields, fields.iloc[[3]].assign(name="again")])
    twice.to_file(folder / "fields.gpkg", engine="pyogrio")
    (line,) = [line for line in check(uo.load_plan(plan, base=folder)) if "W430" in line]
    assert "again" in line
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
    assert [each for each in run.manifest.warnings if "W430" in each] == [line]


def test_a_scenario_whose_values_turn_out_wrong_when_all_land_is_judged_is_left_out(case):
    plan, folder = case
    stray(plan, folder, 0)  # a finer file, in which a sample leaves gaps
    side = int(RNG.integers(30, 50))

    def spoil(values):
        values = values.copy()
        values[240 : 240 + side, 240 : 240 + side] = 25_000
        return values

    change(folder / "dem.tif", folder / "dem_bad.tif", spoil)
    plan["scenarios"] = [{"name": "bad", "replace": {"elevation": "dem_bad.tif"}}]
    check(uo.load_plan(plan, base=folder))  # no sample meets them
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
    (failed,) = run.failed_scenarios
    assert failed.name == "bad"
    assert failed.faults[0].startswith("E204 scenario bad, elevation (dem_bad.tif): ")
    assert [each.folder for each in run.manifest.cases] == ["present"]
    alone = uo.run(uo.load_plan({**plan, "scenarios": []}, base=folder), out=folder / "alone")
    classes = []
    for path in (folder / "out" / "present" / "class.tif", alone.folder / "class.tif"):
        with rasterio.open(path) as source:
            classes.append(source.read(1))
    np.testing.assert_array_equal(*classes)


def test_faults_of_layers_and_of_the_lab_file_are_told_in_one_round(case):
    plan, folder = case
    plan["layers"] = {"soil_ph": {**plan["layers"]["soil_ph"], "unit": "pH"}}  # ten times what it is
    plan["criteria"] = {"ph": plan["criteria"]["ph"]}
    plan["constraints"], plan["weights"] = plan["constraints"][:1], {"direct": {"ph": 1}}
    (folder / "lab.csv").write_text("parcel,property,value,unit\nf03,soil_ph,seven,pH\nnone,soil_ph,7.1,pH\n")
    plan["lab"] = {"file": "lab.csv", "mode": "update"}
    with pytest.raises(uo.UnderoakError) as error:
        check(uo.load_plan(plan, base=folder))
    assert {"E204", "E412", "E413"} <= {fault.code for fault in error.value.faults}
