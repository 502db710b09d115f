"""Other species on a parcel: judged as a spot, by enough of their profile, and marked by where they are native."""

from __future__ import annotations

import pytest

from underoak.decision.ground.instead import other_species
from underoak.places.answers.native import NativeState
from underoak.places.spot.judgement import judge_all

FIGURES = {
    "soil_ph": "7.7 pH", "clay": "28 percent", "carbonate": "12 percent", "organic_matter": "4 percent",
    "sand": "30 percent", "rain_summer": "230 mm", "rain_annual": "820 mm", "temp_warmest": "20.5 degC",
    "temp_coldest": "2.5 degC", "temp_annual": "11 degC", "slope": "5 degree",
}  # fmt: skip
BURGUNDY, CANTERBURY = (4.9, 47.2), (172.5, -43.3)


def test_others_are_those_that_the_spot_finds_suitable():
    others = other_species(FIGURES, "tuber_melanosporum", *BURGUNDY, 0.0)
    spots = {spot.species: spot for spot in judge_all(FIGURES, draws=8)}
    good = [s for s in spots if spots[s].class_name in ("S1", "S2") and s != "tuber_melanosporum"]
    assert [each.species for each in others] == sorted(good, key=lambda s: (-spots[s].suitability, s))
    assert all(each.suitability == spots[each.species].suitability for each in others)
    assert others


def test_native_is_told_by_the_place():
    here = {each.species: each.native for each in other_species(FIGURES, "tuber_melanosporum", *BURGUNDY, 0.0)}
    there = {each.species: each.native for each in other_species(FIGURES, "tuber_melanosporum", *CANTERBURY, 0.0)}
    assert here["tuber_aestivum"] is NativeState.NATIVE
    assert set(there.values()) == {NativeState.OUTSIDE}


def test_too_little_of_a_profile_names_no_species():
    assert other_species(FIGURES, "tuber_melanosporum", *BURGUNDY, 1.01) == ()


@pytest.mark.parametrize("figures", [{}, {"my_layer": "3"}, {"soil_ph": "77 pH"}])
def test_figures_that_cannot_be_judged_name_none(figures):
    assert other_species(figures, "tuber_melanosporum", *BURGUNDY, 0.0) == ()
