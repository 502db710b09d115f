"""Response curves: memberships 0..1 of the values of a layer."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from typing import Literal

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems, count_of

FloatArray = npt.NDArray[np.float32]
Kind = Literal["linear", "bell", "table"]

_FEWEST = {"linear": 2, "bell": 1, "table": 1}
_BELL = math.sqrt(math.log2(math.e) / 2.0)


@dataclass(frozen=True, slots=True)
class Curve:
    """A response curve; make one with the constructors below.

    linear: straight lines between the nodes (x, y), level beyond them; nodes at one value are a jump, where the
    best of their memberships counts. bell: x = (centre,), y = (width,). table: codes x, memberships y, `otherwise`
    for any other code (NaN: missing). Common practice in land evaluation, no single source.

    >>> Curve.hump(7.0, 7.5, 8.3, 8.8)
    Curve(kind='linear', x=(7.0, 7.5, 8.3, 8.8), y=(0.0, 1.0, 1.0, 0.0), otherwise=nan)

    Raises:
        UnderoakError: E320 places that do not increase or cannot be used, E321 a membership outside 0..1.
    """

    kind: Kind
    x: tuple[float, ...]
    y: tuple[float, ...]
    otherwise: float = math.nan

    def __post_init__(self) -> None:
        problems = Problems()
        if len(self.x) != len(self.y) or len(self.x) < _FEWEST[self.kind]:
            what = f"a curve of {len(self.x)} places and {len(self.y)} values cannot be drawn"
            problems.add("E320", what, fix="give each place one value, and a line two or more places")
        self._check_places(problems)
        if self.kind == "bell":
            if not all(math.isfinite(width) and width > 0.0 for width in self.y):
                what = f"the width of a bell must be above 0, not {', '.join(f'{v:g}' for v in self.y)}"
                problems.add("E320", what, fix="give the distance from the centre at which membership is 0.61")
        else:
            has_other = self.kind == "table" and not math.isnan(self.otherwise)
            for i, value in enumerate((*self.y, self.otherwise) if has_other else self.y):
                if not 0.0 <= value <= 1.0:
                    what = f"membership {value:g} (value {i + 1} of the curve) is outside 0..1"
                    problems.add("E321", what, fix="give a number from 0 (impossible) to 1 (ideal)")
        problems.stop_if_any()
        if math.isnan(self.otherwise):  # the one NaN, so that equal curves are equal, also after a trip to a worker
            object.__setattr__(self, "otherwise", math.nan)

    def __reduce__(self) -> tuple[type[Curve], tuple[Kind, tuple[float, ...], tuple[float, ...], float]]:
        return Curve, (self.kind, self.x, self.y, self.otherwise)

    def _check_places(self, problems: Problems) -> None:
        for i, place in enumerate(self.x):
            if not math.isfinite(place):
                problems.add("E320", f"point {i + 1} of the curve is {place}", fix="give a finite number")
            elif self.kind == "linear" and i and place < self.x[i - 1]:
                what = f"curve points must increase: point {i + 1} ({place:g}) is below point {i} ({self.x[i - 1]:g})"
                problems.add("E320", what, fix="order the points from low to high")
            elif self.kind == "table" and float(np.float32(place)) != place:
                what = f"class code {place:.17g} is the same as its neighbours in 32 bits"
                problems.add("E320", what, fix="use whole codes below 16,777,217")
        if self.kind == "table" and len(set(self.x)) < len(self.x):
            problems.add("E320", "a class code stands twice in the table", fix="give each code one value")

    @property
    def full(self) -> tuple[float, float]:
        """Return the best range: the least and greatest value of the highest membership; infinite where level outwards.

        Below the one a value is too low, above the other too high. Codes are neither: -inf to inf.

        >>> Curve.hump(7.0, 7.5, 8.3, 8.8).full, Curve.ramp_down(12, 25).full
        ((7.5, 8.3), (-inf, 12.0))
        """
        if self.kind == "table":
            return -math.inf, math.inf
        if self.kind == "bell":
            return self.x[0], self.x[0]
        best = [i for i, value in enumerate(self.y) if value == max(self.y)]
        low = -math.inf if best[0] == 0 else self.x[best[0]]
        return low, math.inf if best[-1] == len(self.y) - 1 else self.x[best[-1]]

    @classmethod
    def ramp_up(cls, a: float, b: float) -> Curve:
        """Return a curve that is 0 up to a and 1 from b on; a = b is a step, 1 at the corner.

        >>> membership([6.0, 7.0, 7.25, 7.5], Curve.ramp_up(7.0, 7.5)).tolist()
        [0.0, 0.0, 0.5, 1.0]
        """
        return cls.points([(a, 0.0), (b, 1.0)])

    @classmethod
    def ramp_down(cls, a: float, b: float) -> Curve:
        """Return a curve that is 1 up to a and 0 from b on; a = b is a step, 1 at the corner.

        >>> membership([12.0, 18.5, 25.0], Curve.ramp_down(12.0, 25.0)).tolist()
        [1.0, 0.5, 0.0]
        """
        return cls.points([(a, 1.0), (b, 0.0)])

    @classmethod
    def hump(cls, a: float, b: float, c: float, d: float) -> Curve:
        """Return a curve that is 0 up to a, 1 from b to c, and 0 from d on.

        >>> membership([7.0, 7.25, 8.0, 9.0], Curve.hump(7.0, 7.5, 8.3, 8.8)).tolist()
        [0.0, 0.5, 1.0, 0.0]
        """
        return cls.points([(a, 0.0), (b, 1.0), (c, 1.0), (d, 0.0)])

    @classmethod
    def trough(cls, a: float, b: float, c: float, d: float) -> Curve:
        """Return a curve that is 1 up to a, 0 from b to c, and 1 from d on.

        >>> membership([0.0, 2.0, 4.0], Curve.trough(0.0, 1.0, 3.0, 4.0)).tolist()
        [1.0, 0.0, 1.0]
        """
        return cls.points([(a, 1.0), (b, 0.0), (c, 0.0), (d, 1.0)])

    @classmethod
    def bell(cls, centre: float, width: float) -> Curve:
        """Return the curve exp(-z**2 / 2), z = (value - centre) / width: 1 at the centre, 0.607 one width away.

        >>> membership([20.0, 22.0, 24.0], Curve.bell(20.0, 2.0)).round(3)
        array([1.   , 0.607, 0.135], dtype=float32)
        """
        return cls("bell", (float(centre),), (float(width),))

    @classmethod
    def steps(cls, at: Sequence[float], give: Sequence[float]) -> Curve:
        """Return level pieces: give[0] before at[0], give[1] up to at[1], and so on; at a step the better side counts.

        >>> membership([4.0, 5.0, 6.0, 7.0], Curve.steps([5.0, 6.0], [0.25, 1.0, 0.5])).tolist()
        [0.25, 1.0, 1.0, 0.5]

        Raises:
            UnderoakError: E320 also when `give` has not one value more than `at`.
        """
        problems = Problems()
        if len(give) != len(at) + 1:
            steps, given = count_of(len(at), "step parts", "steps part"), count_of(len(give), "is", "are")
            what = f"{steps} the values into {len(at) + 1} pieces, but {given} given"
            problems.add("E320", what, fix="write one more number in `give` than in `at`")
        for i in range(1, len(at)):
            if at[i] == at[i - 1]:
                what = f"curve points must increase: step {i} ({at[i]:g}) is not above step {i - 1}"
                problems.add("E320", what, fix="leave one of them out")
        problems.stop_if_any()
        return cls.points(pair for i, place in enumerate(at) for pair in ((place, give[i]), (place, give[i + 1])))

    @classmethod
    def points(cls, pairs: Iterable[tuple[float, float]]) -> Curve:
        """Return straight lines through (value, membership) pairs; equal values are a jump, where the better counts.

        >>> membership([1.0, 2.0, 3.0], Curve.points([(1, 0.5), (2, 1.0), (2, 0.0)])).tolist()
        [0.5, 1.0, 0.0]
        """
        nodes = [(float(x), float(y)) for x, y in pairs]
        return cls("linear", tuple(x for x, _ in nodes), tuple(y for _, y in nodes))

    @classmethod
    def table(cls, mapping: Mapping[float, float], otherwise: float = math.nan) -> Curve:
        """Return the curve of a table of class codes; any other code is missing, or gives `otherwise`.

        >>> membership([1.0, 3.0, 9.0], Curve.table({1: 1.0, 3: 0.25})).tolist()
        [1.0, 0.25, nan]
        """
        codes = sorted(mapping)
        return cls("table", tuple(map(float, codes)), tuple(float(mapping[c]) for c in codes), float(otherwise))


def membership(values: npt.ArrayLike, curve: Curve, out: FloatArray | None = None) -> FloatArray:
    """Return the membership 0..1 of each value, in the shape of `values`; NaN stays NaN. `out` may take the result.

    Values and the curve's nodes are compared as float32, so that a stored 7.1 equals a corner at 7.1.

    >>> membership(float("nan"), Curve.ramp_up(0, 1))
    np.float32(nan)

    Raises:
        ValueError: when `out` is not a contiguous float32 array of the same shape.
    """
    with np.errstate(over="ignore"):  # beyond float32 is as good as infinite
        cells = np.asarray(values, dtype=np.float32, order="C")
    result = np.empty(cells.shape, np.float32) if out is None else out
    if result.shape != cells.shape or result.dtype != np.float32 or not result.flags.c_contiguous:
        raise ValueError(f"out must be a contiguous float32 array of shape {cells.shape}")
    from underoak.overlay import curve_kernels as kernels

    flat, to = cells.reshape(-1), result.reshape(-1)
    if curve.kind == "linear":
        start, x, y, slope = pieces(curve.x, curve.y)
        kernels.piecewise(flat, start, x, y, slope, to)
    elif curve.kind == "bell":
        kernels.bell(flat, curve.x[0], _BELL / curve.y[0], to)
    else:
        order = np.argsort(curve.x)
        codes, given = (np.array(column, np.float32)[order] for column in (curve.x, curve.y))
        kernels.table(flat, codes, given, curve.otherwise, to)
    return result if result.ndim or out is not None else result[()]


@lru_cache(maxsize=512)
def pieces(x: tuple[float, ...], y: tuple[float, ...]) -> tuple[npt.NDArray[np.float64], ...]:
    """Return starts, anchors, values there and slopes of the pieces; a piece begins just past its start."""
    runs = [
        (place, [v for _, v in run]) for place, run in groupby(zip(map(np.float32, x), y, strict=True), lambda p: p[0])
    ]
    places = [float(place) for place, _ in runs]
    rows = [(-math.inf, places[0] - 1.0, runs[0][1][0], 0.0)]
    for i, (here, (_, at_once)) in enumerate(zip(places, runs, strict=True)):
        just_before = math.nextafter(here, -math.inf)
        spike = max(at_once) > at_once[-1]
        if spike:
            rows.append((just_before, here, max(at_once), 0.0))
        start = here if spike else just_before
        if i + 1 < len(runs):
            slope = (runs[i + 1][1][0] - at_once[-1]) / (places[i + 1] - here)
            rows.append((start, here, at_once[-1], slope))
        else:
            rows.append((start, here + 1.0, at_once[-1], 0.0))
    return tuple(np.array(column) for column in zip(*rows, strict=True))
