"""Response curves, weights, combination, classes and limiting factors: arrays in, arrays out."""

from underoak.base.codes import CLASS_NAMES, EXCLUDED, MISSING, NOTHING_LIMITS, S1, S2, S3, N
from underoak.overlay.classes import CUTS, check_classes, class_name, classify
from underoak.overlay.combine import RULES, check_combination, combine, dispersion, orness
from underoak.overlay.curves import Curve, membership
from underoak.overlay.judge import OverlayResult, Rules, judge
from underoak.overlay.limiting import holding, most_gainful, weakest
from underoak.overlay.pairwise import PairwiseResult, check_consistency, pairwise_from_ratios, pairwise_weights
from underoak.overlay.weights import normalise, rank_order_centroid, rank_reciprocal, rank_sum

__all__ = [
    "CLASS_NAMES",
    "CUTS",
    "EXCLUDED",
    "MISSING",
    "NOTHING_LIMITS",
    "RULES",
    "S1",
    "S2",
    "S3",
    "Curve",
    "N",
    "OverlayResult",
    "PairwiseResult",
    "Rules",
    "check_classes",
    "check_combination",
    "check_consistency",
    "class_name",
    "classify",
    "combine",
    "dispersion",
    "holding",
    "judge",
    "membership",
    "most_gainful",
    "normalise",
    "orness",
    "pairwise_from_ratios",
    "pairwise_weights",
    "rank_order_centroid",
    "rank_reciprocal",
    "rank_sum",
    "weakest",
]
