"""Soil figures: depths that are not covered, shares, drainage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.indicators.soil.properties import DRAINAGE, depth_mean, drainage_code, stones_by_volume

EDGES = (0, 5, 15, 30, 60)


@given(st.lists(st.floats(0, 100, width=32), min_size=4, max_size=4), st.floats(0, 59), st.floats(0.5, 60))
def test_a_mean_lies_between_the_layers_it_is_of(layers, top, thick):
    bottom = min(top + thick, 60.0)
    made = float(depth_mean(np.float32(layers), EDGES, top, bottom))
    assert min(layers) - 1e-3 <= made <= max(layers) + 1e-3


def test_a_missing_layer_counts_only_where_it_lies_within():
    layers = np.float32([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0], [4.0, np.nan]])
    assert depth_mean(layers, EDGES, 0, 30).tolist() == [pytest.approx(14 / 6)] * 2
    assert np.isnan(depth_mean(layers, EDGES, 0, 31)).tolist() == [False, True]


@pytest.mark.parametrize(("top", "bottom"), [(0, 61), (-1, 30), (30, 30), (40, 20)])
def test_depths_that_the_layers_do_not_cover_are_refused(top, bottom):
    with pytest.raises(ValueError, match="cover"):
        depth_mean(np.ones(4), EDGES, top, bottom)


@pytest.mark.parametrize("edges", [(0, 5, 15, 30), (0, 15, 5, 30, 60), (0, 5, 5, 30, 60)])
def test_edges_must_be_in_order_and_one_more_than_layers(edges):
    with pytest.raises(ValueError, match="edges"):
        depth_mean(np.ones(4), edges, 0, 30)


def test_stones_are_a_smaller_share_of_volume_than_of_weight():
    by_weight = np.array([0.0, 10.0, 50.0, 90.0, 100.0])
    made = stones_by_volume(by_weight)
    assert made[[0, -1]].tolist() == [0.0, 100.0]
    assert (made[1:-1] < by_weight[1:-1]).all()
    np.testing.assert_allclose(stones_by_volume(by_weight, density=2.65), by_weight, rtol=1e-6)


def test_drainage_runs_from_dry_to_wet():
    assert [drainage_code(name) for name in DRAINAGE] == list(range(1, 8))
    with pytest.raises(ValueError, match="drainage"):
        drainage_code("soggy")
