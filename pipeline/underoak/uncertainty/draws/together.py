"""Layers whose errors go together: their correlations, and the sums of normals that give them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems
from underoak.uncertainty.draws.error_model import Sum

Doubles = npt.NDArray[np.float64]
_LEAST = 1e-6  # eigenvalue of a matrix of correlations


@dataclass(frozen=True, slots=True)
class LayersTogether:
    """A table of layers in the order of their names, with the correlation of the errors of each two."""

    names: tuple[str, ...]
    matrix: Doubles
    stated: frozenset[tuple[str, str]]  # the pairs that were given, names in order; others have 0

    @classmethod
    def of(cls, groups: Iterable[tuple[Sequence[str], float]]) -> LayersTogether:
        """Return the table of groups of layers: each two of a group have its correlation.

        >>> LayersTogether.of([(["rain", "warmth"], -0.4)]).matrix.tolist()
        [[1.0, -0.4], [-0.4, 1.0]]

        Raises:
            UnderoakError: E363 for a pair that is given twice, and for correlations that cannot all hold: the worst
                pair is named, which is the one furthest from what the others allow.
        """
        pairs: dict[tuple[str, str], float] = {}
        problems = Problems()
        for layers, correlation in groups:
            for first, second in combinations(sorted(layers), 2):
                if (first, second) in pairs or first == second:
                    what = (
                        f'"{first}" and "{second}" are given twice' if first != second else f'"{first}" is named twice'
                    )
                    problems.add("E363", what, fix="give each pair of layers once")
                pairs[first, second] = correlation
        problems.stop_if_any()
        names = tuple(sorted({name for pair in pairs for name in pair}))
        index = {name: i for i, name in enumerate(names)}
        matrix = np.eye(len(names))
        for (first, second), correlation in pairs.items():
            matrix[index[first], index[second]] = matrix[index[second], index[first]] = correlation
        table = cls(names, matrix, frozenset(pairs))
        table._check()
        return table

    def _check(self) -> None:
        if not self.names or float(np.linalg.eigvalsh(self.matrix).min()) > _LEAST:
            return
        values, vectors = np.linalg.eigh(self.matrix)
        near = (vectors * np.maximum(values, _LEAST)) @ vectors.T
        sizes = np.sqrt(np.diag(near))
        off = np.abs(near / np.outer(sizes, sizes) - self.matrix)
        i, j = sorted(int(k) for k in np.unravel_index(int(np.triu(off, 1).argmax()), off.shape))
        first, second = self.names[i], self.names[j]
        how = f"{self.matrix[i, j]:g}" if (first, second) in self.stated else "0, as the plan gives none"
        low, high = self._bounds(i, j)
        low = max(math.ceil(100.0 * low - 1e-6) / 100.0, -0.99)  # those possible, in hundredths; never -1 or 1
        high = min(math.floor(100.0 * high + 1e-6) / 100.0, 0.99)
        fix = "bring the correlations nearer to 0"
        if low < high:
            fix = f"give them one between {low:.2f} and {high:.2f}, or bring the others nearer to 0"
        problems = Problems()
        what = f'the correlations cannot all hold: the worst pair is "{first}" and "{second}" ({how})'
        problems.add("E363", what, fix=fix)
        problems.stop_if_any()

    def _bounds(self, i: int, j: int) -> tuple[float, float]:
        """Return between which two numbers a pair's correlation must lie for the others to hold; (0, 0) if none do."""
        others = [k for k in range(len(self.names)) if k not in (i, j)]
        inner = self.matrix[np.ix_(others, others)]
        if others and float(np.linalg.eigvalsh(inner).min()) <= _LEAST:
            return 0.0, 0.0
        with_i, with_j = self.matrix[others, i], self.matrix[others, j]
        solved_i, solved_j = (np.linalg.solve(inner, each) if others else each for each in (with_i, with_j))
        left_i, left_j = 1.0 - float(with_i @ solved_i), 1.0 - float(with_j @ solved_j)
        if min(left_i, left_j) <= 0.0:
            return 0.0, 0.0
        middle, side = float(with_i @ solved_j), math.sqrt(left_i * left_j)
        return middle - side, middle + side

    def sums(self, names: Sequence[str]) -> dict[str, Sum]:
        """Return the sum of independent normals of some of the layers that gives each of them its correlations.

        By the Cholesky factor, the layers in the order of their names, so that the plan's order changes nothing.

        >>> LayersTogether.of([(["rain", "warmth"], 0.6)]).sums(["warmth", "rain"])
        {'rain': (('rain', 1.0),), 'warmth': (('rain', 0.6), ('warmth', 0.8))}
        """
        picked = [name for name in self.names if name in names]
        indices = [self.names.index(name) for name in picked]
        factor = np.linalg.cholesky(self.matrix[np.ix_(indices, indices)])
        return {
            name: tuple((other, float(weight)) for other, weight in zip(picked, row, strict=True) if weight != 0.0)
            for name, row in zip(picked, factor, strict=True)
        }
