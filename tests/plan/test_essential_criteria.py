"""Essential criteria of plans and profiles: merging, weights, the canonical form, and those without a layer."""

from __future__ import annotations

from pathlib import Path

import pytest

from underoak.base.errors import UnderoakError
from underoak.plan import load_plan, load_profile
from underoak.plan.profiles.looked_at import looked_at
from underoak.plan.profiles.profile import Profile, read_profile

from plan_texts import faults, loaded, spoiled

MARKED = "essential: true, essential_source: nothing warms a hill"


@pytest.fixture
def warmth_is_essential(monkeypatch: pytest.MonkeyPatch) -> Profile:
    """The profile of the plan, with slope and summer heat essential."""
    profile = load_profile("tuber_melanosporum")
    plain = {"essential": False, "essential_source": None}
    update = {"essential": True, "essential_source": "a guide that does not exist"}
    marked = {
        name: criterion.model_copy(update=update if name in ("slope", "summer_heat") else plain)
        for name, criterion in profile.criteria.items()
    }
    marked_profile = profile.model_copy(update={"criteria": profile.criteria | marked})
    monkeypatch.setattr("underoak.plan.load.load_profile", lambda name: marked_profile)
    return marked_profile


def test_a_plan_may_mark_one_of_its_own(tmp_path: Path) -> None:
    plain = loaded(spoiled(), tmp_path)
    assert plain.rules.essential == ()
    plan = loaded(spoiled(("weight: 0.1, source: survey legend", f"weight: 0.1, source: x, {MARKED}")), tmp_path)
    (index,) = plan.rules.essential
    assert plan.criteria[index].name == "rock"
    assert plan.criteria[index].essential_source == "nothing warms a hill"
    assert plan.weights == plain.weights
    again = load_plan(plan.canonical(), base=tmp_path)
    assert again.rules == plan.rules
    assert again.hash == plan.hash != plain.hash


def test_a_criterion_of_the_profile_keeps_its_mark_and_is_named_first_without_a_layer(
    tmp_path: Path, warmth_is_essential: Profile
) -> None:
    plan = loaded(spoiled(), tmp_path)
    assert [plan.criteria[i].name for i in plan.rules.essential] == ["slope"]
    assert [item.name for item in plan.not_judged if item.is_essential] == ["summer_heat"]
    assert plan.not_judged[0].name == "summer_heat"
    assert str(plan.not_judged[0]).startswith(f"{warmth_is_essential.criteria['summer_heat'].label}, essential: ")
    assert load_plan(plan.canonical(), base=tmp_path).hash == plan.hash


def test_switching_an_essential_criterion_off_leaves_it_among_the_first_that_nobody_looked_at(
    tmp_path: Path, warmth_is_essential: Profile
) -> None:
    plan = loaded(spoiled(("criteria:\n", "criteria:\n  slope: off\n")), tmp_path)
    assert plan.rules.essential == ()
    assert {item.name for item in plan.not_judged[:2]} == {"slope", "summer_heat"}


def test_a_plan_may_say_that_it_is_not_essential_here_with_a_source(
    tmp_path: Path, warmth_is_essential: Profile
) -> None:
    (fault,) = faults(spoiled(("criteria:\n", "criteria:\n  slope: {essential: false}\n")), tmp_path)
    assert (fault.code, "essential" in fault.what) == ("E334", True)
    text = spoiled(("criteria:\n", "criteria:\n  slope: {essential: false, essential_source: terraces}\n"))
    plan = loaded(text, tmp_path)
    assert plan.rules.essential == ()
    assert load_plan(plan.canonical(), base=tmp_path).rules == plan.rules


@pytest.mark.parametrize(
    "weights",
    [
        "weights: {direct: {rock: 0.2, water: 0.3, ph: 0.5}}",
        "weights: {ranked: [ph, rock, water]}",
        "weights: {pairwise: [[ph, rock, 2], [rock, water, 3]]}",
    ],
)
def test_weights_that_do_not_name_an_essential_criterion_give_it_none_and_it_still_counts(
    tmp_path: Path, warmth_is_essential: Profile, weights: str
) -> None:
    edits = [("combine:", f"{weights}\ncombine:"), ("weight: 0.1, source: survey", "source: survey")]
    plan = loaded(spoiled(*edits), tmp_path)
    named = {criterion.name: criterion.weight for criterion in plan.criteria}
    assert named["slope"] == 0.0
    assert [plan.criteria[i].name for i in plan.rules.essential] == ["slope"]
    assert sum(named.values()) == pytest.approx(1.0)
    assert {name for name, weight in named.items() if weight > 0} == {"rock", "water", "ph"}


def test_what_holds_the_class_is_looked_at_and_what_is_essential_and_not_there_is_missing(
    tmp_path: Path, warmth_is_essential: Profile
) -> None:
    edits = [("combine:", "weights: {ranked: [ph, rock, water]}\ncombine:"), ("weight: 0.1, source: s", "source: s")]
    part = loaded(spoiled(*edits), tmp_path).looked_at
    assert part is not None
    missing = {criterion.name: criterion for criterion in part.missing}
    assert "slope" not in missing
    assert missing["summer_heat"].is_essential
    criteria = warmth_is_essential.criteria
    assert part.judged_weight == pytest.approx(criteria["ph"].weight + criteria["water"].weight)
    weightless = warmth_is_essential.model_copy(
        update={
            "criteria": criteria | {"summer_heat": criteria["summer_heat"].model_copy(update={"weight": 0.0})},
        }
    )
    light = looked_at(weightless, ["ph"])
    assert light is not None
    assert "summer_heat" in {criterion.name for criterion in light.missing}


def test_an_empty_source_gets_one_message(tmp_path: Path, warmth_is_essential: Profile) -> None:
    text = spoiled(("criteria:\n", "criteria:\n  ph: {layer: soil_ph, essential: true, essential_source: ''}\n"))
    (fault,) = faults(text, tmp_path)
    assert (fault.code, fault.what) == ("E304", "should not be empty")


def test_a_profile_gives_the_mark_and_its_source_together(tmp_path: Path) -> None:
    shipped = Path(__file__).parents[2] / "configs" / "species" / "tuber_borchii.yaml"
    text = shipped.read_text(encoding="utf-8")
    path = tmp_path / shipped.name
    marked = sum(criterion.essential for criterion in read_profile(shipped).criteria.values())
    for extra in ("    essential: true\n", "    essential_source: a guide\n"):
        path.write_text(text.replace("    confidence:", f"{extra}    confidence:", 1), encoding="utf-8")
        with pytest.raises(UnderoakError, match=r"E304.*need each other"):
            read_profile(path)
    both = "    essential: true\n    essential_source: a guide\n    confidence:"
    path.write_text(text.replace("    confidence:", both, 1), encoding="utf-8")
    assert sum(criterion.essential for criterion in read_profile(path).criteria.values()) == marked + 1
