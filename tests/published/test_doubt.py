"""Doubt against exact results and textbook values; each names its source.

"Derived" means that the value follows from the definition and was computed afresh in another way.
"""

import numpy as np
import pytest

from underoak.doubt import probability_at_least

LEVELS = (0.05, 0.5, 0.95)


def test_exceedance_from_three_quantiles():
    """Normal-score interpolation, common practice; derived: z 0.274142."""
    assert probability_at_least(LEVELS, [6.8, 7.4, 8.0], 7.5) == pytest.approx(0.391988, abs=1e-6)


def test_exceedance_from_skewed_quantiles():
    """The same rule; straight lines between the probabilities themselves would give 0.3875, another rule. Derived."""
    assert probability_at_least(LEVELS, [6.5, 7.4, 7.8], 7.5) == pytest.approx(0.340458, abs=1e-6)


def test_the_same_from_float32_tiles():
    tile = np.array([[[6.8]], [[7.4]], [[8.0]]], np.float32)
    assert probability_at_least(LEVELS, tile, 7.5)[0, 0] == pytest.approx(0.391988, abs=2e-6)
