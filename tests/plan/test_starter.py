from __future__ import annotations

import re

import pytest

from underoak.base.errors import UnderoakError
from underoak.plan import PURPOSES, load_plan, new
from underoak.plan.keys.decision.deal import QUESTIONS


@pytest.mark.parametrize("purpose", PURPOSES)
def test_a_starter_loads_as_it_is_and_says_what_to_fetch(tmp_path, purpose: str) -> None:
    plan_file, readme = new(tmp_path / "mine", purpose)
    assert (plan_file.name, readme.name) == ("plan.yaml", "README.txt")
    plan = load_plan(plan_file, strict=True)
    assert plan.purpose == purpose
    assert len(plan.criteria) >= 5
    text = readme.read_text(encoding="utf-8")
    named = {spec.file for spec in plan.layers.values() if spec.file} | ({plan.region.area} - {None})
    named |= {plan.parcels.file} if plan.parcels else set()
    assert set(re.findall(r"data/\S+", text)) == named
    assert "underoak check plan.yaml" in text
    assert "screening, not advice" in text
    assert (tmp_path / "mine" / "data").is_dir()


@pytest.mark.parametrize("purpose", PURPOSES)
def test_a_starter_looks_at_well_over_half_of_its_profile_with_layers_that_anyone_can_fetch(
    tmp_path, purpose: str
) -> None:
    plan_file, _ = new(tmp_path, purpose)
    plan = load_plan(plan_file)
    assert plan.profile is not None
    weights = {name: criterion.weight for name, criterion in plan.profile.criteria.items()}
    looked_at = sum(weights[criterion.name] for criterion in plan.criteria if criterion.weight > 0)
    assert looked_at / sum(weights.values()) >= 0.6
    names = {criterion.name for criterion in plan.criteria}
    assert {"annual_rain", "annual_temperature", "winter_cold", "sand", "organic_matter", "hollow"} <= names
    assert "carbonate" not in names
    assert "# carbonate:" in plan_file.read_text(encoding="utf-8")


@pytest.mark.parametrize("purpose", PURPOSES)
def test_the_commented_carbonate_of_a_starter_becomes_a_layer(tmp_path, purpose: str) -> None:
    plan_file, _ = new(tmp_path, purpose)
    lines = plan_file.read_text(encoding="utf-8").splitlines()
    start = lines.index("# carbonate:")
    lines[start : start + 5] = [f" {line[1:]}" for line in lines[start : start + 5]]
    plan_file.write_text("\n".join(lines), encoding="utf-8")
    plan = load_plan(plan_file, strict=True)
    assert "carbonate" in {criterion.name for criterion in plan.criteria}


@pytest.mark.parametrize("purpose", PURPOSES)
def test_the_constraints_that_a_starter_proposes_can_be_switched_on(tmp_path, purpose: str) -> None:
    plan_file, _ = new(tmp_path, purpose)
    text = plan_file.read_text(encoding="utf-8")
    assert {"protected", "floods", "old_grassland"} <= set(re.findall(r"# - \{name: (\w+)", text))
    plan_file.write_text(text.replace("# - {name:", "  - {name:"), encoding="utf-8")
    names = [constraint.name for constraint in load_plan(plan_file, strict=True).constraints]
    assert names == ["too_steep", "built_up", "protected", "floods", "old_grassland"]


def test_nothing_that_is_there_is_written_over(tmp_path) -> None:
    new(tmp_path, "buy")
    mine = tmp_path / "plan.yaml"
    mine.write_text("mine", encoding="utf-8")
    with pytest.raises(UnderoakError) as caught:
        new(tmp_path, "region")
    assert [fault.code for fault in caught.value.faults] == ["E306", "E306"]
    assert mine.read_text(encoding="utf-8") == "mine"
    (tmp_path / "README.txt").unlink()
    with pytest.raises(UnderoakError, match=r"E306 .*plan.yaml"):
        new(tmp_path, "region")
    assert not (tmp_path / "README.txt").exists()


def test_a_file_in_the_folders_place_is_told(tmp_path) -> None:
    (tmp_path / "taken").write_text("", encoding="utf-8")
    with pytest.raises(UnderoakError, match=r"E306|E502"):
        new(tmp_path / "taken", "buy")


def test_a_purpose_that_is_not_known_is_told_with_the_nearest(tmp_path) -> None:
    with pytest.raises(UnderoakError, match=r'E304 .*did you mean "orchard"'):
        new(tmp_path, "orchrd")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("purpose", PURPOSES)
def test_a_starter_lists_every_question_of_the_deal_and_its_comments_can_be_switched_on(tmp_path, purpose: str) -> None:
    plan_file, _ = new(tmp_path, purpose)
    text = plan_file.read_text(encoding="utf-8")
    start = text.index("deal:\n")
    block = text[start : text.index("\n\n", start)]
    assert re.findall(r"(\w+): unknown +#", block) == list(QUESTIONS)
    assert "local codes, the offices and licensed people decide" in text
    if purpose in ("buy", "orchard"):
        plan_file.write_text(text.replace("  # file: data/deal", "  file: data/deal"), encoding="utf-8")
        deal = load_plan(plan_file, strict=True).spec.deal
        assert deal is not None
        assert deal.file == "data/deal.csv"
        assert {entry.state for entry in deal.entries.values()} == {"unknown"}
