"""How often many parcels fail together, because the maps have errors in common."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

AT_LEAST = 1 / 3  # of the parcels; common practice, no source
FEWEST = 3  # parcels: of fewer, a third says nothing of failing together


@dataclass(frozen=True, slots=True)
class SharedFailure:
    """In how many draws at least a third of some parcels fail."""

    parcels: int
    draws: int
    failing: int  # draws in which at least a third of the parcels fail
    if_independent: float  # how many these would be, on average, if the parcels failed independently of each other


def shared_failure(reached: npt.NDArray[np.bool_]) -> SharedFailure | None:
    """Count the draws in which at least a third of the parcels fail; None for fewer than three parcels.

    reached (parcels, draws): True where a parcel reaches what is asked of it.

    >>> together = np.array([[True, True, True, False]] * 6)
    >>> shared_failure(together)
    SharedFailure(parcels=6, draws=4, failing=1, if_independent=1.8642578125)
    """
    parcels, draws = reached.shape
    if parcels < FEWEST or not draws:
        return None
    least = math.ceil(parcels * AT_LEAST - 1e-9)
    failing = int(((~reached).sum(axis=0) >= least).sum())
    chances = np.zeros(parcels + 1)  # of so many failures, if they were independent
    chances[0] = 1.0
    for p in (~reached).mean(axis=1):
        chances[1:] = chances[1:] * (1.0 - p) + chances[:-1] * p
        chances[0] *= 1.0 - p
    return SharedFailure(parcels, draws, failing, draws * float(chances[least:].sum()))
