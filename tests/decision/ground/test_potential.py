"""The potential by remedy: what lifts the class, and that water counts only where its source is named."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.decision.ground.potential import Lift, PotentialSplit, Standing, names_water, split_of
from underoak.report.text.decision.potential_words import lift_words, split_rows, uncounted_words

CUTS = (0.75, 0.50, 0.25)


def split(now, lime, water, both, is_named=False):
    of = {"S1": 0.8, "S2": 0.6, "S3": 0.3, "N": 0.1}
    return PotentialSplit(*(None if c is None else Standing(c, of[c], 0.5) for c in (now, lime, water, both)), is_named)


@pytest.mark.parametrize(
    ("classes", "lift"),
    [
        (("S3", "S3", "S1", "S1"), Lift.WATER), (("S3", "S1", "S3", "S1"), Lift.LIME),
        (("S3", "S2", "S2", "S1"), Lift.EITHER), (("S3", "S3", "S3", "S2"), Lift.TOGETHER),
        (("S2", "S2", "S2", "S2"), Lift.NOTHING), (("S3", None, "S2", "S2"), Lift.WATER),
        (("S3", "S2", None, "S2"), Lift.LIME), (("S1", "S1", "S1", "S1"), Lift.NOTHING),
    ],
)  # fmt: skip
def test_what_lifts_the_class(classes, lift):
    assert split(*classes).lift is lift


def test_the_well_is_bought_where_only_water_lifts_the_class():
    # the working notes' own example: "S3 now, S3 limed, S1 watered: you buy the well, not the field."
    assert "You buy the well, not the field" in lift_words(split("S3", "S3", "S1", "S1"))
    assert "names no source" in lift_words(split("S3", "S3", "S1", "S1"))
    assert "names no source" not in lift_words(split("S3", "S3", "S1", "S1", is_named=True))
    assert "the well" not in lift_words(split("S3", "S1", "S1", "S1"))


def test_water_counts_only_where_its_source_is_named():
    dry, wet = (split("S3", "S2", "S1", "S1", is_named=named) for named in (False, True))
    assert (dry.counted.class_name, wet.counted.class_name) == ("S2", "S1")
    assert (dry.has_uncounted, wet.has_uncounted) == (True, False)
    assert split("S3", None, "S1", "S1").counted.class_name == "S3"
    assert split("S3", "S1", None, "S1").counted.class_name == "S1"  # lime needs no source


@given(st.permutations(["S1", "S2", "S3", "N"]), st.booleans())
def test_naming_a_source_never_worsens_what_counts(classes, has_lime):
    order = sorted(classes)
    now, one, two, both = "S3", order[1], order[0], "S1"
    lime = one if has_lime else None
    dry, wet = (split(now, lime, two, both, is_named=named) for named in (False, True))
    assert wet.counted.suitability >= dry.counted.suitability


def row(**more):
    return {
        "id": "F7", "class": "S3", "suitability": 0.31, "p_s2": 0.2, "with_lime": 0.33, "with_lime_class": "S3",
        "p_with_lime": 0.25, "with_water": 0.81, "with_water_class": "S1", "p_with_water": 0.7, "potential": 0.83,
        "potential_class": "S1", "p_with_both": 0.75,
    } | more  # fmt: skip


def plan(**supplies):
    return SimpleNamespace(water_supply=supplies or None, classes=SimpleNamespace(cuts=CUTS))


def test_rows_say_what_is_not_counted():
    rows = split_rows(split_of(row(), plan()), CUTS)
    assert [cells[0] for cells in rows] == ["as it is", "lime alone", "water alone", "lime and water"]
    assert [bool(cells[-1]) for cells in rows] == [False, False, True, True]
    assert [cells[3] for cells in rows] == ["0.20", "0.25", "0.70", "0.75"]
    named = split_rows(split_of(row(), plan(well=SimpleNamespace(parcels=None))), CUTS)
    assert not any(cells[-1] for cells in named)


def test_a_source_of_other_parcels_is_none_of_this():
    well = SimpleNamespace(parcels=("F8", "F9"))
    assert not names_water(plan(well=well), "F7")
    assert names_water(plan(well=well, canal=SimpleNamespace(parcels=("F7",))), "F7")
    assert not names_water(plan(), "F7")


def test_parcels_that_only_water_lifts_are_counted():
    rows = [row(), row(id="F8"), row(id="F9", with_lime=0.8, with_lime_class="S1")]
    assert "2 parcels would be of a better class with it" in uncounted_words(rows, plan())
    dry = [row(with_water=0.31, with_water_class="S3", potential=0.33, potential_class="S3")]
    assert uncounted_words(dry, plan()) == ""
    assert uncounted_words(rows, plan(well=SimpleNamespace(parcels=None))) == ""


def test_without_draws_there_is_no_chance():
    bare = {name: value for name, value in row().items() if not name.startswith("p_")}
    rows = split_rows(split_of(bare, plan()), CUTS)
    assert {len(cells) for cells in rows} == {4}
