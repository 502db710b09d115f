"""P(S2 or better) after lime alone, water alone, and both."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtri

import underoak as uo
from underoak.overlay import combine, membership
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.soil.remedies import remedies_of
from underoak.places.verdicts.remedy_chances import chance_after, with_remedy_chances

DRAWS = 64
Z = ndtri((np.arange(DRAWS) + 0.5) / DRAWS)


def plan_of(rule="linear", purpose="buy", **changes):
    criteria = {
        "ph": {
            "layer": "soil_ph", "curve": {"shape": "ramp_up", "at": [6, 8]}, "source": "a test", "weight": 0.5,
            "remedy": {"by": "lime", "limit": 8, "depth": "30 cm"},
        },
        "water": {
            "layer": "rain", "curve": {"shape": "ramp_up", "at": [100, 200]}, "source": "a test", "weight": 0.5,
            "remedy": {"by": "irrigation", "limit": "200 mm"},
        },
    }  # fmt: skip
    for name, more in changes.items():
        criteria[name] |= more
    return uo.load_plan(
        {
            "format": 1, "title": "Hill", "purpose": purpose,
            "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
            "layers": {
                "soil_ph": {"file": "ph.tif", "unit": "pH", "method": "water", "sd": 0.4},
                "rain": {"file": "rain.tif", "unit": "mm", "sd": "30 mm"},
            },
            "criteria": criteria, "combine": {"rule": rule}, "classes": {"cap": "none"},
            "uncertainty": {"draws": DRAWS}, "parcels": {"file": "p.gpkg", "id": "id"},
        },
        base=".",
    )  # fmt: skip


def one_parcel(plan, ph, rain, sd_ph, sd_rain):
    """A parcel of some cells and its draws: each layer is shifted by one amount in each draw."""
    values = np.column_stack([ph, rain]).astype(np.float32)
    curves = [c.curve for c in plan.criteria]
    members = np.stack([membership(values[:, i], curve) for i, curve in enumerate(curves)], axis=1)
    rules, n = plan.rules, len(values)
    score = combine(members.T, rules.weights, rules.rule, None, None, rules.missing).astype(np.float32)
    cells = SampledCells(np.array([0, n]), np.arange(n), np.ones(n), np.ones(n), members, values, score)
    shifts = np.array([sd_ph * Z, sd_rain * Z[::-1]])  # (layers, draws)
    drawn = values.T[:, None, :] + shifts[:, :, None]  # (layers, draws, cells)
    of_draws = np.stack([membership(drawn[i], curve) for i, curve in enumerate(curves)])
    scores = combine(of_draws, rules.weights, rules.rule, None, None, rules.missing)
    draws = ParcelDraws(
        ("P",), scores.mean(axis=1)[None].astype(float), (0, 1), of_draws.mean(axis=2)[None].astype(float),
        members.mean(axis=0)[None].astype(float), (0, 1), drawn.mean(axis=2)[None].astype(float),
    )  # fmt: skip
    return cells, draws


def chances(plan, ph, rain, sd_ph=0.5, sd_rain=25.0):
    cells, draws = one_parcel(plan, ph, rain, sd_ph, sd_rain)
    lime, water = remedies_of(plan)
    now = float((draws.capped(plan.rules) >= 0.5 - 1e-6).mean())
    return [now, *(chance_after(plan, draws, cells, 0, some) for some in ([lime], [water], [lime, water]))]


def test_lime_reaches_only_draws_that_take_no_more_lime_than_counts():
    # one cell of pH 6.5 +- 0.5, rain far too low. Limed to 8 it is 0.5. That takes 3 t/ha for a tenth of pH; where no
    # more than `most_lime` counts, draws from pH 8 - most_lime / 30 on reach it
    plan = plan_of()
    most = plan.most_lime_t_ha
    now, lime, _, _ = chances(plan, [6.5], [0.0], sd_rain=0.0)
    drawn = 6.5 + 0.5 * Z
    assert now == pytest.approx((drawn >= 8.0 - 1e-6).mean())
    assert lime == pytest.approx((drawn >= 8.0 - most / 30.0).mean())


def test_water_alone_helps_the_rain_and_not_the_ph():
    # geometric: at pH 5 the suitability is 0 whatever the rain, and more lime than counts would be needed
    plan = plan_of("geometric")
    assert chances(plan, [5.0], [150.0], sd_ph=0.1) == [0.0, 0.0, 0.0, 0.0]
    now, lime, water, both = chances(plan, [8.4], [90.0], sd_ph=0.1, sd_rain=1.0)
    assert (now, lime, water, both) == (0.0, 0.0, 1.0, 1.0)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["linear", "geometric", "minimum"]),
    st.lists(st.tuples(st.floats(5, 9), st.floats(20, 260)), min_size=1, max_size=6),
    st.floats(0.01, 1.0), st.floats(1, 60),
)  # fmt: skip
def test_no_remedy_lowers_the_chance_and_both_do_no_worse_than_one(rule, cells, sd_ph, sd_rain):
    ph, rain = zip(*cells, strict=True)
    now, lime, water, both = chances(plan_of(rule), ph, rain, sd_ph, sd_rain)
    assert now <= min(lime, water)
    assert max(lime, water) <= both


def test_columns_are_there_where_the_plan_allows_the_remedy():
    plan = plan_of()
    cells, draws = one_parcel(plan, [6.5, 6.9], [90.0, 110.0], 0.4, 20.0)
    table = pd.DataFrame({
        "id": ["P", "Q"], "suitability": [0.4, np.nan], "potential": [0.9, np.nan], "with_lime": [0.6, np.nan],
        "with_water": [0.7, np.nan], "p_s2": [0.3, np.nan],
    })  # fmt: skip
    drawn = with_remedy_chances(plan, table, draws, cells)
    assert {"p_with_lime", "p_with_water", "p_with_both"} <= set(drawn)
    assert drawn.loc[1, ["p_with_lime", "p_with_water", "p_with_both"]].isna().all()
    dry = plan_of(ph={"remedy": "none"})
    assert {name for name in with_remedy_chances(dry, table, draws, cells) if name.startswith("p_")} == {
        "p_s2", "p_with_water",
    }  # fmt: skip
