"""Declarations of climate and soil: functions take what is declared, keep bounds, leave out what is missing."""

from __future__ import annotations

import inspect

import numpy as np
import pytest

from underoak.indicators.climate import entries as climate
from underoak.indicators.soil import entries as soil

ENTRIES = {indicator.id: indicator for indicator in (*climate.ENTRIES, *soil.ENTRIES)}
SHAPE = (6, 5)
NEEDED = {"converted_ph": {"conversion": "KCl 1:2.5 to water 1:5"}}  # settings without a default


def plausible(indicator):
    """Values that can be true together: greatest above least, fractions that sum to 100."""
    rng = np.random.default_rng(11)
    least = rng.uniform(-15, 20, (12, *SHAPE))
    sand, silt = rng.uniform(0, 60, SHAPE), rng.uniform(0, 40, SHAPE)
    known = {
        "tmin": least, "tmax": least + rng.uniform(1, 15, least.shape), "temperature": least + 5,
        "rain": rng.uniform(0, 200, least.shape), "sand": sand, "silt": silt, "clay": 100 - sand - silt,
        "density": rng.uniform(0.9, 1.7, SHAPE), "ph": rng.uniform(4, 8, SHAPE),
        "inorganic_carbon": rng.uniform(0, 12, SHAPE), "carbon": rng.uniform(0, 30, SHAPE),
    }  # fmt: skip
    shapes = {name: (12, *SHAPE) if given.axis == "months" else SHAPE for name, given in indicator.inputs.items()}
    return {name: known.get(name, rng.uniform(0, 30, shape)).astype(np.float32) for name, shape in shapes.items()}


def computed(indicator, values):
    more = {"latitude": np.linspace(-60, 70, SHAPE[0])} if indicator.needs_latitude else {}
    return indicator.compute(**values, **indicator.settings(NEEDED.get(indicator.id, {})), **more)


@pytest.mark.parametrize("indicator", ENTRIES.values(), ids=ENTRIES)
def test_a_function_takes_what_is_declared_for_it(indicator):
    taken = [*indicator.inputs, *indicator.parameters, *(["latitude"] if indicator.needs_latitude else [])]
    assert set(taken) <= set(inspect.signature(indicator.compute).parameters)


@pytest.mark.parametrize("indicator", ENTRIES.values(), ids=ENTRIES)
def test_results_keep_the_declared_bounds(indicator):
    made = computed(indicator, plausible(indicator))
    assert made.dtype == np.float32
    assert made.shape == SHAPE
    assert not np.isnan(made).any()
    assert made.min() >= indicator.low
    assert made.max() <= indicator.high
    if indicator.gives_codes:
        assert (made == np.round(made)).all()


@pytest.mark.parametrize("indicator", ENTRIES.values(), ids=ENTRIES)
def test_a_missing_value_of_any_input_makes_its_cell_missing_and_no_other(indicator):
    for name, given in indicator.inputs.items():
        values = plausible(indicator)
        values[name][(7, 4, 3) if given.axis == "months" else (4, 3)] = np.nan  # August in the north
        lost = np.isnan(computed(indicator, values))
        assert lost[4, 3]
        assert lost.sum() == 1


@pytest.mark.parametrize("name", [name for name, parameter in [
    (f"{indicator.id}.{name}", parameter) for indicator in ENTRIES.values() for name, parameter in
    indicator.parameters.items()] if parameter.default is not None])  # fmt: skip
def test_a_default_is_the_one_of_the_function(name):
    id, setting = name.split(".")
    default = inspect.signature(ENTRIES[id].compute).parameters[setting].default
    assert default == ENTRIES[id].parameters[setting].default
