"""Parcels that fail together are counted by draws, beside what chance alone would give."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.uncertainty.outcomes.shared_failure import shared_failure


@given(st.integers(3, 30), st.integers(1, 80), st.floats(0.0, 1.0), st.integers(0, 2**32))
def test_a_third_is_counted_as_a_plain_loop_counts_it(parcels, draws, chance, seed):
    reached = np.random.default_rng(seed).random((parcels, draws)) > chance
    found = shared_failure(reached)
    assert found.failing == sum(3 * (parcels - reached[:, d].sum()) >= parcels for d in range(draws))
    assert (found.parcels, found.draws) == (parcels, draws)


def test_what_independent_failures_would_give_is_that_of_shuffled_draws():
    rng = np.random.default_rng(3)
    reached = rng.random((7, 50)) > rng.uniform(0.02, 0.4, (7, 1))
    expected = shared_failure(reached).if_independent
    shuffled = [shared_failure(rng.permuted(reached, axis=1)).failing for _ in range(3000)]
    assert np.mean(shuffled) == pytest.approx(expected, abs=5 * np.std(shuffled) / np.sqrt(3000))


def test_a_common_error_makes_parcels_fail_together():
    rng = np.random.default_rng(4)
    for share, more in ((0.0, 1.3), (0.6, 1e9)):
        z = np.sqrt(share) * rng.standard_normal((1, 4000)) + np.sqrt(1 - share) * rng.standard_normal((9, 4000))
        found = shared_failure(z < 1.2)
        assert found.failing < more * found.if_independent + 60
    assert found.failing > 2 * found.if_independent


def test_of_two_parcels_a_third_says_nothing():
    assert shared_failure(np.ones((2, 64), bool)) is None
    assert shared_failure(np.ones((0, 64), bool)) is None
