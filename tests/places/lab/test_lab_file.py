"""The laboratory's file as text: separators, decimal marks and the words of laboratories; nothing silently guessed."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import underoak as uo
from underoak.base.errors import Problems
from underoak.places.lab.results import COLUMNS as LAB_COLUMNS
from underoak.places.lab.results import read_lab
from underoak.places.tables.text_table import read_rows

HEAD = "parcel,property,value,unit,method,error,cores,lon,lat\n"
COLUMNS = HEAD.strip().split(",")


def rows_of(text):
    problems = Problems()
    return read_rows(text, LAB_COLUMNS, "field_id", "lab (a.csv)", problems), problems


def written(rows, separator, decimal):
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    writer.writerow(COLUMNS)
    for parcel, *numbers in rows:
        value, error, lon, lat = (number.replace(".", decimal) for number in numbers)
        writer.writerow([parcel, "soil_ph", value, "pH", "water", error, "20", lon, lat])
    return out.getvalue()


DECIMALS = st.tuples(st.integers(0, 99), st.integers(1, 9)).map(lambda n: f"{n[0]}.{n[1]}")
LONG = st.tuples(st.integers(-9, 99), st.integers(100000, 999999)).map(lambda n: f"{n[0]}.{n[1]}")
ROWS = st.lists(st.tuples(st.text("abc,; 1", min_size=1, max_size=6), DECIMALS, DECIMALS, LONG, LONG), min_size=1)


@settings(max_examples=100, deadline=None)
@given(ROWS)
def test_semicolons_and_decimal_commas_give_the_same_rows_as_commas_and_points(rows):
    plain, problems = rows_of(written(rows, ",", "."))
    assert not problems.faults
    for separator, decimal in ((";", ","), (";", ".")):
        other, problems = rows_of(written(rows, separator, decimal))
        assert not problems.faults
        assert other == plain


@pytest.mark.parametrize(
    ("values", "code", "says"),
    [
        (["7,8", "7.9"], "E412", 'line 2 writes "7,8" and line 3 "7.9"'),
        (["7.9", "7,8"], "E412", 'line 3 writes "7,8" and line 2 "7.9"'),
        (["1,234"], "E412", 'line 2: value "1,234" may be 1.234 or 1234. Fix: write decimals with a point'),
        (["12", "1,234"], "E412", 'line 3: value "1,234" may be'),
    ],
)
def test_an_ambiguous_number_is_refused_with_its_line(values, code, says):
    text = "parcel;property;value;unit\n" + "".join(f"F1;clay;{value};g/kg\n" for value in values)
    rows, problems = rows_of(text)
    assert not rows
    (fault,) = problems.faults
    assert fault.code == code
    assert says in str(fault)


def test_three_decimals_are_clear_beside_other_decimal_commas():
    rows, problems = rows_of("parcel;property;value;unit\nF1;clay;1,234;%\nF1;clay;31,5;%\nF1;clay;0,125;%\n")
    assert not problems.faults
    assert [row["value"] for _, row in rows] == ["1.234", "31.5", "0.125"]


def test_text_keeps_its_commas():
    rows, _ = rows_of("field_id;property;value;unit;note\nF1;clay;31,5;%;dry, stony\n")
    assert rows == [(2, {"parcel": "F1", "property": "clay", "value": "31.5", "unit": "%", "note": "dry, stony"})]


def plan_of(**lab):
    return uo.load_plan(
        {
            "format": 1, "title": "Hill", "purpose": "buy",
            "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
            "layers": {
                "soil_ph": {"file": "ph.tif", "unit": "pH", "method": "water", "sd": 0.4},
                "clay": {"file": "clay.tif", "unit": "percent", "sd": 5},
            },
            "criteria": {
                "ph": {"layer": "soil_ph", "curve": {"shape": "ramp_up", "at": [5, 9]}, "source": "a test"},
                "heavy": {"layer": "clay", "curve": {"shape": "ramp_down", "at": [20, 40]}, "source": "a test"},
            },
            "uncertainty": {"draws": 64, "lab_error": {"soil_ph": 0.1, "clay": 2}},
            "parcels": {"file": "p.gpkg", "id": "id"},
            "lab": {"file": "lab.csv", "cores": 20} | lab,
        },
        base=".",
    )  # fmt: skip


def read(tmp_path, text, **lab):
    (tmp_path / "lab.csv").write_text(text, encoding="utf-8")
    problems = Problems()
    plan = plan_of(file=str(tmp_path / "lab.csv"), **lab)
    return read_lab(plan, {"soil_ph": "pH", "clay": "percent"}, ["F1"], problems), problems


@pytest.mark.parametrize(("word", "layer"), [("pH", "soil_ph"), ("ph", "soil_ph"), ("PH", "soil_ph"), ("Heavy", "clay"),
                                             ("CLAY", "clay"), ("soil_pH", "soil_ph")])  # fmt: skip
def test_a_laboratorys_word_for_a_layer_is_proposed_and_not_taken(tmp_path, word, layer):
    lab, problems = read(tmp_path, f"parcel,property,value,unit,method\nF1,{word},7.8,pH,water\n")
    assert not lab.results
    (fault,) = problems.faults
    assert fault.code == "E413"
    assert f'line 2: there is no layer "{word}". Fix: did you mean "{layer}"?' in str(fault)


@pytest.mark.parametrize("cores", ["0", "2.5", "many", "-3", "100000"])
def test_cores_are_a_count(tmp_path, cores):
    _, problems = read(tmp_path, f"parcel,property,value,unit,cores\nF1,clay,31,%,{cores}\n")
    (fault,) = problems.faults
    assert fault.code == "E412"
    assert f'cores "{cores}" is no' in str(fault)


def test_a_bag_without_a_number_of_cores_is_told_and_counts_as_one(tmp_path):
    text = "parcel,property,value,unit,cores\nF1,clay,31,%,25\nF1,clay,32,%,\n"
    lab, problems = read(tmp_path, text, cores=None)
    assert [result.cores for result in lab.results["F1", "clay"]] == [25, None]
    (warning,) = problems.warnings
    assert str(warning).endswith(
        "line 3: no number of cores, so the sample counts as one core, which tells little of a field. Fix: fill the "
        "column `cores`, or write `cores:` under `lab`"
    )
    lab, problems = read(tmp_path, text)  # the plan says 20
    assert [result.cores for result in lab.results["F1", "clay"]] == [25, 20]
    assert not problems.warnings


def test_a_semicolon_file_without_rows_is_told(tmp_path):
    _, problems = read(tmp_path, "parcel;property;value;unit\n")
    assert [fault.code for fault in problems.warnings] == ["W417"]
