"""Results of a laboratory: read strictly, pooled, weighed against the map, and judged again; exact numbers."""

from __future__ import annotations

import os
import random
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from shapely import box

import underoak as uo
from underoak.base.errors import Problems
from underoak.places.columns.column import encode_table
from underoak.places.columns.parcels import parcel_columns
from underoak.places.lab.results import Lab, Result, read_lab
from underoak.report.text.cell_sentences import SENTENCES

from noise import LEFT, TOP, write_raster, write_shapes

HEAD = "parcel,depth,property,value,unit,method,error,date\n"
SIDE = 250.0
SURE = {"soil_ph": 0, "clay": 0}  # one core tells all; test_sampling_error has fields that differ within


@pytest.fixture
def land(tmp_path):
    """Eight 250 m cells of pH 7.3 in a row; F1 lies in one of them, F2 half in one and half in the next."""
    write_raster(tmp_path / "ph.tif", np.full((4, 8), 73, np.int16), "EPSG:25831", (SIDE, 0, LEFT, 0, -SIDE, TOP))
    write_raster(tmp_path / "ph05.tif", np.full((4, 8), 66, np.int16), "EPSG:25831", (SIDE, 0, LEFT, 0, -SIDE, TOP))
    write_raster(tmp_path / "ph95.tif", np.full((4, 8), 80, np.int16), "EPSG:25831", (SIDE, 0, LEFT, 0, -SIDE, TOP))
    clay = np.repeat(np.arange(80, dtype=np.float32)[None] / 2, 40, axis=0)
    write_raster(tmp_path / "clay.tif", clay, "EPSG:25831", (25, 0, LEFT, 0, -25, TOP))
    fields = [
        box(LEFT + 25, TOP - 225, LEFT + 225, TOP - 25),
        box(LEFT + 400, TOP - 225, LEFT + 600, TOP - 25),
        box(LEFT + 1025, TOP - 225, LEFT + 1225, TOP - 25),
    ]
    write_shapes(tmp_path / "fields.gpkg", fields, "EPSG:25831", field_id=["F1", "F2", "F3"])
    plan = {
        "format": 1, "title": "laboratory", "purpose": "buy",
        "region": {"bounds": [LEFT, TOP - 1000, LEFT + 2000, TOP], "crs": "EPSG:25831", "cell": "25 m"},
        "layers": {
            "soil_ph": {"file": "ph.tif", "unit": "pH*10", "to": "pH", "resample": "nearest", "method": "water",
                        "sd": 0.4},
            "clay": {"file": "clay.tif", "unit": "%", "resample": "nearest"},
            "spare": {"file": "clay.tif", "unit": "%", "resample": "nearest"},
        },
        "criteria": {
            "ph": {"layer": "soil_ph", "curve": {"shape": "hump", "at": [7.0, 8.0, 8.3, 8.8]}, "source": "a test"},
            "clay": {"layer": "clay", "curve": {"shape": "ramp_down", "at": [20, 40]}, "source": "a test"},
        },
        "weights": {"direct": {"ph": 0.5, "clay": 0.5}},
        "combine": {"rule": "linear"},
        "uncertainty": {"draws": 8, "correlation_range": "800 m"},
        "parcels": {"file": "fields.gpkg", "id": "field_id"},
        "lab": {"file": "lab.csv", "mode": "update", "within_field": SURE},
    }  # fmt: skip
    return tmp_path, plan


def ran(land, rows, **lab):
    folder, plan = land
    (folder / "lab.csv").write_text(HEAD + rows, encoding="utf-8")
    plan = plan | {"lab": plan["lab"] | lab}
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "out")
    table = encode_table(run.findings[0].parcels, parcel_columns("buy", SENTENCES))
    return run, table.set_index("id")


def test_an_update_weighs_the_result_against_the_map(land):
    # F1 lies in one source cell: prior N(7.3, 0.4), result 7.8 with 0.15, so N(7.738, 0.1404)
    run, table = ran(land, "F1,0-30 cm,soil_ph,7.8,pH,water,0.15,2026-03-01\n")
    taken = 7.3 + 0.5 * 0.16 / (0.16 + 0.0225)
    assert taken == pytest.approx(7.738, abs=5e-4)
    found = table.loc["F1"]
    assert found["value_ph"] == pytest.approx(taken, abs=1e-6)
    assert found["membership_ph"] == pytest.approx(taken - 7.0, abs=1e-5)
    assert found["suitability"] == pytest.approx(0.5 * (taken - 7.0) + 0.5 * found["membership_clay"], abs=1e-5)
    assert found["lab"] == "soil_ph: laboratory 7.80 ± 0.15 (method 0.15, sampling 0.00), map 7.30, taken 7.74"
    assert table.loc["F2", "value_ph"] == pytest.approx(7.3, abs=1e-6)
    assert pd.isna(table.loc["F2", "lab"])
    assert not [fault for fault in run.findings[0].warnings if fault.code == "W414"]


@pytest.mark.parametrize("bias", [0.0, 0.2, 0.43])
@pytest.mark.parametrize(("range_m", "shared"), [(0, 0.0), (800, np.exp(-250 / 800))])
def test_the_prior_is_the_doubt_of_the_parcels_mean_not_of_a_point(land, range_m, shared, bias):
    folder, plan = land
    plan["uncertainty"]["correlation_range"] = f"{range_m} m"
    if bias != 0.2:  # a fifth, where the plan says nothing
        plan["layers"]["soil_ph"]["bias_share"] = bias
    _, table = ran((folder, plan), "F2,,soil_ph,7.8,pH,water,0.15,\n")
    variance = 0.16 * (1 + bias + (1 - bias) * shared) / 2
    gain = variance / (variance + 0.15**2)
    assert table.loc["F2", "value_ph"] == pytest.approx(7.3 + 0.5 * gain, abs=1e-5)


def test_a_grain_holds_for_the_prior_as_for_a_cell_of_its_size(land):
    folder, plan = land
    soil = np.full((40, 80), 73, np.int16)
    write_raster(folder / "fine.tif", soil, "EPSG:25831", (25, 0, LEFT, 0, -25, TOP))
    plan["uncertainty"]["correlation_range"] = "0 m"
    rows = "F1,,soil_ph,7.8,pH,water,0.15,\nF2,,soil_ph,7.8,pH,water,0.15,\n"
    _, coarse = ran((folder, plan), rows)
    plan["layers"]["soil_ph"] |= {"file": "fine.tif", "grain": "250 m"}
    _, fine = ran((folder, plan), rows)
    assert fine["value_ph"].tolist() == pytest.approx(coarse["value_ph"].tolist(), abs=1e-6)
    assert fine.loc["F1", "value_ph"] > fine.loc["F2", "value_ph"] + 0.02  # two grains share the doubt, one does not


def test_quantiles_tell_the_prior_too(land):
    folder, plan = land
    del plan["layers"]["soil_ph"]["sd"]
    plan["layers"]["soil_ph"]["quantiles"] = {0.05: "ph05.tif", 0.95: "ph95.tif"}
    _, table = ran((folder, plan), "F1,,soil_ph,7.8,pH,water,0.15,\n")
    sd = 1.4 / (2 * 1.6448536269514722)
    assert table.loc["F1", "value_ph"] == pytest.approx(7.3 + 0.5 * sd**2 / (sd**2 + 0.15**2), abs=1e-5)


def test_replace_moves_all_cells_until_their_mean_is_the_result(land):
    _, before = ran(land, "F3,,soil_ph,7.3,pH,water,,\n", mode="replace")
    _, table = ran(land, "F1,,clay,25,%,,,\nF1,,soil_ph,8.1,pH,water,,\n", mode="replace")
    found = table.loc["F1"]
    assert found["value_clay"] == pytest.approx(25.0, abs=1e-4)
    assert found["value_ph"] == pytest.approx(8.1, abs=1e-6)
    assert found["membership_ph"] == 1.0
    # the cells keep their differences: 22.5 to 26 and so on, each judged on its own
    spread = np.arange(8) * 0.5
    cells = spread - spread.mean() + 25.0
    assert found["membership_clay"] == pytest.approx(np.clip((40 - cells) / 20, 0, 1).mean(), abs=1e-5)
    assert found["limiting"] == "clay"
    assert found["side_clay"] == "high"
    assert table.loc["F3", "suitability"] == before.loc["F3", "suitability"]


def test_several_rows_are_pooled_by_how_sure_they_are(land):
    rows = "F1,0-30,soil_ph,7.6,pH,water,0.1,\nF1,0-30,soil_ph,8.0,pH,water,0.2,\n"
    _, table = ran(land, rows, mode="replace")
    assert table.loc["F1", "value_ph"] == pytest.approx((7.6 * 100 + 8.0 * 25) / 125, abs=1e-6)
    _, table = ran(land, rows, mode="update")
    weights = np.array([1 / 0.16, 100, 25])
    assert table.loc["F1", "value_ph"] == pytest.approx(weights @ [7.3, 7.6, 8.0] / weights.sum(), abs=1e-6)
    _, table = ran(land, "F1,,soil_ph,7.6,pH,water,,\nF1,,soil_ph,8.0,pH,water,,\n", mode="replace")
    assert table.loc["F1", "value_ph"] == pytest.approx(7.8, abs=1e-6)


def test_a_plan_may_say_the_error_of_its_laboratory(land):
    folder, plan = land
    plan["uncertainty"]["lab_error"] = {"soil_ph": 0.15}
    _, table = ran((folder, plan), "F1,,soil_ph,7.8,pH,water,,\n")
    assert table.loc["F1", "value_ph"] == pytest.approx(7.7384, abs=1e-4)


def test_a_contradiction_is_told_everywhere(land):
    run, table = ran(land, "F1,,soil_ph,8.3,pH,water,0.15,\n")
    z = 1.0 / np.hypot(0.4, 0.15)
    assert z > 2
    assert table.loc["F1", "lab"].endswith(f"which contradicts the map (z {z:.1f})")
    (warning,) = [fault for fault in run.findings[0].warnings if fault.code == "W414"]
    assert "parcel F1: the lab result and the map disagree: soil_ph 8.30 in the lab, 7.30 on the map (" in str(warning)
    assert "contradicts the map" in (run.folder / "report.html").read_text(encoding="utf-8")
    flat = " ".join(run.explain("F1").split())
    assert "Laboratory, soil_ph: laboratory 8.30 ± 0.15 (method 0.15, sampling 0.00), map 7.30" in flat
    _, table = ran(land, "F1,,soil_ph,8.1,pH,water,0.15,\n")  # z 1.87
    assert "contradicts" not in table.loc["F1", "lab"]


def test_remedies_start_from_what_the_laboratory_found(land):
    folder, plan = land
    plan["criteria"]["ph"]["remedy"] = {"by": "lime", "limit": 8.3, "depth": "30 cm"}
    _, table = ran((folder, plan), "F1,,soil_ph,7.0,pH,water,,\n", mode="replace")
    assert table.loc["F1", "lime_t_ha"] == pytest.approx(30.0, abs=1e-3)  # ten tenths, 30 cm
    assert table.loc["F2", "lime_t_ha"] == pytest.approx(21.0, abs=1e-3)


def test_draws_heed_what_a_laboratory_has_found(land):
    figures = ["p_s2", "sd", "low", "high"]
    _, before = ran(land, "F3,,soil_ph,7.3,pH,water,0.15,\n")
    _, table = ran(land, "F1,,soil_ph,7.8,pH,water,0.15,\n")
    assert table.loc["F2", figures].tolist() == before.loc["F2", figures].tolist()
    assert 0.0 < table.loc["F1", "sd"] < 0.6 * before.loc["F1", "sd"]
    assert isinstance(table.loc["F1", "verdict"], str)
    low, high = table.loc["F1", ["low", "high"]]
    assert low <= table.loc["F1", "suitability"] <= high
    _, table = ran(land, "F1,,soil_ph,7.8,pH,water,0,\n", mode="replace")
    assert table.loc["F1", "sd"] == pytest.approx(0.0, abs=1e-6)  # the only layer in doubt is settled
    assert table.loc["F1", "low"] == pytest.approx(table.loc["F1", "suitability"], abs=1e-5)
    assert table.loc["F1", "best_test"] is None or np.isnan(table.loc["F1", "flip_chance"])


def test_the_file_is_an_input_of_the_run(land):
    run, _ = ran(land, "F1,,soil_ph,7.8,pH,water,0.15,\n")
    (entry,) = [file for file in run.manifest.inputs if "lab" in file.of]
    assert entry.path.endswith("lab.csv")


def read(land, data, **lab) -> tuple[Lab, Problems]:
    folder, plan = land
    (folder / "lab.csv").write_bytes(data if isinstance(data, bytes) else data.encode())
    loaded = uo.load_plan(
        plan | {"lab": {"file": "lab.csv", "mode": "replace", "within_field": SURE} | lab}, base=folder
    )
    problems = Problems()
    units = {"soil_ph": "pH", "clay": "percent", "spare": "percent"}
    return read_lab(loaded, units, ["F1", "F2", "F3"], problems), problems


def test_a_row_becomes_a_result_in_the_unit_of_its_layer(land):
    found, problems = read(land, HEAD + "F1,0-30 cm,clay,250,g/kg,,20,2026-03-01\n")
    assert problems == Problems()
    assert found.results == {("F1", "clay"): (Result(2, 25.0, 2.0, "0-30 cm"),)}
    assert found.of("F1") == {"clay": found.results["F1", "clay"]}
    assert found.of("F2") == {}


@pytest.mark.parametrize("head", [HEAD, HEAD.replace("parcel", "field_id"), "\ufeff" + HEAD, HEAD.upper()])
def test_a_mark_at_the_start_capitals_and_the_plans_own_id_are_fine(land, head):
    found, problems = read(land, head + 'F1,0 to 30,clay,25,%,,,\n\n"F2",0-30,clay,26,%,,,\r\n')
    assert problems.faults == []
    assert sorted(found.results) == [("F1", "clay"), ("F2", "clay")]


@pytest.mark.parametrize(
    ("data", "code", "says"),
    [
        (HEAD.encode("utf-16"), "E410", "at byte 0"),
        ((HEAD + "Fü,,clay,25,%,,,\n").encode("latin-1"), "E410", f"at byte {len(HEAD) + 1}"),
        (HEAD.replace(",", "\t"), "E411", "separated by tabs"),
        ("", "E411", "is empty"),
        (HEAD.replace("value", "valeu"), "E411", 'did you mean "value"?'),
        (HEAD.replace("date", "unit"), "E411", 'the column "unit" is there twice'),
        (HEAD.replace(",unit", ""), "E411", 'there is no column "unit"'),
        (HEAD + "F1,0-30,clay,25,%\n", "E411", "line 2 has 5 fields, and the first line names 8"),
        (HEAD + 'F1,0-30,"clay,25,%,,,\n', "E411", "cannot be read"),
        (HEAD + "F9,,clay,25,%,,,\n", "E413", 'line 2: there is no parcel "F9"'),
        (HEAD + "0f1,,clay,25,%,,,\n", "E413", 'there is no parcel "0f1". Fix: did you mean "F1"'),
        (HEAD + "F1,,clays,25,%,,,\n", "E413", 'there is no layer "clays". Fix: did you mean "clay"?'),
        (
            HEAD + 'F1,,clay,"25,5",%,,,\n',
            "E412",
            'value "25,5" has a comma, and commas separate the columns of this file. Fix: write 25.5',
        ),
        (HEAD + 'F1,,clay,"7,234",%,,,\n', "E412", "write 7.234, or 7234 if the comma parts thousands"),
        (HEAD + "F1,,clay,<2,%,,,\n", "E412", 'value "<2" is no number'),
        (HEAD + "F1,,clay,1e999,%,,,\n", "E412", "is no number"),
        (HEAD + "F1,,clay,25,,,,\n", "E412", "line 2: has no unit"),
        (HEAD + "F1,,clay,25,pH,,,\n", "E412", 'unit "pH": "pH" cannot become "percent"'),
        (HEAD + "F1,,clay,250,%,,,\n", "E412", "250 percent cannot be true of share of a whole"),
        (HEAD + "F1,,clay,25,%,,-1,\n", "E412", "an error cannot be negative"),
        (HEAD + "F1,30-0,clay,25,%,,,\n", "E412", 'depth "30-0" is no span'),
        (HEAD + "F1,,clay,25,%,,,1.3.2026\n", "E412", 'date "1.3.2026" is none'),
        (HEAD + "F1,,soil_ph,7.5,pH,,,\n", "E412", "does not say how the pH was measured"),
        (HEAD + "F1,,soil_ph,7.5,pH,CaCl2 1:5,,\n", "E412", "no one published line leads from pH in CaCl2 1:5"),
        (HEAD + "F1,,soil_ph,8.9,pH,KCl,,\n", "E412", "is beyond the published line"),
        (HEAD + "F1,0-30,clay,25,%,,,\nF1,30-60,clay,30,%,,,\n", "E414", "lines 2, 3: clay of parcel F1 at several"),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(land, data, code, says):
    _, problems = read(land, data)
    assert [fault.code for fault in problems.faults] == [code]
    assert says in str(problems.faults[0])
    assert problems.faults[0].exit_code == 4


def test_all_faults_of_a_file_are_told_at_once(land):
    rows = "F9,,clay,25,%,,,\nF1,,loam,x,%,,,\nF1,,clay,25,pH,,,\nF1,,clay,25,%,,,\n"
    _, problems = read(land, HEAD + rows)
    assert [str(fault).split("line ")[1][0] for fault in problems.faults] == ["2", "3", "3", "4"]


def test_a_file_that_is_not_there_is_told(land):
    folder, plan = land
    with pytest.raises(uo.UnderoakError, match=r"E246 lab \(lab.csv\): there is no file"):
        uo.check(uo.load_plan(plan, base=folder))


def test_a_pipe_is_no_file_of_results(land):
    folder, plan = land
    os.mkfifo(folder / "lab.csv")
    with pytest.raises(uo.UnderoakError, match=r"E245 lab \(lab.csv\): .* is a pipe"):
        uo.check(uo.load_plan(plan, base=folder))


def test_rows_without_a_first_line_that_names_them_are_one_fault(land):
    _, problems = read(land, "F1,0-30,clay,25,%,,,\nF2,0-30,clay,26,%,,,\n")
    assert [str(fault).partition(" Fix")[0] for fault in problems.faults] == [
        'E411 lab (lab.csv): its first line names no column that is known: "f1, 0-30, clay, 25, %, , , ".'
    ]


@pytest.mark.parametrize("text", [HEAD, HEAD + "\n\n", HEAD.strip()])
def test_a_file_without_a_row_is_told(land, text):
    found, problems = read(land, text)
    assert (found.results, problems.faults) == ({}, [])
    assert [fault.code for fault in problems.warnings] == ["W417"]


def test_a_row_that_is_there_twice_is_told_and_counts_twice(land):
    row = "F1,0-30,clay,25,%,,,2026-03-01\n"
    found, problems = read(land, HEAD + row + row.replace("25", "26") + row)
    assert [result.value for result in found.results["F1", "clay"]] == [25.0, 26.0, 25.0]
    (told,) = problems.warnings
    assert str(told).startswith("W418 lab (lab.csv): line 4 repeats line 2")


def test_a_damaged_file_gives_results_or_faults_and_nothing_else(land):
    rng = random.Random(7)
    good = HEAD + "".join(
        f'F{1 + n % 3},0-30 cm,clay,{20 + n},%,,{n}.5,2026-03-01\n"F2",,soil_ph,7.5,pH,KCl,,\n' for n in range(4)
    )
    odd = [
        b"\0",
        b'"',
        b"\xff",
        b",",
        b";",
        b"\n",
        b"\r",
        b"'",
        b"=",
        b"-",
        b"9" * 400,
        b"\xef\xbb\xbf",
        "\u0663".encode(),
    ]
    codes = set()
    for _ in range(400):
        data = bytearray(good.encode())
        for _ in range(rng.choice([1, 2, 5])):
            at = rng.randrange(len(data))
            data[at : at + rng.choice([0, 1, 1, 40])] = rng.choice([*odd, rng.randbytes(1)])
        _, problems = read(land, bytes(data))
        codes |= {fault.code for fault in problems.faults}
    assert {"E410", "E411", "E412", "E413"} <= codes <= {"E410", "E411", "E412", "E413", "E414"}


@pytest.mark.parametrize(
    ("method", "value", "taken"),
    [("KCl 1:2.5", 6.5, 7.46354), ("KCl", 6.5, 7.46354), ("CaCl2 1:2.5", 7.5, 8.0), ("water 1:5", 7.5, 7.5)],
)
def test_a_ph_measured_otherwise_is_converted_and_told(land, method, value, taken):
    found, problems = read(land, HEAD + f"F1,,soil_ph,{value},pH,{method},0.4,\n")
    (result,) = found.results["F1", "soil_ph"]
    assert result.value == pytest.approx(taken, abs=1e-4)
    is_converted = not method.startswith("water")
    assert result.error == pytest.approx(0.5 if is_converted else 0.4)  # a conversion adds 0.3
    assert [fault.code for fault in problems.warnings] == (["W413"] if is_converted else [])


def test_a_layer_that_does_not_say_its_method_is_told(land):
    del land[1]["layers"]["soil_ph"]["method"]
    found, problems = read(land, HEAD + "F1,,soil_ph,7.5,pH,KCl,,\nF2,,soil_ph,7.5,pH,water,,\n")
    assert len(found.results) == 2
    (warning,) = problems.warnings
    assert str(warning).startswith('W413 lab (lab.csv): lines 2, 3: "soil_ph" does not say how its pH was measured')


def test_what_nothing_judges_by_is_told_and_left_out(land):
    found, problems = read(land, HEAD + "F1,,spare,25,%,,,\n")
    assert found.results == {}
    assert [fault.code for fault in problems.warnings] == ["W412"]


def test_one_depth_counts_when_the_plan_says_which(land):
    found, problems = read(land, HEAD + "F1,0-30,clay,25,%,,,\nF1,30-60,clay,30,%,,,\n", depth="0-30 cm")
    assert problems.faults == []
    assert [result.value for result in found.results["F1", "clay"]] == [25.0]


def test_an_update_needs_the_doubt_of_the_map_and_of_the_laboratory(land):
    _, problems = read(land, HEAD + "F1,,clay,25,%,,1,\nF1,,soil_ph,7.5,pH,water,,\n", mode="update")
    assert [fault.code for fault in problems.faults] == ["E414", "E414"]
    assert 'the layer "clay" states no uncertainty' in str(problems.faults[0])
    assert "`mode: replace`" in problems.faults[0].fix
    assert "line 3: soil_ph has no error" in str(problems.faults[1])


def test_a_plan_with_a_laboratory_and_no_parcels_is_refused(land):
    folder, plan = land
    plan = {key: value for key, value in plan.items() if key != "parcels"} | {"purpose": "region"}
    with pytest.raises(uo.UnderoakError, match=r"E304 .*`lab` needs `parcels`"):
        uo.load_plan(plan, base=Path(folder))
