"""The notes on open data parse, say how each statement is known, and carry the factors their sources print."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from underoak.base import crs, units

FOLDER = Path(__file__).parents[2] / "configs" / "sources"
NOTES = {path.stem: yaml.safe_load(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.yaml"))}
STATUSES = {"seen", "partly seen", "memory", "derived", "conflict"}
# Every key a statement may have; a comma that split a sentence would make another one.
KEYS = {
    *("text", "status", "note", "stored", "usual", "divide_by", "unit", "to", "scale", "offset", "applies_to"),
    *("value", "nodata", "thickness_cm", "pattern", "examples", "rows", "columns", "of"),
}


def statements(value: Any, where: str = "") -> Iterator[tuple[str, dict]]:
    if isinstance(value, dict):
        if "text" in value:
            yield where, value
        for key, inner in value.items():
            yield from statements(inner, f"{where}.{key}")
    elif isinstance(value, list):
        for n, inner in enumerate(value):
            yield from statements(inner, f"{where}[{n}]")


ALL = [(f"{stem}{where}", said) for stem, notes in NOTES.items() for where, said in statements(notes)]


@pytest.mark.parametrize(("where", "said"), ALL, ids=[where for where, _ in ALL])
def test_statement_says_how_it_is_known(where, said):
    assert said["status"] in STATUSES
    assert set(said) <= KEYS
    assert said["status"] not in ("conflict", "partly seen") or said["note"]


def test_every_file_is_told_of_in_the_readme():
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert {f"{stem}.yaml" for stem in NOTES} == set(re.findall(r"`(\w+\.yaml)`", readme))
    assert all(f"`{status}`" in readme for status in STATUSES)


# ISRIC's table of factors; seen. Coarse fragments by arithmetic: per mille to per cent.
FACTORS = {
    **dict.fromkeys(("phh2o", "clay", "sand", "silt", "soc", "cec", "ocd", "ocs", "wv0010", "wv0033", "wv1500"), 10),
    "bdod": 100,
    "nitrogen": 100,
    "cfvo": 10,
}


def test_soil_factors_are_the_printed_ones():
    assert {name: said["divide_by"] for name, said in NOTES["soil_250m"]["properties"].items()} == FACTORS


@pytest.mark.parametrize(
    ("name", "stored", "usual"),
    [
        ("phh2o", 78, 7.8),
        ("clay", 235, 23.5),
        ("soc", 152, 15.2),
        ("nitrogen", 145, 1.45),
        ("bdod", 132, 1.32),
        ("cfvo", 150, 15),
    ],
)
def test_soil_examples_come_out_right(name, stored, usual):
    said = NOTES["soil_250m"]["properties"][name]
    assert stored / said["divide_by"] == pytest.approx(usual, rel=1e-12)
    assert units.conversion(said["unit"], said["to"])(stored) == pytest.approx(usual, rel=1e-12)


WITH_UNITS = [(where, said) for where, said in ALL if "unit" in said]


@pytest.mark.parametrize(("where", "said"), WITH_UNITS, ids=[where for where, _ in WITH_UNITS])
def test_unit_in_a_plan_does_what_the_factor_says(where, said):
    step = units.conversion(said["unit"], said["to"])
    factor = said["scale"] if "scale" in said else 1 / said["divide_by"]
    assert (step.scale, step.offset) == pytest.approx((factor, said.get("offset", 0)), rel=1e-12)


def test_soil_grid_is_the_homolosine_of_the_checked_coordinates():
    notes = NOTES["soil_250m"]
    x, y = crs.transformer("EPSG:4326", notes["crs"]["text"]).transform(5.0, 50.0)
    assert (x, y) == pytest.approx((1438001.758, 5536683.825), abs=0.01)
    assert notes["nodata"]["value"] == -32768


def test_soil_depths_are_as_thick_as_they_say():
    depths = NOTES["soil_250m"]["depths"]
    layers = [tuple(map(int, pair)) for pair in re.findall(r"(\d+)-(\d+)", depths["text"].split(";")[0])]
    assert [bottom - top for top, bottom in layers] == depths["thickness_cm"] == [5, 10, 15, 30, 40, 100]
    assert all(below[0] == above[1] for above, below in itertools.pairwise(layers))


@pytest.mark.parametrize("name", ["phh2o_0-5cm_mean", "cfvo_5-15cm_Q05", "clay_15-30cm_Q0.95", "soc_0-5cm_uncertainty"])
def test_soil_names_fit_the_pattern(name):
    pattern = NOTES["soil_250m"]["names"]["pattern"]
    assert re.fullmatch(pattern, name)
    assert not re.fullmatch(pattern, name + ".tif")


def test_climate_examples_come_out_right():
    old, packed = NOTES["climatologies"]["worldclim_1_4"], NOTES["climatologies"]["chelsa_2_1"]
    assert 231 / old["temperature"]["divide_by"] == pytest.approx(23.1)
    step = packed["temperature"]
    assert 2850 * step["scale"] + step["offset"] == pytest.approx(11.85, abs=1e-9)
    assert 7000 * packed["precipitation"]["scale"] + packed["precipitation"]["offset"] == pytest.approx(700, abs=1e-9)
    # a range of temperatures has no zero point to shift
    assert packed["range"]["offset"] == 0
    assert not set(packed["range"]["applies_to"]) & set(step["applies_to"])


def test_elevation_tiles_are_named_after_their_lower_left_corner():
    tiles = NOTES["elevation_30m"]["tiles"]
    for place, name in tiles["examples"].items():
        lat, lon = (float(number) // 1 for number in place.split(","))
        north, east = "NS"[lat < 0] + f"{abs(int(lat)):02d}", "EW"[lon < 0] + f"{abs(int(lon)):03d}"
        assert name == f"{north} {east}"


def test_elevation_columns_fit_the_spacing_factors():
    columns = NOTES["elevation_30m"]["spacing"]["columns"]
    assert [3600 / count for count in columns.values()] == [1, 1.5, 2, 3, 5, 10]


def test_land_cover_codes_are_the_printed_ones():
    cover = NOTES["land_cover"]["worldcover"]
    assert sorted(cover["classes"]) == [10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100]
    assert (cover["classes"][80], cover["nodata"]) == ("permanent water", 0)
    corine = NOTES["land_cover"]["corine"]
    assert set(corine["grid_codes"]["of"].values()) <= set(corine["classes"])
    assert corine["grid_codes"]["of"][23] == 311
