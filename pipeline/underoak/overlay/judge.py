"""Overlay of one block: suitability, class and limiting factors of every cell in one pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.codes import EXCLUDED
from underoak.overlay.classes import CUTS, Cap, Cuts, check_classes, check_essential
from underoak.overlay.combine import Missing, Rule, check_combination, criteria_by_cell, kernel_rules

FloatArray = npt.NDArray[np.float32]
ByteArray = npt.NDArray[np.uint8]

FREE, BARRED, UNKNOWN = 0, 1, 2  # state of a cell: free to judge, excluded by a constraint, constraint not known
MOST_CRITERIA = EXCLUDED  # an index shares its byte with the codes


@dataclass(frozen=True, slots=True)
class Rules:
    """A plan's rules: one weight for each criterion in plan order (scaled to sum to 1), combination and classes.

    `essential` are the indices of the criteria whose own class no cell exceeds, whatever their weight and the cap.

    >>> Rules((2, 1, 1), "geometric").weights
    (0.5, 0.25, 0.25)

    Raises:
        UnderoakError: E310, E311 weights that cannot be, E316 settings that do not go together, E318 class cuts.
    """

    weights: tuple[float, ...]
    rule: Rule = "linear"
    order_weights: tuple[float, ...] | None = None
    alpha: float | None = None
    missing: Missing = "stop"
    cuts: Cuts = CUTS
    cap: Cap = "weakest"
    essential: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        normal, order = check_combination(self.weights, self.rule, self.order_weights, self.alpha, self.missing)
        object.__setattr__(self, "weights", normal)
        object.__setattr__(self, "order_weights", order)
        object.__setattr__(self, "cuts", check_classes(self.cuts, self.cap))
        object.__setattr__(self, "essential", check_essential(self.essential, len(normal)))
        if len(self.weights) > MOST_CRITERIA:
            raise ValueError(f"{len(self.weights)} criteria are more than {MOST_CRITERIA}")


class OverlayResult(NamedTuple):
    """A block's results; arrays are (rows, cols)."""

    suitability: FloatArray  # 0..1, NaN = not judged
    classes: ByteArray  # 1..4 = S1, S2, S3, N; 250 excluded, 255 missing
    weakest: ByteArray  # criterion index, 253 nothing limits, 250, 255
    gainful: ByteArray
    missing_weight: FloatArray | None  # share of the weight that is missing, NaN where not free; None under "stop"


def judge(memberships: npt.ArrayLike, state: npt.ArrayLike, rules: Rules) -> OverlayResult:
    """Return suitability, classes and limiting factors of a block.

    memberships (criteria, rows, cols): float32 0..1, NaN = missing. state (rows, cols): 0 free, 1 excluded, 2 missing.
    Excluded beats missing. A cell is missing if its state is, or a membership with a weight or of an essential
    criterion (under "renormalise": if all memberships with a weight are). Sums are float64, stored as float32. Results
    agree with `combine`, `classify`, `weakest` and `most_gainful` on each cell; of ties the first in plan order counts.
    Where an essential criterion lowers the class, it is the weakest. One pass; threads may judge side by side. No array
    of full size is made besides the results (memberships that are not contiguous float32 are copied first).

    >>> m = np.float32([[[0.9, 1.0, np.nan]], [[0.3, 1.0, 0.5]]])
    >>> result = judge(m, [[0, 0, 1]], Rules((1, 1)))
    >>> result.suitability.round(2).tolist(), result.classes.tolist(), result.weakest.tolist()
    ([[0.6000000238418579, 1.0, nan]], [[2, 1, 250]], [[1, 253, 250]])

    Raises:
        ValueError: when shapes do not fit.
    """
    values, shape = criteria_by_cell(np.asarray(memberships, np.float32), len(rules.weights))
    states = np.asarray(state, np.uint8, order="C")
    if states.shape != shape:
        raise ValueError(f"state is {states.shape}, memberships are of {shape} cells")
    kernel_settings = kernel_rules(
        rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing, rules.cuts, rules.cap,
        essential=rules.essential,
    )  # fmt: skip
    suitability = np.empty(shape, np.float32)
    classes, weak, gain = (np.empty(shape, np.uint8) for _ in range(3))
    lacking = np.empty(shape if rules.missing == "renormalise" else 0, np.float32)
    from underoak.overlay import combine_kernels

    combine_kernels.judge(
        values,
        states.reshape(-1),
        kernel_settings,
        suitability.reshape(-1),
        classes.reshape(-1),
        weak.reshape(-1),
        gain.reshape(-1),
        lacking.reshape(-1),
    )
    return OverlayResult(suitability, classes, weak, gain, lacking if rules.missing == "renormalise" else None)
