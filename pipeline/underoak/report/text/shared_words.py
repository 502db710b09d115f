"""Errors that whole maps, or several layers, have in common, in sentences."""

from __future__ import annotations

from underoak.engine.storage.manifest import TogetherRecord
from underoak.uncertainty.outcomes.shared_failure import SharedFailure


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
    """Return how often many parcels with a yes fail together.

    >>> shared_failure_words(SharedFailure(12, 64, 9, 0.4))
    'In 9 of 64 draws at least a third of the 12 parcels with a yes are below S2, for an error of a whole map meets them
    all. If they failed independently, it would be in 0 of 64.'
    """
    start = f"In {shared.failing} of {shared.draws} draws at least a third of the {shared.parcels} parcels with a yes"
    alone = round(shared.if_independent)
    if shared.failing <= alone:
        return f"{start} are below S2."
    return (
        f"{start} are below S2, for an error of a whole map meets them all. If they failed independently, it would be "
        f"in {alone} of {shared.draws}."
    )
