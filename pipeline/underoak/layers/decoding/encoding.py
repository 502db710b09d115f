"""The one place where stored numbers become values: nodata, scale, unit and bounds are applied here, once."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.base.units import STEEPEST, Affine1D, Bend, SlopeStep
from underoak.indicators.terrain.slope_kernels import arctan

Mask = npt.NDArray[np.uint8]  # 0 = hidden, anything else = shown

_SAME = Affine1D()
_NO_MASK: Mask = np.empty(0, np.uint8)
_HUGE = 1.0e30  # beyond this no number measures anything: text tags that were cut short still match
_MAX_EXACT_FLOAT32 = float(2**24 - 1)


class Decoded(NamedTuple):
    """A block of canonical values, with counts of dropped cells: outside the bounds, and infinite."""

    values: FloatArray
    implausible: int
    infinite: int


class Probe(NamedTuple):
    """A block of stored cells, with what is needed to decode them."""

    stored: npt.NDArray[Any]  # (rows, cols), as in the file
    shown: Mask | None
    encoding: Encoding
    month: int = 0  # calendar month; 0 without months
    step: str = ""  # the step of the time axis, for people


@dataclass(frozen=True, slots=True)
class Encoding:
    """A step from stored to canonical numbers; `nodata` is in stored numbers, `low` and `high` in canonical ones.

    >>> import numpy as np
    >>> soil = Encoding(Affine1D(0.1, 0.0), nodata=(-32768.0,), low=2.0, high=11.0)
    >>> soil.decode(np.int16([[74, -32768, 740]]))
    Decoded(values=array([[7.4, nan, nan]], dtype=float32), implausible=1, infinite=0)
    >>> from underoak.base.units import slope_step
    >>> Encoding(low=0.0, high=90.0).then(slope_step("percent", "degree")).decode(np.int16([[0, 100, -5]])).values
    array([[ 0., 45., nan]], dtype=float32)
    """

    affine: Affine1D = _SAME
    nodata: tuple[float, ...] = ()
    low: float = -math.inf
    high: float = math.inf
    to_slope: SlopeStep | None = None  # follows `affine`: from gradients to angles, or back

    def then(self, step: Affine1D | SlopeStep) -> Encoding:
        """Return an encoding with `step` applied to its values; `low` and `high` stay, and are for the new values."""
        assert self.to_slope is None
        if isinstance(step, Affine1D):
            return replace(self, affine=self.affine.then(step))
        return replace(self, to_slope=step)

    def value(self, stored: Any) -> Any:
        """Return a stored number, or an array of them, as values, without looking at nodata and bounds."""
        values = self.affine(stored)
        return values if self.to_slope is None else self.to_slope(values)

    def decode(self, stored: npt.NDArray[Any], shown: Mask | None = None) -> Decoded:
        """Decode cells to float32 of the same shape, NaN where nodata, hidden, not finite, or outside `low` to `high`.

        Integers are compared with nodata exactly, floats by closeness at that magnitude.
        """
        flat = _in_machine_order(stored).ravel()
        lows, highs = intervals(self.nodata, flat.dtype)
        is_shown = _NO_MASK if shown is None else np.ascontiguousarray(shown).ravel()
        for lowest, highest in zip(lows[1:], highs[1:], strict=True):
            is_shown = _hide(flat, is_shown, lowest, highest)
        # the compiled loop takes one interval; an empty one (low above high) hides nothing
        lowest, highest = (lows[0], highs[0]) if lows.size else _empty_interval(flat.dtype)
        out = np.empty(flat.size, np.float32)
        step = self.to_slope
        low, high = np.float32(self.low), np.float32(self.high)
        implausible, infinite = _decode(
            flat,
            is_shown,
            lowest,
            highest,
            self.affine.scale,
            self.affine.offset,
            low if step is None else np.float32(-np.inf),
            high if step is None else np.float32(np.inf),
            out,
        )
        if step is not None:
            to_angle = step.bend is Bend.TO_ANGLE
            implausible += int(_bend(out, step.before.scale, to_angle, step.after.scale, low, high))
        return Decoded(out.reshape(stored.shape), int(implausible), int(infinite))

    def times(self, factor: float) -> Encoding:
        """Return an encoding with canonical values multiplied by `factor` (a rate over a span of time)."""
        return replace(self, affine=self.affine.then(Affine1D(factor, 0.0)))


def fits(tag: float, dtype: npt.DTypeLike) -> bool:
    """Return whether a stored number of this type can equal the nodata value `tag`.

    >>> fits(-9999, "uint8"), fits(255, "uint8"), fits(-9999.5, "int16"), fits(float("nan"), "float32")
    (False, True, False, True)
    """
    kind = np.dtype(dtype)
    if kind.kind == "f":
        return not math.isfinite(tag) or abs(tag) <= float(np.finfo(kind).max) * (1.0 + 1e-3)
    if not math.isfinite(tag) or tag != int(tag):
        return False
    limits = np.iinfo(kind)
    return int(limits.min) <= int(tag) <= int(limits.max)


def intervals(nodata: tuple[float, ...], dtype: npt.DTypeLike) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Return the lowest and highest stored numbers that each nodata value matches, without values that none can equal.

    >>> low, high = intervals((-3.4028231e38,), "float32")
    >>> bool(low[0] <= -3.4028234663852886e38 <= high[0])
    True
    """
    kind = np.dtype(dtype)
    usable = [tag for tag in nodata if math.isfinite(tag) and fits(tag, kind)]
    if kind.kind != "f":
        exact = np.array([int(tag) for tag in usable], kind)
        return exact, exact
    tags = np.array(usable, np.float64)
    # two steps of float32, so that a tag written in decimal finds the number it was written from
    tolerance = np.abs(tags) * np.where(np.abs(tags) >= _HUGE, 1e-3, 2.4e-7)
    return tags - tolerance, tags + tolerance


def class_bounds() -> tuple[float, float]:
    """Return the least and the greatest class code that float32 holds exactly."""
    return -_MAX_EXACT_FLOAT32, _MAX_EXACT_FLOAT32


def _empty_interval(dtype: np.dtype[Any]) -> tuple[Any, Any]:
    if dtype.kind == "f":
        return np.float64(1.0), np.float64(0.0)
    return dtype.type(1), dtype.type(0)


def _in_machine_order(stored: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return the block in this machine's byte order and in a type that the compiled loop takes."""
    kind = stored.dtype
    if kind == np.float16:
        return np.ascontiguousarray(stored, np.float32)
    if kind == np.bool_:
        return np.ascontiguousarray(stored, np.uint8)
    return np.ascontiguousarray(stored, kind.newbyteorder("="))


def _hide(stored: npt.NDArray[Any], shown: Mask, lowest: Any, highest: Any) -> Mask:
    with np.errstate(invalid="ignore"):  # NaN of any kind
        is_shown = ((stored < lowest) | (stored > highest)).view(np.uint8)
    return np.asarray(is_shown if shown.size == 0 else is_shown & (shown != 0).view(np.uint8))


@compiled
def _decode(
    stored: npt.NDArray[Any],
    shown: Mask,
    lowest: Any,
    highest: Any,
    scale: float,
    offset: float,
    low: np.float32,
    high: np.float32,
    out: FloatArray,
) -> tuple[int, int]:
    """Fill `out` with canonical values; return counts of implausible and infinite cells. No branches: vectorised."""
    implausible = 0
    infinite = 0
    is_masked = shown.size > 0
    for i in range(stored.size):
        value = stored[i]
        is_missing = (value != value) | ((value >= lowest) & (value <= highest))
        if is_masked:
            is_missing |= shown[i] == 0
        is_infinite = np.isinf(value) & (not is_missing)
        x = np.float32(value * scale + offset)
        is_implausible = (not is_missing) & (not is_infinite) & ((x < low) | (x > high) | np.isinf(x))
        infinite += is_infinite
        implausible += is_implausible
        out[i] = np.float32(np.nan) if (is_missing | is_infinite | is_implausible) else x
    return implausible, infinite


@compiled
def _bend(values: FloatArray, before: float, to_angle: bool, after: float, low: np.float32, high: np.float32) -> int:
    """Turn gradients into angles, or angles into gradients, in place; return how many are implausible."""
    implausible = 0
    for i in range(values.size):
        value = np.float64(values[i]) * before
        bent = math.copysign(arctan(abs(value)), value) if to_angle else math.tan(min(value, STEEPEST))
        x = np.float32(bent * after)
        is_implausible = (x < low) | (x > high)
        if is_implausible:
            implausible += 1
        values[i] = np.float32(np.nan) if is_implausible else x
    return implausible
