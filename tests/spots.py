"""Random figures of a profile, around the ends of its curves, that do not contradict each other."""

from __future__ import annotations

import math

import numpy as np

from underoak.base.units import canonical_name
from underoak.places.spot.figures import RISING, bounds_of
from underoak.plan.profiles.profile import Profile


def some_criteria(profile: Profile, rng: np.random.Generator, count: int) -> list[str]:
    """Names of up to `count` criteria with weight; of two whose values are bound to each other only one."""
    weighty = [name for name, criterion in profile.criteria.items() if criterion.weight > 0.0]
    bound = {frozenset(pair) for pair in (*RISING, ("sand", "clay"))}
    chosen: list[str] = []
    for name in rng.permutation(weighty).tolist():
        layer = profile.criteria[name].layer
        if not any(frozenset((layer, profile.criteria[other].layer)) in bound for other in chosen):
            chosen.append(name)
    return chosen[:count]


def values_near(profile: Profile, name: str, rng: np.random.Generator, count: int) -> tuple[np.ndarray, float]:
    """Values of a criterion's layer around the ends of its curve, and the width of that."""
    criterion = profile.criteria[name]
    ends = [end for end in criterion.curve.curve().x if math.isfinite(end)]
    span = max(ends) - min(ends) or 1.0
    drawn = rng.uniform(min(ends) - 0.1 * span, max(ends) + 0.1 * span, count)
    return drawn.clip(*bounds_of(criterion.layer, canonical_name(criterion.unit))), span
