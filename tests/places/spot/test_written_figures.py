"""Figures as people write them, read or refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import Problems
from underoak.places.spot.written_figures import WrittenFigure, read_written

NUMBERS = st.decimals(-400, 400, allow_nan=False, places=2)
ERRORS = st.decimals(0, 40, allow_nan=False, places=2)


def read(*words: str) -> tuple[WrittenFigure, ...]:
    problems = Problems()
    figures = read_written(words, problems)
    problems.stop_if_any()
    return figures


def refused(*words: str) -> list[tuple[str, str]]:
    problems = Problems()
    read_written(words, problems)
    return [(fault.code, fault.fix) for fault in problems.faults]


@given(
    value=NUMBERS,
    error=st.none() | ERRORS,
    unit=st.sampled_from(["", "mm", "%", "degC", "g/kg", "kg m-2"]),
    equals=st.sampled_from(["=", " = ", " ", ":", " : "]),
    sign=st.sampled_from(["±", " ± ", "+-", " +- ", "+/-"]),
    blank=st.sampled_from(["", " "]),
    is_comma=st.booleans(),
)
def test_blanks_commas_and_signs_do_not_change_a_figure(value, error, unit, equals, sign, blank, is_comma):
    number, spread = (f"{each}".replace(".", ",") if is_comma else f"{each}" for each in (value, error))
    text = f"rain_summer{equals}{number}{blank}{unit}" + ("" if error is None else f"{sign}{spread}")
    figure, other = read(f"{text} clay 20 %")
    assert (figure.name, figure.unit) == ("rain_summer", unit)
    assert figure.value == float(value)
    assert figure.error == (None if error is None else float(error))
    assert (other.name, other.value, other.unit) == ("clay", 20.0, "%")


@given(words=st.permutations(["ph=7.6 ± 0.2", "rain_summer 150 mm", "carbonate=12%,", "temp_warmest: 21 degC;"]))
def test_the_order_of_figures_and_how_a_shell_parts_them_do_not_matter(words):
    figures = {figure.name: figure for figure in read(*words)}
    assert figures == {figure.name: figure for figure in read(*" ".join(words).split())}
    assert {name: (figure.value, figure.error, figure.unit) for name, figure in figures.items()} == {
        "ph": (7.6, 0.2, ""),
        "rain_summer": (150.0, None, "mm"),
        "carbonate": (12.0, None, "%"),
        "temp_warmest": (21.0, None, "degC"),
    }


@pytest.mark.parametrize(
    "text", ["ph=6.9 KCl", "ph=6.9 in KCl", "ph=6.9(kcl)", "ph 6.9 method: KCl", "ph=6.9 method=KCL"]
)
def test_a_method_of_measuring_stands_behind_the_number(text):
    (figure,) = read(text)
    assert (figure.name, figure.value, figure.unit, figure.method) == ("ph", 6.9, "", "KCl")


@pytest.mark.parametrize("way", ["water 1:2.5", "CaCl2 1:2.5", "KCl 1:5"])
def test_the_ratio_of_soil_to_liquid_is_no_figure_of_its_own(way):
    figures = read(f"ph=6.9 ± 0.1 {way} water 112 mm")
    assert [(f.name, f.value, f.error, f.method) for f in figures] == [
        ("ph", 6.9, 0.1, way),
        ("water", 112.0, None, ""),
    ]


def test_one_unit_at_the_end_is_that_of_value_and_error_and_two_are_their_own():
    one, two, three = read("clay=20±2%", "rain_summer=150 mm ± 15 %", "water=5±1in")
    assert (one.unit, one.error_unit) == ("%", "")
    assert (two.unit, two.error_unit) == ("mm", "%")
    assert (three.unit, three.error_unit) == ("in", "")


def test_a_mapping_holds_numbers_or_text():
    figures = read_written({"ph": 7.6, "clay": "20 % ± 3", "first_frost": 60}, Problems())
    assert [(f.name, f.value, f.unit, f.error) for f in figures] == [
        ("ph", 7.6, "", None),
        ("clay", 20.0, "%", 3.0),
        ("first_frost", 60.0, "", None),
    ]


@pytest.mark.parametrize(
    ("text", "fix"),
    [
        ("carbonate=5-10%", "carbonate=7.5±2.5%"),
        ("ph=7.4 to 7.8", "ph=7.6±0.2"),
        ("temp_coldest=-4..2 degC", "temp_coldest=-1±3degC"),
        ("carbonate<0.5%", "carbonate=0.25±0.25%"),
        ("stones ~5 %", "stones=5±…%"),
        ("rain_annual=1,234 mm", "without a mark"),
        ("rain_annual=1.234,5 mm", "without a mark"),
        ("rain_annual=1 234 mm", "without a blank"),
        ("ph=", "ph=7.6±0.2"),
        ("ph=high", "ph=7.6±0.2"),
        ("ph=7.6±-0.1", "standard deviation"),
        ("soil is good", "ph=7.6±0.2"),
        ("", "ph=7.6±0.2"),
    ],
)
def test_what_is_no_single_number_is_refused_with_a_proposal(text, fix):
    ((code, proposed),) = refused(text)
    assert code == "E370"
    assert fix in proposed


def test_all_faults_come_in_one_go_and_good_figures_stay():
    problems = Problems()
    figures = read_written("ph=7,6 clay=a few carbonate=1-3 rain_summer=150 mm", problems)
    assert [figure.name for figure in figures] == ["ph", "rain_summer"]
    assert len(problems.faults) == 2


def test_a_negative_number_keeps_its_sign():
    (figure,) = read("temp_coldest=−2.5±1 degC")
    assert math.isclose(figure.value, -2.5)
