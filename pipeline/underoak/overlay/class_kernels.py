"""Kernels for classes: a score against the cuts, capped by the lowest membership and by essential criteria."""

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
def hold_to_essential(
    essential: Floats, s1: Number, s2: Number, s3: Number, tie: float, codes: Bytes, edge: Floats
) -> None:
    """Lower classes 1..4 in `codes` to those of the lowest essential memberships; other codes stay.

    `edge` becomes the membership up to which an essential criterion holds a class that was better; -1 elsewhere.
    A membership that is infinite holds nothing.
    """
    for i in range(codes.size):
        low = np.float32(essential[i])
        most = 1 + int(low < s1) + int(low < s2) + int(low < s3)
        is_held = most > codes[i]
        edge[i] = essential[i] + tie if is_held else -1.0
        codes[i] = np.uint8(most) if is_held else codes[i]


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
