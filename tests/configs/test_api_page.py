"""The page of public Python names everything that is public: functions, their options, what a run can do."""

import inspect
import re
from importlib import import_module
from pathlib import Path

import pytest

import underoak as uo

PAGE = (Path(__file__).parents[2] / "docs" / "api.md").read_text(encoding="utf-8")
PACKAGES = ("indicators", "overlay", "uncertainty")


def named(page):
    """Every name on the page that stands in code: `this`, `run.that(...)`, or a block."""
    code = [found for pair in re.findall(r"```python\n(.*?)```|`([^`\n]+)`", page, re.DOTALL) for found in pair]
    return {word for text in code for word in re.findall(r"[A-Za-z_]\w*", text)}


@pytest.mark.parametrize("package", ["", *PACKAGES])
def test_every_public_name_is_on_the_page(package):
    module = import_module(f"underoak.{package}" if package else "underoak")
    assert sorted(set(module.__all__) - named(PAGE)) == []


@pytest.mark.parametrize(
    "function", [uo.run, uo.check, uo.load_plan, uo.judge, uo.judge_all], ids=lambda function: function.__name__
)
def test_every_argument_of_the_job_is_on_the_page(function):
    assert sorted(set(inspect.signature(function).parameters) - named(PAGE)) == []


def test_everything_that_a_run_can_do_is_on_the_page():
    public = {name for name in vars(uo.Run) if not name.startswith("_")}
    assert sorted(public - named(PAGE)) == []


def test_a_name_that_is_only_spoken_of_does_not_count():
    assert "slope" not in named("the slope of a hill, and `aspect`")
    assert named("`run.zones` and\n```python\n>>> uo.check(plan)\n```") == {"run", "zones", "uo", "check", "plan"}
