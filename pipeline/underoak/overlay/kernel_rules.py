"""Rules of combination in the form that kernels take."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LINEAR, GEOMETRIC, MINIMUM, ORDERED = range(4)


class KernelRules(NamedTuple):
    """A plan's rules as the kernels take them."""

    criteria: npt.NDArray[np.int64]  # the criteria with a weight above 0, in plan order
    weights: Floats  # theirs
    rule: int
    alpha: float
    order: Floats  # running order weights from 0 to 1, or empty
    renormalise: bool
    limits: bool  # find what limits, too
    s1: np.float32
    s2: np.float32
    s3: np.float32
    capped: bool
    essential: npt.NDArray[np.int64]  # criteria whose own class no cell exceeds, in plan order
