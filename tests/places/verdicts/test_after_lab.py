"""Draws after lab results: land that was not tested keeps its draws; land that was has the doubt that is left."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtri

import underoak as uo
from underoak.places.answers.needs import SoilUnit
from underoak.places.lab.effect import LabEffect, PooledResult
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.verdicts.mean_draws import after_lab

DRAWS = 64
Z = ndtri((np.arange(DRAWS) + 0.5) / DRAWS)
PLAN = {
    "format": 1, "title": "Hill", "purpose": "buy",
    "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
    "layers": {"soil_ph": {"file": "ph.tif", "unit": "pH", "method": "water", "sd": 0.4}},
    "criteria": {"ph": {"layer": "soil_ph", "curve": {"shape": "ramp_up", "at": [0, 10]}, "source": "a test"}},
    "combine": {"rule": "linear"},
    "uncertainty": {"draws": DRAWS},
    "parcels": {"file": "p.gpkg", "id": "id"},
    "lab": {"file": "lab.csv"},
}  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(
    st.integers(1, 6), st.integers(1, 6), st.floats(4.5, 8.0), st.floats(4.5, 8.0), st.floats(4.5, 8.0),
    st.floats(0.05, 0.5), st.floats(0.05, 0.5),
)  # fmt: skip
def test_only_the_tested_soil_unit_has_other_draws(n_left, n_right, left, right, used, sd, lab_sd):
    plan = uo.load_plan(PLAN, base=".")
    n, share = n_left + n_right, n_left / (n_left + n_right)
    is_left = np.arange(n) < n_left
    after = np.where(is_left, used, right).astype(np.float32)[:, None]
    cells = SampledCells(np.array([0, n]), np.arange(n), np.ones(n), np.ones(n), after / 10, after, after[:, 0] / 10)
    means = share * left + (1 - share) * right + sd * Z
    spread = ParcelDraws(
        ("P",), means[None] / 10, (0,), means[None, None] / 10, np.array([[means.mean() / 10]]), (0,), means[None, None]
    )
    tested = PooledResult(
        "soil_ph", left, sd, used, lab_sd, used, 1, unit=SoilUnit(1, 2, share), cells=np.flatnonzero(is_left)
    )
    drawn = after_lab(plan, spread, LabEffect(None, cells, {"P": (tested,)}), "update")  # type: ignore[arg-type]
    remaining = tested.sd_left("update")
    expected = share * (used + (Z / Z.std()) * remaining) + (1 - share) * (right + sd * Z)
    assert drawn.values[0, 0] == pytest.approx(expected, abs=2e-5)
    assert drawn.suitability[0] == pytest.approx(expected / 10, abs=2e-6)  # the curve is a straight line here


def test_what_is_only_evidence_leaves_the_draws_alone():
    from underoak.places.answers.needs import LabUse

    plan = uo.load_plan(PLAN, base=".")
    spread = ParcelDraws(("P",), np.ones((1, 8)), (0,), np.ones((1, 1, 8)), np.ones((1, 1)), (0,), np.ones((1, 1, 8)))
    waiting = PooledResult("soil_ph", 7.0, 0.4, 8.0, 0.1, 7.0, 1, use=LabUse.NO_PLACE)
    assert after_lab(plan, spread, LabEffect(None, None, {"P": (waiting,)}), "update") is spread  # type: ignore[arg-type]
