"""The errors of a layer: local ones, correlated over its source grid, and one that the whole map has in common.

One model serves the draws of source cells and the standard deviation of a parcel's mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Window
from underoak.uncertainty.draws.cell_draws import (
    INDEPENDENT,
    Correlation,
    Normals,
    hash_seed,
    independent_parts,
    restore_shares,
)
from underoak.uncertainty.draws.quantiles import check_sd

Doubles = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Places = npt.NDArray[np.int64]
Sum = tuple[tuple[str, float], ...]  # names of layers, and the weight of the normals of each

_AT_ONCE = 2**21  # pairs of cells


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """A description of a layer's errors: sqrt(bias share) * common + sqrt(1 - bias share) * local.

    `common` is one standard normal for the whole map in each draw, `local` one for each source cell (or grain). Both
    are the layer's own, or sums over layers whose errors go together.
    """

    layer: str
    correlation: Correlation = INDEPENDENT  # of the local part
    bias_share: float = 0.0  # share of the variance that the whole map has in common, 0 to 1
    local: Sum = ()  # empty: the layer's own
    common: Sum = ()

    def draw(self, seed: int, window: Window, draws: int, turn: int = 0) -> Normals:
        """Return standard normals for the source cells of a window, which may reach outside the source.

        `turn` are the columns of a source that is periodic in longitude; 0 for any other.

        >>> half = ErrorModel("rain", bias_share=0.5)
        >>> cells = half.draw(1, Window(0, 0, 1, 2), 4000).cells()[0].astype(float)
        >>> float(np.corrcoef(*cells)[0, 1].round(1)), float(cells.std().round(2))
        (0.5, 1.0)
        """
        (first, weight), *others = self.local or ((self.layer, 1.0),)
        normals = independent_parts(hash_seed(seed, first), window, draws, self.correlation, turn)
        z = normals.z
        if weight != 1.0:
            z *= np.float32(weight)
        for layer, weight in others:
            z += np.float32(weight) * independent_parts(
                hash_seed(seed, layer), window, draws, self.correlation, turn
            ).z  # fmt: skip
        if self.bias_share > 0.0:
            z *= np.float32(math.sqrt(1.0 - self.bias_share))
            z += np.float32(math.sqrt(self.bias_share)) * self.common_normals(seed, draws)
        if others or self.bias_share > 0.0 or not self.correlation.is_independent:
            restore_shares(z)
        return normals

    def common_normals(self, seed: int, draws: int) -> Singles:
        """Return the normal that the whole map has in common in each draw, (draws,), one from each equal share.

        It is that of source cell (0, 0) of a layer named `<layer>/common`.
        """
        total = np.zeros(draws, np.float32)
        for layer, weight in self.common or ((self.layer, 1.0),):
            one = independent_parts(hash_seed(seed, f"{layer}/common"), Window(0, 0, 1, 1), draws, INDEPENDENT)
            total += np.float32(weight) * one.z[0, 0]
        return total

    def correlations(self, a: tuple[npt.ArrayLike, npt.ArrayLike], b: tuple[npt.ArrayLike, npt.ArrayLike]) -> Doubles:
        """Return the correlation of the errors of source cells a and b, each (rows, cols); the arrays broadcast.

        It is that of the draws, but for their return to equal shares, which changes it by less than 0.01.
        """
        down, across = self.correlation.down, self.correlation.across
        local = down.correlations(a[0], b[0]) * across.correlations(a[1], b[1])
        result: Doubles = self.bias_share + (1.0 - self.bias_share) * local
        return result


def sd_of_mean(
    sd: npt.ArrayLike, rows: npt.ArrayLike, cols: npt.ArrayLike, errors: ErrorModel, shares: npt.ArrayLike | None = None
) -> float:
    """Return the standard deviation of the mean over source cells whose errors are correlated as those of the draws.

    Source cells (rows, cols), (cells,) each; `sd` of each or one for all; `shares` their weights (areas; equal if left
    out). All land in one source cell, or in one grain, shares its error, however fine the analysis grid. Every pair is
    added up: (cells)**2 steps. Exponential covariance along rows and columns, common practice, no source.

    >>> for range_m in (0.0, 800.0):
    ...     errors = ErrorModel("soil_ph", Correlation.of(range_m, 250.0, 250.0))
    ...     print(round(sd_of_mean(0.4, [0, 0], [0, 1], errors), 4))
    0.2828
    0.3722

    Raises:
        UnderoakError: E360 when a standard deviation or a share is negative, or there is nothing to average.
        ValueError: when shapes do not fit.
    """
    check_sd(sd)
    row, col = (np.asarray(v, np.int64).reshape(-1) for v in (rows, cols))
    weights = np.ones(row.size) if shares is None else np.asarray(shares, np.float64).reshape(-1)
    if not row.size == col.size == weights.size:
        raise ValueError(f"{row.size} rows, {col.size} columns and {weights.size} shares are not of the same cells")
    if not ((weights >= 0.0).all() and weights.sum() > 0.0):
        what = "a mean needs cells, and shares of 0 or above that are not all 0"
        raise UnderoakError(Fault("E360", what, fix="give areas as shares"))
    lever = np.broadcast_to(np.asarray(sd, np.float64), weights.shape) * (weights / weights.sum())
    variance = 0.0
    step = max(1, _AT_ONCE // row.size)
    for i in range(0, row.size, step):
        some = slice(i, i + step)
        shared = errors.correlations((row[some, None], col[some, None]), (row, col))
        variance += float((lever[some, None] * shared * lever).sum())
    return math.sqrt(variance)
