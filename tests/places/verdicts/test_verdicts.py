"""Verdicts of parcels: exact small cases, worth by the closed form, and words for every purpose."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtri

import underoak as uo
from underoak.overlay import Rules
from underoak.places.answers.deal import Answer
from underoak.places.answers.verdict import DecidedBy, Purpose, SoilTestFigures, TooSmall
from underoak.places.columns.cell_text import ANSWERS
from underoak.places.columns.column import encode_table
from underoak.places.columns.parcels import parcel_columns
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.verdicts import verdicts as verdicts_module
from underoak.places.verdicts.verdicts import (
    COLUMNS,
    SoilTest,
    layers_to_test,
    loss_threshold,
    mean_shortfall,
    rank_tests,
    reason_of,
    soil_tests,
    untested_layers,
    with_verdicts,
)
from underoak.plan import PURPOSES
from underoak.report.text.cell_sentences import SENTENCES
from underoak.uncertainty import value_of_test

DRAWS = 512
Z = ndtri((np.arange(DRAWS) + 0.5) / DRAWS)
UNITS = {"soil_ph": "pH", "rain": "mm", "clay": "percent"}
TEST_ERROR = float(np.hypot(0.15, 0.3 / np.sqrt(20)))  # of the method, and of a bag of 20 cores


def plan_of(**more):
    """Three doubtful layers, one of which no laboratory tests."""
    ramp = {"shape": "ramp_up", "at": [5.0, 10.0]}  # 7.5 is the cut of S2
    return uo.load_plan(
        {
            "format": 1, "title": "Hill", "purpose": "buy",
            "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
            "layers": {
                "soil_ph": {"file": "ph.tif", "unit": "pH", "method": "water", "sd": 0.4},
                "rain": {"file": "rain.tif", "unit": "mm", "sd": "10 mm"},
                "clay": {"file": "clay.tif", "unit": "percent", "sd": 5},
            },
            "criteria": {
                "ph": {"layer": "soil_ph", "curve": ramp, "source": "test"},
                "water": {"layer": "rain", "curve": {"shape": "ramp_up", "at": [50, 150]}, "source": "test"},
                "clay": {"layer": "clay", "curve": {"shape": "ramp_down", "at": [20, 40]}, "source": "test"},
            },
            "weights": {"direct": {"ph": 1.0, "water": 0.0, "clay": 0.0}},
            "combine": {"rule": "linear"},
            "classes": {"cap": "none"},
            "uncertainty": {"draws": 64, "lab_error": {"soil_ph": 0.15}},
            "parcels": {"file": "p.gpkg", "id": "id"},
        } | more,
        base=".",
    )  # fmt: skip


def spread_of(means, sd=0.4):
    """Parcels whose suitability is (pH - 5) / 5, of pH normal around these means; rain and clay are sure to be good."""
    ph = np.array(means)[:, None] + sd * Z
    suitability = (ph - 5.0) / 5.0
    other = np.broadcast_to(np.random.default_rng(7).permutation(Z), suitability.shape)
    values = np.stack([ph, 100.0 + 10.0 * other, 20.0 + other], axis=1)
    memberships = np.stack([suitability, np.full_like(ph, 0.9), np.full_like(ph, 0.8)], axis=1)
    ids = tuple(f"P{n}" for n in range(len(means)))
    return ParcelDraws(ids, suitability, (0, 1, 2), memberships, memberships.mean(axis=2), (0, 1, 2), values)


def table_of(spread, plan, judged=None, usable_ha=2.0, too_small=None):
    count = len(spread.ids)
    table = pd.DataFrame({"id": list(spread.ids), "rank": pd.array(judged or range(1, count + 1), "Int64")})
    table["area_ha"], table["valid_share"], table["usable_ha"] = 2.0, 1.0, usable_ha
    table["too_small"] = pd.Series([too_small] * count, dtype=object)
    return spread.add_to(table, plan.rules)


def verdicts(plan, *args):
    """The table as its file holds it."""
    return encode_table(with_verdicts(plan, *args), parcel_columns(plan.purpose, SENTENCES))


def test_a_laboratory_tests_soil_and_nothing_that_falls_from_the_sky():
    plan = plan_of()
    assert layers_to_test(plan, UNITS, spread_of([7.3])) == {"soil_ph": 0, "clay": 2}


def test_worth_of_a_test_is_that_of_the_closed_form():
    (ph, clay) = soil_tests(plan_of(), UNITS, spread_of([7.3, 8.9]))
    exact = value_of_test([7.3, 8.9], 0.4, 7.5, TEST_ERROR)
    assert ph.flip_chance == pytest.approx(exact.flip_chance, abs=0.005)
    assert ph.worth == pytest.approx(exact.sample / 5.0, abs=2e-4)  # a pH is worth a fifth of suitability
    assert clay.flip_chance.tolist() == [0.0, 0.0]  # has no weight
    assert (ph.has_error, clay.has_error) == (True, False)


def test_verdicts_follow_chance_and_test():
    plan, spread = plan_of(), spread_of([7.3, 8.9, 6.0, 7.5])
    made = verdicts(plan, UNITS, table_of(spread, plan), spread)
    assert made["verdict"].tolist() == ["test first", "yes", "no", "test first"]
    assert made["decided_by"].tolist() == ["test", "likely", "unlikely", "test"]
    assert made["best_test"].tolist()[0] == "soil_ph"
    assert made["p_s2"].tolist() == pytest.approx([0.3085, 1.0, 0.0, 0.5], abs=0.002)
    flip = float(value_of_test(7.3, 0.4, 7.5, TEST_ERROR).flip_chance)
    assert f"would turn the answer with a chance of {flip:.2f}" in made["verdict_reason"][0]
    assert "no single test of the soil would turn the answer" in made["verdict_reason"][1]
    assert "test_pays_above" not in made


def test_thresholds_are_the_plans():
    spread = spread_of([7.7])  # P 0.69, flip 0.30
    sure = plan_of(verdict={"yes_at": 0.6, "no_at": 0.1, "test_first_at": 0.5})
    assert verdicts(sure, UNITS, table_of(spread, sure), spread)["verdict"].tolist() == ["yes"]
    wary = plan_of(verdict={"yes_at": 0.8, "no_at": 0.75, "test_first_at": 0.5})
    assert verdicts(wary, UNITS, table_of(spread, wary), spread)["verdict"].tolist() == ["no"]


def test_a_test_pays_above_a_loss_that_its_price_alone_decides():
    spread = spread_of([7.3])
    plan = plan_of(prices={"soil_test": 60, "currency": "EUR"})
    made = verdicts(plan, UNITS, table_of(spread, plan), spread)
    below = np.maximum(0.5 - spread.suitability[0], 0.0)
    # a unit of suitability is worth what makes the test just pay; a wrong purchase then costs the mean shortfall
    value_of_one = 60 / made["worth"][0]
    assert made["test_pays_above"][0] == pytest.approx(value_of_one * below[below > 0].mean())
    dearer = plan_of(prices={"soil_test": 120})
    assert verdicts(dearer, UNITS, table_of(spread, dearer), spread)["test_pays_above"][0] == pytest.approx(
        2 * made["test_pays_above"][0]
    )


@given(st.floats(1.0, 1e4), st.floats(1e-6, 0.5), st.floats(1e-3, 0.5), st.floats(1.0, 10.0))
def test_the_loss_rises_with_price_and_shortfall_and_falls_with_worth(price, worth, shortfall, more):
    loss = loss_threshold(price, worth, shortfall)
    assert loss_threshold(price * more, worth, shortfall) >= loss
    assert loss_threshold(price, worth, shortfall * more) >= loss
    assert loss_threshold(price, worth * more, shortfall) <= loss
    assert loss_threshold(price, 0.0, shortfall) is None
    assert loss_threshold(price, worth, float("nan")) is None


def test_where_two_outcomes_are_known_the_loss_is_that_of_the_decision_tree():
    # half the draws lie a above the cut, half b below it, and a test shows which: with b < a one takes the parcel, and
    # the test saves b in half the cases
    above, below, cut, price = 0.3, 0.12, 0.5, 75.0
    capped = np.array([[cut + above, cut - below] * 32])
    worth = below / 2
    assert loss_threshold(price, worth, mean_shortfall(capped, cut)[0]) == pytest.approx(price / 0.5)


def lab_test_of(layer, flip, worth, flip_error=0.0, worth_error=0.0):
    figures = (np.array([each]) for each in (flip, worth, flip_error, worth_error))
    flips, worths, flip_errors, worth_errors = figures
    return SoilTest(layer, flips, worths, True, flip_errors, worth_errors)


def test_a_worth_that_cannot_be_told_from_0_stands_last_and_the_greatest_chance_still_decides():
    vague = lab_test_of("clay", 0.31, 0.04, 0.1, 0.021)
    vaguer = lab_test_of("sand", 0.11, 0.09, 0.1, 0.05)
    clear = lab_test_of("soil_ph", 0.12, 0.010, 0.05, 0.004)
    figures = rank_tests([vaguer, vague, clear], 0)
    assert [(test.layer, test.is_worth_known) for test in figures] == [
        ("soil_ph", True), ("clay", False), ("sand", False),
    ]  # fmt: skip
    reason = reason_of(plan_of(), 0.9, 64, figures, (), (None, 2.0))
    assert (reason.decided_by, reason.test) == (DecidedBy.TEST, "clay")


def test_without_a_known_worth_no_test_is_best_and_none_pays(monkeypatch):
    spread = spread_of([7.3])
    plan = plan_of(prices={"soil_test": 60})
    monkeypatch.setattr(verdicts_module, "soil_tests", lambda *_: [lab_test_of("soil_ph", 0.4, 0.02, 0.1, 0.011)])
    row = with_verdicts(plan, UNITS, table_of(spread, plan), spread).iloc[0]
    assert row["decided_by"] is DecidedBy.TEST
    assert row["best_test"] is None
    assert np.isnan([row["worth"], row["flip_chance"], row["test_pays_above"]]).all()
    assert row["tests"] == (SoilTestFigures("soil_ph", 0.4, 0.02, 0.1, 0.011),)


def test_tests_stand_by_worth_and_the_greatest_chance_decides():
    likely = lab_test_of("clay", 0.31, 0.002)
    worthy = lab_test_of("soil_ph", 0.12, 0.010)
    useless = lab_test_of("sand", 0.0, 0.0)
    figures = rank_tests([likely, useless, worthy], 0)
    assert figures == (SoilTestFigures("soil_ph", 0.12, 0.010), SoilTestFigures("clay", 0.31, 0.002))
    reason = reason_of(plan_of(), 0.9, 64, figures, (), (None, 2.0))
    assert (reason.decided_by, reason.test, reason.flip_chance) == (DecidedBy.TEST, "clay", 0.31)
    calm = plan_of(verdict={"test_first_at": 0.4})
    assert reason_of(calm, 0.9, 64, figures, (), (None, 2.0)).decided_by is DecidedBy.LIKELY


def test_nothing_is_said_of_a_test_whose_map_has_no_known_error():
    plan = plan_of(
        layers={
            "soil_ph": {"file": "ph.tif", "unit": "pH", "method": "water", "sd": 0.4},
            "rain": {"file": "rain.tif", "unit": "mm", "sd": "10 mm"},
            "clay": {"file": "clay.tif", "unit": "percent"},
        },
        weights={"direct": {"ph": 0.5, "water": 0.2, "clay": 0.3}},
    )
    spread = replace(spread_of([8.9]), drawn=(0, 1), judged_by=(0, 1))
    assert untested_layers(plan, UNITS, spread) == ("clay",)
    made = verdicts(plan, UNITS, table_of(spread, plan), spread)
    assert "no single test of the soil would turn the answer" not in made["verdict_reason"][0]
    assert "what a test of clay would change is not known" in made["verdict_reason"][0]


def test_a_yes_that_rests_on_doubt_switched_off_is_open():
    layers = {
        "soil_ph": {"file": "ph.tif", "unit": "pH", "method": "water"},
        "rain_summer": {"file": "rain.tif", "unit": "mm", "sd": "10 mm"},
        "clay": {"file": "clay.tif", "unit": "percent", "sd": 5},
    }
    written = {"species": ["tuber_melanosporum"], "criteria": {}, "weights": None, "verdict": {"judged_at": 0.2}}
    off, on = (plan_of(**written, layers=layers, uncertainty={"assume": assume}) for assume in ("none", "published"))
    for plan, rule in ((off, DecidedBy.DOUBT_OFF), (on, DecidedBy.LIKELY)):
        assert reason_of(plan, 0.9, 64, (), (), (None, 2.0)).decided_by is rule
        assert reason_of(plan, 0.5, 64, (), (), (None, 2.0)).decided_by is DecidedBy.UNSETTLED
        assert reason_of(plan, 0.1, 64, (), (), (None, 2.0)).decided_by is DecidedBy.UNLIKELY


@pytest.mark.parametrize("why", TooSmall)
def test_a_parcel_that_is_too_small_is_a_no_with_its_reason(why):
    plan, spread = plan_of(verdict={"usable_area": "3000 m2"}), spread_of([8.9])
    made = verdicts(plan, UNITS, table_of(spread, plan, usable_ha=0.23, too_small=why), spread)
    assert (made["verdict"][0], made["decided_by"][0]) == ("no", "too small")
    says = {
        TooSmall.AREA: "0.23 ha of usable land is less than the 0.30 ha that it takes",
        TooSmall.TREES: "no tree fits on its 0.23 ha of usable land",
    }
    assert says[why] in made["verdict_reason"][0]
    uncertain = spread_of([7.4])  # a test of its pH would matter, were it larger
    small, large = (
        verdicts(plan, UNITS, table_of(uncertain, plan, usable_ha=0.23, too_small=each), uncertain)
        for each in (why, None)
    )
    assert large["best_test"][0] == "soil_ph"
    assert small.loc[0, ["best_test", "tests", "worth", "flip_chance"]].isna().all()
    assert "test of the soil" not in small["verdict_reason"][0]  # the size decides, and no test makes land larger


def test_a_plan_that_looks_at_too_little_says_what_to_add_first():
    species = {"species": ["tuber_melanosporum"], "criteria": {}, "weights": None, "classes": {"cap": "none"}}
    layers = {
        "soil_ph": {"file": "ph.tif", "unit": "pH", "method": "water", "sd": 0.4},
        "rain_summer": {"file": "rain.tif", "unit": "mm", "sd": "10 mm"},
        "clay": {"file": "clay.tif", "unit": "percent", "sd": 5},
    }
    plan = plan_of(**{key: value for key, value in species.items() if value is not None}, layers=layers, weights=None)
    spread = spread_of([8.9])
    reason = reason_of(plan, 0.97, 64, (), (), (None, 2.0))
    assert reason.decided_by is DecidedBy.LOOK_FIRST
    assert reason.judged_weight == pytest.approx(0.28)  # pH 0.11, water 0.11, clay 0.06
    assert reason.add == ("carbonate", "temp_warmest", "wetness_depth")  # 0.12, 0.09 and 0.07 reach 0.50
    assert reason_of(plan, 0.1, 64, (), (), (None, 2.0)).decided_by is DecidedBy.UNLIKELY
    bold = plan_of(
        species=["tuber_melanosporum"], criteria={}, weights=None, layers=layers, verdict={"judged_at": 0.28}
    )
    assert reason_of(bold, 0.97, 64, (), (), (None, 2.0)).decided_by is DecidedBy.LIKELY
    assert spread.ids


def test_a_parcel_that_is_not_judged_has_no_verdict():
    plan, spread = plan_of(), spread_of([8.9, 8.9])
    made = verdicts(plan, UNITS, table_of(spread, plan, [1, None]), spread)
    assert made.loc[1, [name for name in COLUMNS if name in made]].isna().all()
    assert made["verdict"][0] == "yes"


def test_the_weakest_criterion_holds_a_parcel_below_s2():
    spread = spread_of([8.9])
    rules = Rules((0.9, 0.05, 0.05), rule="linear")
    weak = replace(spread, memberships=spread.memberships * np.array([1.0, 0.2, 1.0])[None, :, None])  # 0.18: class N
    assert weak.columns(rules)["p_s2"].tolist() == [0.0]
    assert weak.columns(replace(rules, cap="none"))["p_s2"].tolist() == [1.0]
    assert weak.columns(replace(rules, weights=(0.95, 0.0, 0.05)))["p_s2"].tolist() == [1.0]  # no weight, no hold


@pytest.mark.parametrize("purpose", PURPOSES)
def test_every_purpose_has_words(purpose):
    words = ANSWERS[Purpose(purpose)]
    assert set(words) == set(Answer)
    assert len(set(words.values())) == 5
