"""Errors that whole maps, or several layers, have in common, in sentences."""

from __future__ import annotations

import math

from underoak.engine.storage.manifest import TogetherRecord
from underoak.uncertainty.outcomes.shared_failure import SharedFailure

_FAR = 2.0  # standard deviations of a count


def together_words(pair: TogetherRecord) -> str:
    """Return how far the errors of two layers go together.

    >>> together_words(TogetherRecord(first="rain", second="cold", correlation=0.8, is_local=False, realised=0.16))
    'rain and cold: correlation 0.8 of what each whole map has in common, as their grids or grains differ; 0.16 in all'
    """
    what = f"{pair.first} and {pair.second}: correlation {pair.correlation:g}"
    if pair.is_local:
        return f"{what} of their errors"
    return f"{what} of what each whole map has in common, as their grids or grains differ; {pair.realised:.2f} in all"


def shared_failure_words(shared: SharedFailure) -> str:
    """Return how often many parcels with a yes fail together; beside it what chance would give, where it is far less.

    >>> shared_failure_words(SharedFailure(12, 64, 9, 0.4))
    'In 9 of 64 draws at least a third of the 12 parcels with a yes are below S2: errors of the maps meet several of
    them at once. If they failed independently, it would be in 0 of 64.'
    """
    many = f"In {shared.failing} of {shared.draws} draws at least a third of the {shared.parcels} parcels with a yes"
    alone = shared.if_independent
    if shared.failing <= alone + _FAR * math.sqrt(max(alone, 1.0)):
        return f"{many} are below S2."
    return (
        f"{many} are below S2: errors of the maps meet several of them at once. If they failed independently, it would "
        f"be in {alone:.0f} of {shared.draws}."
    )
