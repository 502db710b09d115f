"""Intervals of a share against published ones."""

import pytest

from underoak.uncertainty import wilson


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_intervals_of_newcombe(hits, n, low, high):
    """Newcombe 1998, table I, the score method, from memory."""
    assert wilson(hits, n) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("hits", "low", "high"),
    [(0, 0.0, 0.277533), (5, 0.236593, 0.763407), (8, 0.490162, 0.943318), (10, 0.722467, 1.0)],
)
def test_the_closed_form_for_ten_cases(hits, low, high):
    """Wilson's closed form with z 1.959964, worked out apart from this code."""
    assert wilson(hits, 10) == pytest.approx((low, high), abs=1e-6)
