"""How sure are we: quantiles, draws, rank acceptability, the worth of a test. Arrays in, arrays out."""

from underoak.doubt.futures import Robustness, future_weights, is_novel, regret, robustness, single_swaps
from underoak.doubt.quantiles import (
    crossing,
    normal_at_least,
    probability_at_least,
    quantile_at,
    value_at_score,
)
from underoak.doubt.sampling import Chosen, choose_points

__all__ = [
    "Chosen",
    "Robustness",
    "choose_points",
    "crossing",
    "future_weights",
    "is_novel",
    "normal_at_least",
    "probability_at_least",
    "quantile_at",
    "regret",
    "robustness",
    "single_swaps",
    "value_at_score",
]
