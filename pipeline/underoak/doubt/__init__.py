"""How sure are we: quantiles, draws, rank acceptability, the worth of a test. Arrays in, arrays out."""

from underoak.doubt.acceptability import ParcelCells, RankAcceptability, rank_acceptability
from underoak.doubt.calibration import Coverage, band_coverage, cells_under, wilson
from underoak.doubt.draws import Correlation, Normals, base_of, draw
from underoak.doubt.expected import expected_membership
from underoak.doubt.futures import Robustness, future_weights, is_novel, regret, robustness, single_swaps
from underoak.doubt.quantiles import (
    crossing,
    normal_at_least,
    probability_at_least,
    quantile_at,
    value_at_score,
)
from underoak.doubt.sampling import Chosen, choose_points
from underoak.doubt.sensitivity import (
    Normal,
    SobolIndices,
    Swap,
    Uniform,
    one_at_a_time,
    smallest_swap,
    smallest_swap_of,
    sobol_indices,
)
from underoak.doubt.update import Updated, lab_update, sd_of_mean
from underoak.doubt.weights import WeightSpread
from underoak.doubt.worth import Worth, value_of_test, verdict, worth_for_choice, worth_of_knowing

__all__ = [
    "Chosen",
    "Correlation",
    "Coverage",
    "Normal",
    "Normals",
    "ParcelCells",
    "RankAcceptability",
    "Robustness",
    "SobolIndices",
    "Swap",
    "Uniform",
    "Updated",
    "WeightSpread",
    "Worth",
    "band_coverage",
    "base_of",
    "cells_under",
    "choose_points",
    "crossing",
    "draw",
    "expected_membership",
    "future_weights",
    "is_novel",
    "lab_update",
    "normal_at_least",
    "one_at_a_time",
    "probability_at_least",
    "quantile_at",
    "rank_acceptability",
    "regret",
    "robustness",
    "sd_of_mean",
    "single_swaps",
    "smallest_swap",
    "smallest_swap_of",
    "sobol_indices",
    "value_at_score",
    "value_of_test",
    "verdict",
    "wilson",
    "worth_for_choice",
    "worth_of_knowing",
]
