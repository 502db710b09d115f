"""How sure are we: quantiles, draws, rank acceptability, the worth of a test. Arrays in, arrays out."""

from underoak.doubt.sampling import Chosen, choose_points

__all__ = [
    "Chosen",
    "choose_points",
]
