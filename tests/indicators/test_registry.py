"""Declarations: complete, true to what is computed, and found by name."""

from __future__ import annotations

import numpy as np
import pytest

from underoak.base.errors import UnderoakError
from underoak.base.grid import Grid
from underoak.base.units import canonical_name
from underoak.indicators import REGISTRY, get, on_grid
from underoak.indicators.climate import entries as climate
from underoak.indicators.soil import entries as soil

ELSEWHERE = {indicator.id for indicator in (*climate.ENTRIES, *soil.ENTRIES)}  # have tests of their own
GRID = Grid.north_up("EPSG:25831", 500_000.0, 4_600_000.0, 10.0, 9, 9)
ONE_INPUT = [indicator for indicator in REGISTRY.values() if indicator.id not in ELSEWHERE]


@pytest.mark.parametrize("indicator", REGISTRY.values(), ids=REGISTRY)
def test_a_declaration_is_complete(indicator):
    assert get(indicator.id) is indicator
    assert indicator.title
    assert indicator.text.endswith(".")
    assert indicator.source
    assert indicator.low < indicator.high
    for unit in [indicator.unit, *(given.unit for given in indicator.inputs.values())]:
        assert unit == "" or canonical_name(unit) == unit


@pytest.mark.parametrize("indicator", ONE_INPUT, ids=lambda indicator: indicator.id)
def test_results_keep_the_declared_bounds_and_halo(indicator):
    rng = np.random.default_rng(5)
    (given,) = indicator.inputs.values()
    shape = (12, 9, 9) if given.axis == "months" else (9, 9)
    values = rng.uniform(0.0, 50.0, shape).astype(np.float32)
    written = {name: {"radius": "25 m", "within": "25 m", "codes": [3]}.get(name) for name in indicator.parameters}
    settings = indicator.settings({name: value for name, value in written.items() if value is not None})
    made = on_grid(indicator, values, GRID, GRID.window, settings)
    h = 1 if indicator.is_whole or indicator.reach else indicator.halo
    inner = made[h : 9 - h, h : 9 - h]
    assert made.shape == (9, 9)
    assert not np.isnan(inner).any()
    assert indicator.reach or np.isnan(made).sum() == 81 - inner.size
    assert inner.min() >= indicator.low
    assert inner.max() <= indicator.high


def test_a_misspelt_indicator_gets_a_proposal():
    with pytest.raises(UnderoakError) as caught:
        get("slop")
    assert caught.value.faults[0].code == "E350"
    assert '"slope"' in caught.value.faults[0].fix
    assert caught.value.exit_code == 3
