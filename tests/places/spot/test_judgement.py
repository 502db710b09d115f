"""The judgement of a spot: by the maths of rasters, its probability by brute force, its advice by the profile."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import underoak as uo
from spots import some_criteria, values_near
from underoak.base.errors import Fault
from underoak.overlay import classify, combine, membership
from underoak.places.answers.needs import LimeBeyond, LimeNeed, WaterNeed
from underoak.places.spot import judgement
from underoak.plan import load as plan_load
from underoak.plan.profiles.profile import Profile, load_profile, profile_names
from underoak.plan.profiles.published_errors import published_errors

CLASSES = ["S1", "S2", "S3", "N"]


def random_figures(profile: Profile, rng: np.random.Generator, count: int) -> dict[str, str]:
    """Figures of `count` random criteria, with errors."""
    figures = {}
    for name in some_criteria(profile, rng, count):
        (value,), span = values_near(profile, name, rng, 1)
        figures[name] = f"{value:.6g} ± {0.15 * span:.4g}"
    return figures


@pytest.mark.parametrize("species", profile_names())
def test_the_probability_agrees_with_brute_force(species):
    profile, rng = load_profile(species), np.random.default_rng(len(species))
    for seed in range(4):
        spot = uo.judge(species, random_figures(profile, rng, 4), seed=seed)
        rules = spot.plan.rules
        drawn = np.empty((len(spot.criteria), 200_000))
        for k, each in enumerate(spot.criteria):
            assert each.figure.error is not None
            draws = rng.normal(each.value, each.figure.error, drawn.shape[1]).clip(*each.figure.limits)
            drawn[k] = membership(draws.astype(np.float32), each.criterion.curve)
        scores = combine(drawn, rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
        weighing = np.array(rules.weights) > 0.0
        essential = drawn[list(rules.essential)].min(axis=0) if rules.essential else None
        codes = classify(scores, drawn[weighing].min(axis=0), rules.cuts, rules.cap, essential)
        share = float((codes <= 2).mean())
        assert spot.p == pytest.approx(share, abs=4.0 * math.sqrt(max(share * (1 - share), 1e-4) / spot.draws))
        low, high = np.quantile(scores, [0.05, 0.95])
        assert (spot.low, spot.high) == (pytest.approx(low, abs=0.03), pytest.approx(high, abs=0.03))


@given(seed=st.integers(0, 10**6), species=st.sampled_from(profile_names()))
@settings(max_examples=15)
def test_the_order_of_the_figures_does_not_matter(seed, species):
    figures = random_figures(load_profile(species), np.random.default_rng(seed), 5)
    first, again = (
        uo.judge(species, dict(order), draws=64) for order in (figures.items(), list(figures.items())[::-1])
    )
    assert (first.suitability, first.class_name, first.p) == (again.suitability, again.class_name, again.p)
    assert {c.name: c.weight for c in first.criteria} == {c.name: c.weight for c in again.criteria}


def test_figures_without_errors_give_no_certain_answer():
    profile = load_profile("tuber_melanosporum")
    kinds = [kind for kind in published_errors().values() if kind.sd is None and kind.lab is None]
    unknown = {layer for kind in kinds for layer in kind.layers}
    name, criterion = next((n, c) for n, c in profile.criteria.items() if c.layer in unknown and c.weight > 0.0)
    best = next(x for x, y in zip(criterion.curve.curve().x, criterion.curve.curve().y, strict=True) if y == 1.0)
    spot = uo.judge(profile.name, {name: best})
    assert (spot.suitability, spot.class_name) == (1.0, "S1")
    assert spot.p is None
    assert spot.low is None
    assert uo.judge(profile.name, {name: f"{best}±0"}).p == 1.0  # whoever writes an error of 0 gets a certain answer


def test_weights_are_the_profiles_over_those_that_are_judged():
    profile = load_profile("tuber_melanosporum")
    spot = uo.judge(profile.name, "ph=7.7 clay=25 rain_summer=160")
    expected = {c.name: profile.criteria[c.name].weight for c in spot.criteria}
    assert {c.name: c.weight for c in spot.criteria} == pytest.approx(
        {name: weight / sum(expected.values()) for name, weight in expected.items()}
    )
    part = spot.looked_at
    every = sum(criterion.weight for criterion in profile.criteria.values())
    assert part.judged_weight == pytest.approx(sum(expected.values()) / every)
    weights = [c.weight for c in part.missing]
    assert weights == sorted(weights, reverse=True)
    assert not {c.name for c in part.missing} & expected.keys()
    assert part.judged_weight + sum(weights) == pytest.approx(1.0)


def low_figures(profile: Profile) -> dict[str, str]:
    """A pH and a rain half-way up their rising sides, for a profile that limes and waters."""
    figures = {}
    for name, criterion in profile.criteria.items():
        if criterion.remedy is not None and criterion.weight > 0.0:
            x = criterion.curve.curve().x
            figures[name] = f"{(x[0] + x[1]) / 2.0:.6g}"
    return figures


LIMED = [
    name
    for name in profile_names()
    if {c.remedy.by for c in load_profile(name).criteria.values() if c.remedy} >= {"lime", "irrigation"}
]


@pytest.mark.parametrize("species", LIMED)
def test_remedies_raise_it_within_the_profiles_own_limits(species):
    profile = load_profile(species)
    spot = uo.judge(species, low_figures(profile))
    assert spot.potential is not None
    assert set(spot.potential.by) == {"lime", "irrigation"}
    assert spot.potential.suitability > spot.suitability
    assert all(step.suitability <= spot.potential.suitability + 1e-6 for step in spot.steps)
    lime, water = (next(n for n in spot.needs if isinstance(n, kind)) for kind in (LimeNeed, WaterNeed))
    assert profile.most_lime is not None
    assert 0.0 < lime.t_ha <= profile.most_lime.t_ha
    assert not math.isfinite(lime.tonnes)  # a spot has no area
    assert water.mm > 0.0
    wild = uo.judge(species, low_figures(profile), purpose="restore")
    assert (wild.needs, wild.steps, wild.potential) == ((), (), None)
    assert (wild.suitability, wild.p) == (spot.suitability, spot.p)


def test_more_lime_than_counts_is_named_and_not_counted():
    profile = load_profile(LIMED[0])
    assert profile.most_lime is not None
    name, ph = next((n, c) for n, c in profile.criteria.items() if c.remedy is not None and c.remedy.by == "lime")
    goal = ph.curve.curve().full[0]
    acid = goal - 0.1 * profile.most_lime.t_ha / 3.0 - 0.5  # a tonne for each tenth and 10 cm of 30
    spot = uo.judge(profile.name, {name: max(acid, 3.0)})
    assert any(isinstance(need, LimeBeyond) for need in spot.needs)
    assert spot.potential is None


def test_an_essential_criterion_caps_the_class_and_each_draw(monkeypatch):
    profile = load_profile("tuber_melanosporum")
    name, slope = next((n, c) for n, c in profile.criteria.items() if c.layer == "slope")
    marked = slope.model_copy(update={"essential": True, "essential_source": "a test"})
    changed = profile.model_copy(update={"criteria": profile.criteria | {name: marked}})
    for module in (judgement, plan_load):
        monkeypatch.setattr(module, "load_profile", lambda _: changed)
    x = slope.curve.curve().x
    third = x[0] + 0.6 * (x[1] - x[0])  # membership 0.4: class S3
    figures = {"ph": "7.9±0.05", name: f"{third}±0.01", "water": "180±5"}
    spot = uo.judge(profile.name, figures)
    assert (spot.class_name, spot.held_by, spot.limiting) == ("S3", (name,), (name,))
    assert spot.p == 0.0
    assert spot.criteria[[c.name for c in spot.criteria].index(name)].criterion.is_essential
    without = uo.judge(profile.name, {key: value for key, value in figures.items() if key != name})
    assert without.class_name == "S1"  # what is missing blocks nothing
    assert name in [c.name for c in without.looked_at.missing if c.is_essential]


def test_figures_that_have_no_weight_are_named_with_the_reason():
    profile = load_profile("tuber_melanosporum")
    idle = [name for name, c in profile.criteria.items() if c.weight == 0.0 and not c.essential]
    spot = uo.judge(profile.name, {"ph": 7.6, idle[0]: 20})
    assert [name for name, _ in spot.not_used] == [idle[0]]
    with pytest.raises(uo.UnderoakError) as error:
        uo.judge(profile.name, {idle[0]: 20})
    assert [fault.code for fault in error.value.faults] == ["E374"]


def test_all_species_are_judged_as_each_is_alone():
    text = "ph=7.4±0.2 rain_summer=140 clay=28 temp_warmest=20"
    spots = uo.judge_all(text, draws=200)
    assert sorted(spot.species for spot in spots) == sorted(profile_names())
    assert [spot.suitability for spot in spots] == sorted((spot.suitability for spot in spots), reverse=True)
    known = {name: {c.layer for c in load_profile(name).criteria.values()} for name in profile_names()}
    for spot in spots:
        names = ("soil_ph", "rain_summer", "clay", "temp_warmest")
        words = [w for w, layer in zip(text.split(), names, strict=True) if layer in known[spot.species]]
        alone = uo.judge(spot.species, words, draws=200)
        assert (alone.suitability, alone.class_name, alone.p) == (spot.suitability, spot.class_name, spot.p)


@pytest.mark.parametrize(
    ("settings_of", "where"), [({"purpose": "sell"}, "purpose"), ({"draws": 2}, "draws"), ({"seed": -1}, "seed")]
)
def test_wrong_settings_and_figures_are_reported_together(settings_of: dict[str, Any], where: str):
    with pytest.raises(uo.UnderoakError) as error:
        uo.judge("tuber_melanosporum", "phh=7 clay=250", **settings_of)
    assert [fault.code for fault in error.value.faults] == ["E304", "E371", "E204"]
    assert error.value.faults[0].where == where
    with pytest.raises(uo.UnderoakError) as error:
        uo.judge("tuber_melanosporium", "ph=a")
    assert [fault.code for fault in error.value.faults] == ["E332", "E370"]


def test_a_better_value_never_lowers_suitability_or_probability():
    before = None
    curve = load_profile("tuber_melanosporum").criteria["ph"].curve.curve()
    for value in np.linspace(curve.x[0], curve.x[1], 9):
        spot = uo.judge("tuber_melanosporum", {"ph": f"{value}±0.2", "clay": "30±4"}, draws=500)
        if before is not None:
            assert spot.suitability >= before.suitability
            assert spot.p is not None
            assert before.p is not None
            assert spot.p >= before.p
            assert CLASSES.index(spot.class_name) <= CLASSES.index(before.class_name)
        before = replace(spot)


TYPED = st.text(st.characters(codec="utf-8"), max_size=60) | st.text("ph=±+-.,:<>~ 0123456789%KClmin/", max_size=60)


@given(text=TYPED)
@settings(max_examples=150)
def test_whatever_is_typed_is_judged_or_refused(text):
    faults: tuple[Fault, ...] = ()
    try:
        uo.judge("tuber_melanosporum", f"{text} clay=20", draws=16)
    except uo.UnderoakError as error:
        faults = error.faults
    assert all(fault.fix for fault in faults)


@pytest.mark.parametrize(
    "text",
    ["ph=1" + " " * 20_000 + "x", "ph=7 " + "a " * 10_000, "ph=1,7" * 5000, "±" * 20_000, "a-" * 20_000, "ph=1e999"],
)
def test_long_and_endless_input_is_refused_at_once(text):
    with pytest.raises(uo.UnderoakError) as error:
        uo.judge("tuber_melanosporum", text)
    assert {fault.code for fault in error.value.faults} <= {"E370", "E340"}
    assert max(len(str(fault)) for fault in error.value.faults) < 500


def test_the_doubt_of_a_figure_is_what_leaving_out_its_error_takes_away():
    profile, rng = load_profile("tuber_melanosporum"), np.random.default_rng(3)
    for _ in range(5):
        figures = random_figures(profile, rng, 4)
        spot = uo.judge(profile.name, figures, draws=2000)
        assert [doubt.sd_without for doubt in spot.doubts] == sorted(doubt.sd_without for doubt in spot.doubts)
        layers = {name: profile.criteria[name].layer for name in figures}
        for name, text in figures.items():
            exact = uo.judge(profile.name, figures | {name: f"{text.split()[0]}±0"}, draws=2000)
            (doubt,) = [doubt for doubt in spot.doubts if doubt.layer == layers[name]]
            assert doubt.sd_without == exact.sd
            assert exact.suitability == spot.suitability
