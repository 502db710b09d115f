"""How much of a profile is looked at, and what is named as missing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

import underoak as uo
from underoak.plan.profiles.looked_at import looked_at
from underoak.plan.profiles.profile import load_profile, profile_names

NAMES = st.sampled_from(profile_names())


@given(NAMES, st.data())
def test_what_is_looked_at_and_what_is_missing_make_the_profile(name, data):
    profile = load_profile(name)
    judged = data.draw(st.sets(st.sampled_from(sorted(profile.criteria))))
    part = looked_at(profile, judged | {"a_criterion_of_mine"})
    assert part.judged_weight + sum(criterion.weight for criterion in part.missing) == pytest.approx(1.0)
    assert not judged & {criterion.name for criterion in part.missing}
    weights = [criterion.weight for criterion in part.missing]
    assert weights == sorted(weights, reverse=True)
    assert all(weight > 0.0 for weight in weights)


@given(NAMES, st.data(), st.floats(0.0, 1.0))
def test_the_heaviest_are_named_until_enough_is_looked_at(name, data, judged_at):
    profile = load_profile(name)
    part = looked_at(profile, data.draw(st.sets(st.sampled_from(sorted(profile.criteria)))))
    selected = part.heaviest_until(judged_at)
    assert selected == part.missing[: len(selected)]
    reached = part.judged_weight + sum(criterion.weight for criterion in selected)
    assert reached >= judged_at - 1e-6
    if selected:
        assert reached - selected[-1].weight < judged_at


def test_without_a_profile_there_is_nothing_to_look_at():
    assert looked_at(None, ["ph"]) is None


def plan(**more):
    units = {"soil_ph": "pH", "clay": "percent", "sand": "percent", "mine": "mm"}
    layers = {name: {"file": f"{name}.tif", "unit": unit} for name, unit in units.items()}
    layers["soil_ph"]["method"] = "water"
    written = {
        "format": 1, "title": "Hill", "purpose": "region", "species": ["tuber_melanosporum"], "layers": layers,
        "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
    }  # fmt: skip
    return uo.load_plan(written | more, base=".")


def test_a_plan_counts_its_criteria_with_layer_and_weight_and_not_its_own():
    criteria = load_profile("tuber_melanosporum").criteria
    expected = criteria["ph"].weight + criteria["clay"].weight + criteria["sand"].weight
    assert plan().looked_at.judged_weight == pytest.approx(expected)
    own = {"mine": {"layer": "mine", "curve": {"shape": "ramp_up", "at": [0, 1]}, "weight": 3, "source": "a test"}}
    assert plan(criteria=own).looked_at.judged_weight == pytest.approx(expected)
    off = plan(criteria={"clay": "off"}).looked_at
    assert off.judged_weight == pytest.approx(expected - criteria["clay"].weight)
    assert "clay" in {criterion.name for criterion in off.missing}
    without = plan(weights={"direct": {"ph": 1.0, "clay": 0.0, "sand": 1.0}}).looked_at
    assert without.judged_weight == pytest.approx(expected - criteria["clay"].weight)
