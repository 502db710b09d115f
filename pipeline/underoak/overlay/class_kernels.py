"""Kernels for classes: a score against the cuts, capped by the lowest membership."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.codes import EXCLUDED, MISSING
from underoak.base.compiled import compiled_no_refcount

Floats = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating[Any]]
Bytes = npt.NDArray[np.uint8]
Number = float | np.floating[Any]

_BARRED = np.uint8(1)  # a cell that a constraint excludes
_EXCLUDED, _MISSING = np.uint8(EXCLUDED), np.uint8(MISSING)


@compiled_no_refcount
def _class(score: Number, least: Number, s1: Number, s2: Number, s3: Number, capped: bool) -> int:
    """Return the class 1..4 of a score; capped: at best one above the class of the lowest membership."""
    code = 1 + int(score < s1) + int(score < s2) + int(score < s3)
    cap = int(least < s1) + int(least < s2) + int(least < s3)
    return max(code, cap * int(capped))


@compiled_no_refcount
def classify(scores: Values, least: Values, s1: Number, s2: Number, s3: Number, capped: bool, out: Bytes) -> None:
    """Write the classes of float32 scores into `out`; NaN is missing."""
    for i in range(scores.size):
        code = np.uint8(_class(scores[i], least[i], s1, s2, s3, capped))
        out[i] = code if scores[i] == scores[i] and least[i] == least[i] else _MISSING


@compiled_no_refcount
def classes_of(
    state: Bytes, scores: Values, least: Floats, s1: Number, s2: Number, s3: Number, capped: bool, out: Bytes
) -> None:
    """Write the classes of judged cells into `out`: `state` 1 is excluded, a score that is NaN missing."""
    for i in range(out.size):
        of_class = np.uint8(_class(scores[i], np.float32(least[i]), s1, s2, s3, capped))
        unjudged = _EXCLUDED if state[i] == _BARRED else _MISSING
        out[i] = of_class if scores[i] == scores[i] else unjudged
