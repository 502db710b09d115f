"""Common units are known without the units library, and mean exactly what they mean to it."""

import subprocess
import sys
from itertools import product

import pytest

from underoak.base import units
from underoak.base.errors import UnderoakError

ODD = ("ft", "rad/s", "m/m", "mm/year", "g/kg * m", "°F")
SPELLED = [*sorted(units._COMMON), "1", "%", "°", " degC ", "Celsius"]


def answer(function, *args):
    try:
        return function(*args)
    except UnderoakError as error:
        return [(fault.code, fault.what) for fault in error.faults]


def answers(names):
    pairs = [(f"{a}{by}", b) for a, b in product(names, names) for by in ("", "*10")]
    steps = {(function.__name__, *pair): answer(function, *pair) for pair in pairs
             for function in (units.conversion, units.slope_step, units.any_step)}  # fmt: skip
    return steps | {name: (units.canonical_name(name), units.quantity_of(name)) for name in names}


def test_common_units_mean_what_the_units_library_says(monkeypatch):
    names = [*SPELLED, *ODD]
    short = answers(names)
    monkeypatch.setattr(units, "_COMMON", {})
    assert answers(names) == short


def test_shipped_plans_and_profiles_do_without_the_units_library():
    code = (
        "import sys; from underoak.plan import load_plan, load_profile, profile_names, published_errors, shipped;"
        "load_plan(shipped('configs', 'plans', 'demo.yaml')); published_errors();"
        "[load_profile(name) for name in profile_names()]; print('pint' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False"]


@pytest.mark.parametrize("text", ["furlong", "mol/kg", "degF", "mm*10/month"])
def test_other_units_are_those_of_the_library(text):
    answer(units.canonical_name, text)
    assert units._common(text) is None
