"""A rehearsal loads every kernel that a tile will want, and reads nothing."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
import yaml

from underoak.base.grid import Window
from underoak.engine.judge.counts import TileCounts
from underoak.engine.judge.recipe import judge_window
from underoak.engine.judge.warm_up import warm_up
from underoak.engine.prepare.prepare import prepare
from underoak.plan import load_plan

from noise import small_country

LOADED = """
import sys
from numba.core.dispatcher import Dispatcher
from underoak.engine.prepare.prepare import prepare
from underoak.engine.judge.counts import TileCounts
from underoak.engine.judge.recipe import judge_window
from underoak.engine.judge.warm_up import warm_up
from underoak.base.grid import Window
from underoak.plan import load_plan

def loaded():
    found = {}
    for module in [m for name, m in list(sys.modules.items()) if name.startswith("underoak")]:
        for name, each in vars(module).items():
            if isinstance(each, Dispatcher):
                found[each.py_func.__module__, each.py_func.__name__] = len(each.signatures)
    return found

recipe = prepare(load_plan("plan.yaml")).recipe
warm_up(recipe)
before = loaded()
(judged,) = judge_window(recipe, Window(0, 0, 90, 110), TileCounts())
assert (judged.classes < 5).any()
assert sum(before.values()) > 10
print({name: count for name, count in loaded().items() if count > before.get(name, 0)})
"""


@pytest.fixture
def country(tmp_path):
    plan = small_country(tmp_path)
    (tmp_path / "plan.yaml").write_text(yaml.safe_dump(plan))
    return tmp_path


class Shut:
    """A source that must not be read."""

    def __init__(self, source):
        self.source = source

    def __getattr__(self, name):
        return getattr(self.source, name)

    def read(self, window):
        raise AssertionError(f"read at {window}")


def test_nothing_is_read(country):
    recipe = prepare(load_plan(country / "plan.yaml")).recipe
    shut = replace(recipe, stack=recipe.stack.with_sources(Shut))
    with pytest.raises(AssertionError, match="read at"):
        list(judge_window(shut, Window(0, 0, 9, 9), TileCounts()))
    warm_up(shut)


def test_nothing_of_it_is_seen_afterwards(country):
    recipe = prepare(load_plan(country / "plan.yaml")).recipe
    before, after = TileCounts(), TileCounts()
    (first,) = judge_window(recipe, Window(0, 0, 90, 110), before)
    warm_up(recipe)
    (second,) = judge_window(recipe, Window(0, 0, 90, 110), after)
    np.testing.assert_array_equal(first.suitability, second.suitability)
    assert after.inside == before.inside == 90 * 110
    assert np.isfinite(second.suitability).any()


def test_a_tile_finds_every_kernel_loaded(country):
    done = subprocess.run([sys.executable, "-c", LOADED], cwd=country, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "{}"
