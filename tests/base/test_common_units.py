"""Common units are known without the units library, and mean exactly what they mean to it."""

import subprocess
import sys
from itertools import product

import pytest

from underoak.base import units
from underoak.base.errors import UnderoakError

# other spellings, which only the units library knows
LONG = {
    "m": "meter", "km": "kilometer", "cm": "centimeter", "mm": "millimeter", "ha": "hectare", "m2": "meter^2",
    "K": "kelvin", "degC": "degree_Celsius", "delta_degC": "delta_degree_Celsius", "radian": "rad", "degree": "deg",
    "1": "m/m", "g/kg": "gram/kilogram", "dg/kg": "decigram/kilogram", "cm3/dm3": "centimeter^3/decimeter^3",
    "g/cm3": "gram/centimeter^3", "cg/cm3": "centigram/centimeter^3", "h": "hour", "days": "day", "years": "year",
    "mm/s": "millimeter/second", "kg m-2 s-1": "mm/second", "mm/day": "millimeter/day", "mm/month": "millimeter/month",
    "m3": "meter^3", "m3/h": "meter^3/hour", "l/s": "liter/second",
}  # fmt: skip
ODD = ("ft", "rad/s", "mm/year", "g/kg * m", "°F")


def answer(function, *units_and_factors):
    """What a conversion gives, or the codes of its faults."""
    try:
        return function(*units_and_factors)
    except UnderoakError as error:
        return [fault.code for fault in error.faults]


@pytest.mark.parametrize("by", ["", "*10"])
@pytest.mark.parametrize("step", [units.conversion, units.slope_step, units.any_step])
def test_common_units_convert_as_the_units_library_says(step, by):
    for a, b in product([*LONG, *ODD], repeat=2):
        assert answer(step, a + by, b) == answer(step, LONG.get(a, a) + by, LONG.get(b, b)), (a, b)


def test_common_units_have_the_names_of_the_units_library():
    for short, long in LONG.items():
        assert units.canonical_name(short) == units.canonical_name(long)


@pytest.mark.parametrize(("unit", "scale"), [("percent", 0.01), ("m2/m2", 1.0), ("%", 0.01)])
def test_shares_are_numbers(unit, scale):
    assert units.conversion(unit, "m/m").scale == scale
    assert units.conversion("m/m", unit).scale == 1 / scale
    assert units.slope_step(unit, "degree") is not None


def test_shipped_plans_and_profiles_do_without_the_units_library():
    code = (
        "import sys; from underoak.plan import load_plan, load_profile, profile_names, published_errors, shipped;"
        "load_plan(shipped('configs', 'plans', 'demo.yaml')); published_errors();"
        "[load_profile(name) for name in profile_names()]; print('pint' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False"]
