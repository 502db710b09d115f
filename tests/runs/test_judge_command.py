"""`underoak judge`: figures in hand from a shell, in words and as JSON."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from click.testing import CliRunner

import underoak as uo
from underoak.cli import main
from underoak.plan.profiles.profile import load_profile, profile_names

SPECIES = "tuber_melanosporum"


def called(*words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, ["judge", *words])
    assert "Traceback" not in result.output
    return result.exit_code, result.stdout, result.stderr


def test_text_answers_first_and_says_what_is_assumed_and_missing():
    code, text, _ = called(SPECIES, "ph=7.2", "rain_summer=100mm", "carbonate=12%")
    assert code == 0
    spot = uo.judge(SPECIES, "ph=7.2 rain_summer=100 carbonate=12")
    second = text.splitlines()[1]
    assert second.startswith(f"{spot.class_name}, suitability {spot.suitability:.2f}")
    assert f"P(S2 or better) {spot.p:.2f}" in second
    order = ["Limiting factor", "criterion", "What it would take", "Assumed", "missing", "Next:", "no verdict"]
    places = [text.index(word) for word in order]
    assert places == sorted(places)
    assert "lime, at least" in text
    assert "in all" not in text  # a spot has no area
    assert max(len(line) for line in text.splitlines()) <= 100


def test_wild_ground_is_offered_no_lime_and_no_water():
    _, text, _ = called(SPECIES, "ph=7.2", "rain_summer=100mm", "--for", "restore")
    assert "What it would take" not in text
    assert "lime, at least" not in text
    assert "wild ground is not limed or watered" in " ".join(text.split())
    assert "Lime burns" not in text


def test_blanks_between_the_words_make_no_difference():
    parts = called(SPECIES, "ph", "7,6", "±", "0,2", "rain_summer", "=", "150", "mm", "temp_coldest=-2")
    assert parts == called(SPECIES, "ph=7.6±0.2", "rain_summer=150mm", "temp_coldest=-2degC")
    assert parts[0] == 0


def test_json_holds_the_judgement():
    code, text, _ = called(SPECIES, "--json", "ph=7.2±0.1", "rain_summer=100mm", "clay=30%")
    assert code == 0
    values: dict[str, Any] = json.loads(text)
    spot = uo.judge(SPECIES, "ph=7.2±0.1 rain_summer=100 clay=30")
    assert (values["suitability"], values["class"], values["p"]) == (spot.suitability, spot.class_name, spot.p)
    by_name = {each["name"]: each for each in values["criteria"]}
    for each in spot.criteria:
        listed = by_name[each.name]
        assert (listed["value"], listed["membership"], listed["weight"]) == (each.value, each.membership, each.weight)
    assert by_name["ph"]["assumed"] is None
    assert by_name["clay"]["assumed"]["source"]
    weights = [each["weight"] for each in values["missing"]]
    assert weights == sorted(weights, reverse=True)
    assert {each["by"] for each in values["remedies"]} <= {"lime", "water"}


def test_all_is_a_table_of_species_the_most_suitable_first():
    code, text, _ = called("all", "ph=7.6", "rain_summer=150mm")
    assert code == 0
    _, values, _ = called("all", "ph=7.6", "rain_summer=150mm", "--json")
    spots = json.loads(values)["species"]
    assert [each["suitability"] for each in spots] == sorted((each["suitability"] for each in spots), reverse=True)
    listed = [line.split()[0] for line in text.splitlines() if line.startswith("tuber_")]
    assert listed == [each["species"] for each in spots]
    assert set(listed) <= set(profile_names())


@pytest.mark.parametrize(
    ("words", "codes"),
    [
        (("phh=7", "clay=250", "rain_summer=1,500", "stones=low"), ["E370", "E370", "E371", "E204"]),
        ((), ["E370"]),
        (("ph=7", "ph=8"), ["E372"]),
    ],
)
def test_all_faults_come_in_one_go_with_exit_code(words, codes):
    code, text, faults = called(SPECIES, *words)
    assert [line.split()[0] for line in faults.splitlines()] == codes
    assert all("Fix: " in line for line in faults.splitlines())
    assert code == 3
    assert text == ""


def test_a_common_name_proposes_the_profile():
    code, _, faults = called("black truffle", "ph=7")
    assert code == 3
    assert f'"{SPECIES}"' in faults


def test_every_name_of_a_profile_is_understood():
    for name in profile_names():
        for criterion in load_profile(name).criteria:
            value = "0.5" if load_profile(name).criteria[criterion].unit in ("1", "m2/m2") else "2.5"
            assert called(name, f"{criterion}={value}", "ph=7" if criterion != "ph" else "clay=20")[0] == 0


def test_the_figure_with_most_of_the_doubt_is_named_and_to_be_measured_again():
    exact = []
    for name, criterion in load_profile(SPECIES).criteria.items():
        ends = [end for end in criterion.curve.curve().full if math.isfinite(end)]
        if name != "ph" and ends and (criterion.weight > 0.0 or criterion.essential):
            exact.append(f"{name}={sum(ends) / len(ends)}±0")
    x = load_profile(SPECIES).criteria["ph"].curve.curve().x
    _, text, _ = called(SPECIES, f"ph={x[0] + 0.4 * (x[1] - x[0])}±0.3", *exact)
    label = load_profile(SPECIES).criteria["ph"].label
    words = " ".join(text.split())
    assert f"Most of the doubt is in {label}." in words
    values = json.loads(called(SPECIES, "--json", f"ph={x[0] + 0.4 * (x[1] - x[0])}±0.3", *exact)[1])
    assert 0.2 < values["p"] < 0.8
    assert f"Next: get {label} more exactly, from more bags" in words
