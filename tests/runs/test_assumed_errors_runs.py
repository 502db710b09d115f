"""Runs of plans that state no error: what is assumed is drawn as if it were written, and printed with its source."""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pandas as pd
import pytest

import underoak as uo
from underoak.plan.profiles.published_errors import published_errors
from underoak.report.terminal.explanation import explain
from underoak.report.terminal.table import ranking
from underoak.runs.check import check

from noise import small_country

RASTERS = ["suitability.tif", "class.tif", "limiting.tif", "memberships.tif", "spread.tif"]
TABLES = ["parcels.csv", "ranks.csv"]
SEED = 20_391


@pytest.fixture(scope="module")
def land(tmp_path_factory):
    folder = tmp_path_factory.mktemp("land")
    cuts = {"S1": 0.9, "S2": 0.743, "S3": 0.3}  # the parcels lie on both sides of S2
    plan = {**small_country(folder), "purpose": "buy", "classes": cuts}
    return {**plan, "uncertainty": {"draws": 16, "seed": SEED}}, folder


def stated(plan, errors):
    layers = {name: {**layer, **errors.get(name, {})} for name, layer in plan["layers"].items()}
    return {**plan, "layers": layers}


def run_of(plan, folder, out):
    return uo.run(uo.load_plan(plan, base=folder), out=out, workers=2)


@pytest.fixture(scope="module")
def assumed(land, tmp_path_factory):
    return run_of(*land, tmp_path_factory.mktemp("assumed"))


@pytest.fixture(scope="module")
def exact(land, tmp_path_factory):
    plan, folder = land
    off = {**plan, "uncertainty": {**plan["uncertainty"], "assume": "none"}}
    return run_of(off, folder, tmp_path_factory.mktemp("exact"))


def sums(run, names):
    return {name: hashlib.sha256((run.folder / name).read_bytes()).hexdigest() for name in names}


def table(run):
    return pd.read_csv(run.folder / "parcels.csv", dtype={"id": str}).set_index("id").sort_index()


def test_the_record_names_what_was_assumed_and_what_is_not_known(assumed):
    record = json.loads((assumed.folder / "run.json").read_text(encoding="utf-8"))["views"][0]["uncertainty"]
    kinds = published_errors()
    assert {name: error["kind"] for name, error in record["assumed"].items()} == {
        "soil_ph": "soil_ph",
        "slope": "slope",
    }
    ph, slope = record["assumed"]["soil_ph"], record["assumed"]["slope"]
    assert (ph["sd"], ph["unit"], ph["grain"]) == (0.67, "pH", "250 m")
    assert (ph["source"], ph["known"], ph["grade"]) == (kinds["soil_ph"].source, "read", "B")
    # the cells of the heights are 1/1800 of a degree, 62 m, which is nearer to 90 m than to 30 m by ratio
    assert (slope["sd"], slope["unit"], kinds["slope"].sd["90 m"]) == (5.0, "degree", "5 degree")
    assert set(record["unknown"]) == {"elevation", "cover"}
    assert record["drawn"] == ["soil_ph", "slope"]


@pytest.mark.parametrize("slope", ["as published", "of the cells of this file"])
def test_a_published_error_that_is_written_out_gives_the_same_bytes(land, assumed, tmp_path, slope):
    plan, folder = land
    kinds = published_errors()
    sd = kinds["slope"].sd if slope == "as published" else "5 degree"
    errors = {"soil_ph": {"sd": kinds["soil_ph"].sd, "grain": kinds["soil_ph"].grain}, "slope": {"sd": sd}}
    written = run_of(stated(plan, errors), folder, tmp_path)
    assert sums(written, RASTERS + TABLES) == sums(assumed, RASTERS + TABLES)
    if slope == "as published":
        assert written.manifest.plan_sha256 == assumed.manifest.plan_sha256
    assert written.manifest.cases[0].uncertainty.assumed == {}


def test_the_map_itself_is_the_same_with_and_without_doubt(assumed, exact):
    names = [name for name in RASTERS if name != "spread.tif"]
    assert sums(assumed, names) == sums(exact, names)
    assert not (exact.folder / "spread.tif").exists()


def test_without_any_error_a_probability_is_0_or_1_and_errors_of_0_say_the_same(land, exact, tmp_path):
    plan, folder = land
    p, classes = table(exact)["p_s2"].dropna(), table(exact)["class"].dropna()
    assert set(p) == {0.0, 1.0}
    assert (p.loc[classes.index] == classes.isin(["S1", "S2"])).all()
    none = run_of(stated(plan, {"soil_ph": {"sd": 0}, "slope": {"sd": 0}}), folder, tmp_path)
    pd.testing.assert_series_equal(table(none)["p_s2"], table(exact)["p_s2"])
    np.testing.assert_allclose(table(none)["suitability"], table(exact)["suitability"], rtol=1e-6)


def test_an_assumed_error_never_makes_a_parcel_more_certain_than_silence_did(assumed, exact):
    before, after = table(exact)["p_s2"].dropna(), table(assumed)["p_s2"].dropna()
    assert list(before.index) == list(after.index)
    assert ((after - 0.5).abs() <= (before - 0.5).abs()).all()
    assert after.between(0.0, 1.0, inclusive="neither").any()
    assert (table(assumed)["sd"].dropna() > table(exact)["sd"].dropna()).all()


def test_assumed_errors_are_printed_with_their_source_in_table_page_explanation_and_check(land, assumed):
    plan, folder = land
    kinds, manifest = published_errors(), assumed.manifest
    parcel = next(iter(table(assumed)["rank"].dropna().index))
    page = (assumed.folder / "report.html").read_text(encoding="utf-8")
    text = " ".join(explain(manifest.cases[0], manifest.spec, assumed.parcels, parcel).split())
    told = " ".join(check(uo.load_plan(plan, base=folder)))
    for words in (page, text, told):
        assert "assumed ± 0.67, grain 250 m" in words
        assert "assumed ± 5°" in words
        assert kinds["soil_ph"].source[:60] in words
        assert "its error is not known (class codes have no standard deviation)" in words
    data = page[page.index("<h2>Data used</h2>") :]
    for cell in (f"assumed ± 0.67 ({kinds['soil_ph'].cite})", f"assumed ± 5° ({kinds['slope'].cite})", "not known"):
        assert f"<td>{cell}</td>" in data
    row = " ".join(ranking(assumed.findings[0]).split())
    assert f"soil_ph ± 0.67 ({kinds['soil_ph'].cite}); slope ± 5° ({kinds['slope'].cite})" in row
    assert "Errors that are not known, treated as exact: elevation, cover." in row


def test_errors_that_are_switched_off_are_named(exact):
    row = " ".join(ranking(exact.findings[0]).split())
    assert "Errors that the plan switches off, treated as exact: soil_ph, slope." in row
    page = (exact.folder / "report.html").read_text(encoding="utf-8")
    assert "the plan switches its published error off" in page
    assert "assumed ±" not in page
    record = exact.manifest.cases[0].uncertainty
    assert (record.switched_off, set(record.unknown)) == (("soil_ph", "slope"), {"elevation", "cover"})


def test_without_errors_no_parcel_gets_a_yes(exact):
    verdicts = set(exact.parcels["verdict"].dropna().map(str))
    assert "open" in verdicts
    assert not {"yes", "buy"} & verdicts


def test_nothing_is_printed_of_errors_that_the_plan_states(land, tmp_path):
    plan, folder = land
    errors = {"soil_ph": {"sd": 0.31}, "slope": {"sd": "2 degree"}, "elevation": {"sd": "7 m"}}
    run = run_of(stated(plan, errors), folder, tmp_path)
    assert "assumed" not in ranking(run.findings[0]).lower()
    assert "assumed ±" not in (run.folder / "report.html").read_text(encoding="utf-8")
