"""The shipped plans load without a warning, and the demo's names files that are there."""

from __future__ import annotations

from pathlib import Path

import pytest

from underoak.plan import load_plan
from underoak.plan.reading.yaml import read

FOLDER = Path(__file__).parents[2] / "configs" / "plans"
PLANS = sorted(FOLDER.glob("*.yaml"))


@pytest.mark.parametrize("path", PLANS, ids=[path.stem for path in PLANS])
def test_plan_loads_without_a_warning(path):
    plan = load_plan(path, strict=True)
    assert plan.warnings == ()
    assert sum(plan.weights) == pytest.approx(1.0)
    assert all(criterion.source for criterion in plan.criteria)


@pytest.mark.parametrize("path", PLANS, ids=[path.stem for path in PLANS])
def test_plan_is_commented_and_named_in_the_readme(path):
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# ")
    assert f"`{path.name}`" in (FOLDER / "README.md").read_text(encoding="utf-8")
    assert max(map(len, text.splitlines())) <= 120


def files_of(written: dict) -> list[str]:
    layers = [layer["file"] for layer in written["layers"].values() if "file" in layer]
    shapes = [constraint["file"] for constraint in written.get("constraints", []) if "file" in constraint]
    return [*layers, *shapes, written["parcels"]["file"], *filter(None, [written["region"].get("area")])]


def test_demo_names_files_that_are_there_and_inside_its_root():
    plan = load_plan(FOLDER / "demo.yaml")
    (root,) = (plan.file(root).resolve() for root in plan.trust.roots)
    named = [plan.file(name).resolve() for name in files_of(read(FOLDER / "demo.yaml").value)]
    assert len(named) >= 9
    assert all(path.is_file() for path in named)
    assert all(path.is_relative_to(root) for path in named)


def test_demo_pairs_agree_well_enough_but_not_by_construction():
    found = load_plan(FOLDER / "demo.yaml").pairwise
    assert found is not None
    assert found.consistency_ratio is None  # not every pair is given
    assert 0 < found.rms_residual < 0.0953  # exp(rms) - 1 stays below 0.10
    weights = dict(zip(found.names, found.weights, strict=True))
    assert weights["ph"] > weights["clay"] > weights["northness"] > 0


@pytest.mark.parametrize("path", [path for path in PLANS if path.stem != "demo"], ids=lambda path: path.stem)
def test_real_plan_says_how_to_fetch_its_data(path):
    text = path.read_text(encoding="utf-8")
    assert "python tests/real/fetch.py configs/plans/data" in text
    assert all(name.startswith(f"data/{path.stem}/") for name in files_of(read(path).value))
    assert all(name in text.split("format: 1")[0] for name in files_of(read(path).value))


def test_own_criteria_of_a_plan_without_a_species_are_said_to_be_an_illustration():
    plan = load_plan(FOLDER / "luxembourg.yaml")
    assert plan.species is None
    assert {criterion.source for criterion in plan.criteria} == {"illustration"}
