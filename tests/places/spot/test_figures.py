"""Written figures in the terms of a profile: names, units, plausible values, errors."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import Problems
from underoak.base.units import canonical_name
from underoak.indicators.soil.ph import PH_CONVERSIONS, ph_conversion
from underoak.places.lab.results import published
from underoak.places.spot.figures import Figure, bounds_of, names_of, read_figures
from underoak.places.spot.written_figures import read_written
from underoak.plan.keys.uncertainty import deviation_at, deviation_in
from underoak.plan.profiles.profile import load_profile, profile_names
from underoak.plan.profiles.published_errors import published_errors

SPECIES = "tuber_melanosporum"


def read(text: str, species: str = SPECIES) -> dict[str, Figure]:
    problems = Problems()
    figures = read_figures(read_written(text, problems), load_profile(species), problems)
    problems.stop_if_any()
    return {figure.layer: figure for figure in figures}


def faults(text: str, species: str = SPECIES) -> list[tuple[str, str, str]]:
    problems = Problems()
    read_figures(read_written(text, problems), load_profile(species), problems)
    return [(fault.code, fault.where, fault.fix) for fault in problems.faults]


@pytest.mark.parametrize("species", profile_names())
def test_every_criterion_and_every_layer_of_a_profile_is_a_name(species):
    names = names_of(load_profile(species))
    for name, criterion in load_profile(species).criteria.items():
        assert names[name.casefold()] == criterion.layer
        assert criterion.layer.casefold() in names


@given(millimetres=st.floats(20.0, 900.0), share=st.floats(0.01, 0.4))
def test_a_figure_is_the_same_in_every_unit(millimetres, share):
    sd = share * millimetres
    plain = read(f"rain_summer={millimetres:.9g}±{sd:.9g}")["rain_summer"]
    for unit, factor in (("in", 25.4), ("cm", 10.0), ("l/m²", 1.0)):
        other = read(f"rain_summer={millimetres / factor:.9g}±{sd / factor:.9g} {unit}")["rain_summer"]
        assert math.isclose(other.value, plain.value, rel_tol=1e-6)
        assert other.error is not None
        assert plain.error is not None
        assert math.isclose(other.error, plain.error, rel_tol=1e-6)
    by_share = read(f"rain_summer={millimetres:.9g} mm ± {100 * share:.9g} %")["rain_summer"]
    assert by_share.error is not None
    assert math.isclose(by_share.error, sd, rel_tol=1e-6)


@given(celsius=st.floats(-20.0, 40.0), sd=st.floats(0.1, 5.0))
def test_an_error_of_a_temperature_is_a_difference_in_every_scale(celsius, sd):
    for unit, value, error in (
        ("degF", celsius * 1.8 + 32.0, sd * 1.8),
        ("F", celsius * 1.8 + 32.0, sd * 1.8),
        ("K", celsius + 273.15, sd),
        ("°C", celsius, sd),
    ):
        figure = read(f"temp_warmest={value:.9f}±{error:.9f} {unit}")["temp_warmest"]
        assert math.isclose(figure.value, celsius, abs_tol=1e-6)
        assert figure.error is not None
        assert math.isclose(figure.error, sd, rel_tol=1e-5)


def test_shares_of_mass_in_all_their_units_agree():
    values = [read(f"carbonate={text}")["carbonate"].value for text in ("12%", "120 g/kg", "12 g/100g", "120 ‰", "12")]
    assert values == pytest.approx([12.0] * 5)


def test_a_slope_in_percent_becomes_an_angle_with_its_error():
    figure = read("slope=100±10%")["slope"]
    assert math.isclose(figure.value, 45.0, rel_tol=1e-6)
    assert figure.error is not None
    assert math.isclose(figure.error, math.degrees(0.1 / 2.0), rel_tol=0.01)  # the slope of the arctangent at 1


@pytest.mark.parametrize(
    ("text", "code", "fix"),
    [
        ("phh=7.6", "E371", '"ph"'),
        ("rain=150", "E371", '"rain_summer"'),
        ("caco3=12%", "E371", '"carbonate"'),
        ("temperature=12", "E371", "annual_temperature"),
        ("organic_carbon=1.5%", "E371", "organic_matter=2.59%"),
        ("ph=76", "E204", "ph=7.6"),
        ("temp_warmest=294", "E204", "temp_warmest=294K"),
        ("temp_warmest=70", "E204", "temp_warmest=70degF"),
        ("clay=250", "E204", "clay=250g/kg"),
        ("carbonate=-1", "E204", "unit and value"),
        ("first_frost=400", "E204", "unit and value"),
        ("northness=3", "E204", "unit and value"),
        ("ph=7.6 mm", "E341", "write it in pH"),
        ("rain_summer=150 foo", "E340", "mm"),
        ("clay=20%±10%", "E344", "% of value"),
        ("clay=20% KCl", "E373", "KCl"),
        ("ph=6.9 water ph=7", "E372", "mean"),
    ],
)
def test_a_figure_that_cannot_be_is_refused_with_a_proposal(text, code, fix):
    ((first, where, proposed),) = faults(text)
    assert first == code
    assert fix in proposed
    assert where


def test_all_faults_come_in_one_go():
    assert [code for code, _, _ in faults("phh=7 clay=250 rain_summer=1 foo stones=5%")] == ["E371", "E204", "E340"]


@pytest.mark.parametrize("species", profile_names())
def test_without_an_error_that_of_a_laboratory_or_of_a_map_is_assumed(species):
    profile = load_profile(species)
    for name, criterion in profile.criteria.items():
        low, high = bounds_of(criterion.layer, canonical_name(criterion.unit))
        assert math.isfinite(low)
        assert math.isfinite(high)
        value = 7.0 if criterion.unit == "pH" else min(10.0, high / 2.0)
        assert low <= value <= high
        figure = read(f"{name}={value}", species)[criterion.layer]
        kind = next(error for error in published_errors().values() if criterion.layer in error.layers)
        if criterion.is_soil and kind.lab is not None:
            expected = deviation_in(kind.lab.sd, criterion.unit)
        elif kind.sd is not None:
            expected = deviation_in(deviation_at(kind.sd, 30.0), criterion.unit)
        else:
            assert figure.sd is None
            assert figure.unknown == kind.no_error
            continue
        assert (figure.sd, figure.is_share) == expected
        assert figure.assumed is not None
        stated = read(f"{name}={value}±0.25", species)[criterion.layer]
        assert stated.assumed is None
        assert stated.sd == 0.25


@pytest.mark.parametrize("kind", [kind for kind, error in published_errors().items() if error.lab is not None])
def test_a_laboratory_error_has_a_unit_of_its_kind_and_a_source(kind):
    error = published_errors()[kind]
    lab = error.lab
    assert lab is not None
    units = {
        c.unit for name in profile_names() for c in load_profile(name).criteria.values() if c.layer in error.layers
    }
    for unit in units:
        amount, _ = deviation_in(lab.sd, unit)
        assert amount > 0.0
    assert (lab.known == "common practice, no source") == (lab.grade == "C")


@pytest.mark.parametrize("method", sorted({given for given, _ in PH_CONVERSIONS} | {"KCl", "CaCl2"}))
def test_a_ph_of_another_method_is_converted_as_a_row_of_the_laboratory_is(method):
    line = published(method, "water")
    if method.startswith("water"):
        assert read(f"ph=6.5±0.1 {method}")["soil_ph"].value == 6.5
        return
    if line is None:
        assert [code for code, _, _ in faults(f"ph=6.5 {method}")] == ["E373"]
        return
    figure = read(f"ph=6.5±0.1 {method}")["soil_ph"]
    assert line == ph_conversion(line.given, line.wanted)
    assert math.isclose(figure.value, float(line.line(6.5)))  # type: ignore[arg-type]
    assert figure.error is not None
    assert math.isclose(figure.error, math.hypot(0.1, line.sd))
    assert line.source in figure.conversion
    assert [code for code, _, _ in faults(f"ph={line.high + 0.5} {method}")] == ["E373"]


def test_figures_of_other_species_are_left_out_and_unknown_ones_are_refused():
    profiles = [load_profile(name) for name in profile_names()]
    layers = [{c.layer for c in profile.criteria.values()} for profile in profiles]
    some = next((i, layer) for i, names in enumerate(layers) for layer in sorted(set().union(*layers) - names))
    problems = Problems()
    written = read_written(f"ph=7 {some[1]}=5", problems)
    figures = read_figures(written, profiles[some[0]], problems, profiles)
    assert [figure.layer for figure in figures] == ["soil_ph"]
    assert not problems.faults
    read_figures(read_written("nothing_such=5", problems), profiles[0], problems, profiles)
    assert [fault.code for fault in problems.faults] == ["E371"]


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("rain_summer=800±1 rain_annual=600±1", "rain_summer, rain_annual"),
        ("active_carbonate=30±1 carbonate=12±1", "active_carbonate, carbonate"),
        ("temp_coldest=21±1 temp_warmest=4±1", "temp_coldest, temp_warmest"),
        ("sand=70 clay=50", "sand, clay"),
    ],
)
def test_figures_that_contradict_each_other_are_refused(text, where):
    assert [(code, place) for code, place, _ in faults(text)] == [("E204", where)]


def test_figures_that_agree_within_their_errors_are_taken():
    assert faults("rain_summer=305±10 rain_annual=300±10 sand=55 clay=45 temp_coldest=4 temp_warmest=21") == []
