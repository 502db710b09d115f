"""Raw values and constraints reach a reducer that asks for them, and no other."""

from __future__ import annotations

import io

import numpy as np
import pytest

from underoak.base.grid import Window
from underoak.engine.judge.counts import TileCounts
from underoak.engine.judge.recipe import judge_window
from underoak.engine.prepare.prepare import prepare
from underoak.engine.workers.tile import CaseJob, TileJob, judge_tile
from underoak.overlay import membership
from underoak.plan import load_plan

from noise import LEFT, TOP, noise_country

WINDOW = Window(0, 0, 100, 90)


@pytest.fixture(scope="module")
def recipe(tmp_path_factory):
    folder = tmp_path_factory.mktemp("values")
    plan = noise_country(folder, 120, 120)
    plan["region"] = {"bounds": [LEFT, TOP - 3000, LEFT + 2700, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    plan["constraints"][1]["exclude"] = "> 20 degree"
    return prepare(load_plan(plan, base=folder)).recipe


def test_values_are_those_of_the_layers_and_give_the_memberships(recipe):
    (judged,) = judge_window(recipe, WINDOW, TileCounts(), frozenset([recipe.cases[0].case]))
    layers = recipe.stack.read(WINDOW).values
    for i, criterion in enumerate(recipe.cases[0].criteria):
        np.testing.assert_array_equal(judged.values[i], layers[criterion.layer])
        np.testing.assert_array_equal(membership(judged.values[i], criterion.curve), judged.memberships[i])
    np.testing.assert_array_equal(judged.classes == 250, judged.exclusions["built"] | judged.exclusions["steep"])
    assert judged.exclusions["built"].any()
    assert judged.exclusions["steep"].any()


def test_results_are_the_same_with_values_and_without(recipe):
    (bare,), (full,) = (
        judge_window(recipe, WINDOW, TileCounts()),
        judge_window(recipe, WINDOW, TileCounts(), frozenset([recipe.cases[0].case])),
    )
    assert bare.values is None
    assert bare.exclusions is None
    for name in ("memberships", "suitability", "classes", "weakest", "gainful"):
        np.testing.assert_array_equal(getattr(bare, name), getattr(full, name))


class Looks:
    name = "looks"

    def __init__(self, needs_values):
        self.needs_values = needs_values

    def reduce(self, block):
        return {"seen": np.array([block.values is not None, block.exclusions is not None])}

    def finish(self, parts):
        return list(parts)


@pytest.mark.parametrize("seen", [True, False])
def test_only_a_reducer_that_needs_them_makes_them_come(recipe, seen):
    case = recipe.cases[0].case
    kept = judge_tile(TileJob(recipe, (CaseJob(case, (), (Looks(seen),)),)), WINDOW).parts[case, "looks"]
    assert len(kept) == 1
    for _, data in kept:
        assert np.load(io.BytesIO(data))["seen"].tolist() == [seen, seen]
