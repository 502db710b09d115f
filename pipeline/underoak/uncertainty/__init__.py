"""Uncertainty: quantiles, draws, rank acceptability, the value of a test. Arrays in, arrays out."""

from underoak.uncertainty.draws.cell_draws import Correlation, Normals, draw, hash_seed
from underoak.uncertainty.draws.error_model import ErrorModel, sd_of_mean
from underoak.uncertainty.draws.quantiles import (
    crossing,
    normal_at_least,
    probability_at_least,
    quantile_at,
    value_at_score,
)
from underoak.uncertainty.draws.weight_draws import WeightDistribution
from underoak.uncertainty.information.calibration import Coverage, band_coverage, cells_per_parcel, wilson
from underoak.uncertainty.information.lab_update import Posterior, lab_update
from underoak.uncertainty.information.soil_points import PointChoice, choose_points
from underoak.uncertainty.information.value_of_information import (
    InformationValue,
    value_for_choice,
    value_of_information,
    value_of_test,
)
from underoak.uncertainty.outcomes.expected_membership import expected_membership
from underoak.uncertainty.outcomes.rank_acceptability import RankAcceptability, rank_acceptability
from underoak.uncertainty.outcomes.rank_sources import JointDraws, ParcelCells
from underoak.uncertainty.outcomes.robustness import (
    Robustness,
    driver_effects,
    is_outside_range,
    regret,
    robustness,
    scenario_weights,
)
from underoak.uncertainty.outcomes.sensitivity import (
    Normal,
    SobolIndices,
    Uniform,
    WeightChange,
    one_at_a_time,
    smallest_weight_change,
    smallest_weight_change_of,
    sobol_indices,
)

__all__ = [
    "Correlation",
    "Coverage",
    "ErrorModel",
    "InformationValue",
    "JointDraws",
    "Normal",
    "Normals",
    "ParcelCells",
    "PointChoice",
    "Posterior",
    "RankAcceptability",
    "Robustness",
    "SobolIndices",
    "Uniform",
    "WeightChange",
    "WeightDistribution",
    "band_coverage",
    "cells_per_parcel",
    "choose_points",
    "crossing",
    "draw",
    "driver_effects",
    "expected_membership",
    "hash_seed",
    "is_outside_range",
    "lab_update",
    "normal_at_least",
    "one_at_a_time",
    "probability_at_least",
    "quantile_at",
    "rank_acceptability",
    "regret",
    "robustness",
    "scenario_weights",
    "sd_of_mean",
    "smallest_weight_change",
    "smallest_weight_change_of",
    "sobol_indices",
    "value_at_score",
    "value_for_choice",
    "value_of_information",
    "value_of_test",
    "wilson",
]
