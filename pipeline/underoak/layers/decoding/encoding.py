"""From stored numbers to canonical values: nodata, scale and unit are applied in this one place, once."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.base.units import Affine1D

Mask = npt.NDArray[np.uint8]  # 0 = hidden, anything else = shown

_SAME = Affine1D()
_NO_MASK: Mask = np.empty(0, np.uint8)
_HUGE = 1.0e30  # beyond this no number measures anything: text tags that were cut short still match
_WHOLE_IN_FLOAT32 = float(2**24 - 1)


class Decoded(NamedTuple):
    """Canonical values, and how many cells were dropped for what they held."""

    values: FloatArray
    implausible: int
    infinite: int


class Probe(NamedTuple):
    """Stored cells of a sample with the means to read them."""

    stored: npt.NDArray[Any]  # (rows, cols), native dtype
    shown: Mask | None
    encoding: Encoding


@dataclass(frozen=True, slots=True)
class Encoding:
    """How stored numbers become canonical values; `nodata` is in stored numbers, `low` and `high` in canonical ones.

    >>> import numpy as np
    >>> soil = Encoding(Affine1D(0.1, 0.0), nodata=(-32768.0,), low=2.0, high=11.0)
    >>> soil.decode(np.int16([[74, -32768, 740]]))
    Decoded(values=array([[7.4, nan, nan]], dtype=float32), implausible=1, infinite=0)
    """

    affine: Affine1D = _SAME
    nodata: tuple[float, ...] = ()
    low: float = -math.inf
    high: float = math.inf

    def decode(self, stored: npt.NDArray[Any], shown: Mask | None = None) -> Decoded:
        """Float32 values of the same shape, NaN where nodata, hidden, not finite, or outside `low` to `high`.

        Integers are compared with nodata exactly, floats by closeness at that magnitude.
        """
        flat = _native(stored).ravel()
        lows, highs = intervals(self.nodata, flat.dtype)
        hidden = _NO_MASK if shown is None else np.ascontiguousarray(shown).ravel()
        for lowest, highest in zip(lows[1:], highs[1:], strict=True):
            hidden = _hide(flat, hidden, lowest, highest)
        # one interval is left for the fast loop; an empty one (low above high) hides nothing
        lowest, highest = (lows[0], highs[0]) if lows.size else _nowhere(flat.dtype)
        out = np.empty(flat.size, np.float32)
        implausible, infinite = _decode(
            flat,
            hidden,
            lowest,
            highest,
            self.affine.scale,
            self.affine.offset,
            np.float32(self.low),
            np.float32(self.high),
            out,
        )
        return Decoded(out.reshape(stored.shape), int(implausible), int(infinite))

    def times(self, factor: float) -> Encoding:
        """The same, with canonical values multiplied by `factor` (a rate over a span of time)."""
        return replace(self, affine=self.affine.then(Affine1D(factor, 0.0)))


def fits(tag: float, dtype: npt.DTypeLike) -> bool:
    """True when a stored number of this type can be equal to `tag`.

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
    """Lowest and highest stored number that each tag stands for; tags no such number can equal are left out.

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
    reach = np.abs(tags) * np.where(np.abs(tags) >= _HUGE, 1e-3, 2.4e-7)
    return tags - reach, tags + reach


def class_bounds() -> tuple[float, float]:
    """Codes that float32 holds exactly; others would become their neighbours."""
    return -_WHOLE_IN_FLOAT32, _WHOLE_IN_FLOAT32


def _nowhere(dtype: np.dtype[Any]) -> tuple[Any, Any]:
    if dtype.kind == "f":
        return np.float64(1.0), np.float64(0.0)
    return dtype.type(1), dtype.type(0)


def _native(stored: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The block in this machine's byte order and in a type the compiled loop knows."""
    kind = stored.dtype
    if kind == np.float16:
        return np.ascontiguousarray(stored, np.float32)
    if kind == np.bool_:
        return np.ascontiguousarray(stored, np.uint8)
    return np.ascontiguousarray(stored, kind.newbyteorder("="))


def _hide(stored: npt.NDArray[Any], shown: Mask, lowest: Any, highest: Any) -> Mask:
    with np.errstate(invalid="ignore"):  # NaN of any kind
        further = ((stored < lowest) | (stored > highest)).view(np.uint8)
    return np.asarray(further if shown.size == 0 else further & (shown != 0).view(np.uint8))


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
    out: npt.NDArray[np.float32],
) -> tuple[int, int]:
    # no branch in the loop, so that it is vectorised
    implausible = 0
    infinite = 0
    masked = shown.size > 0
    for i in range(stored.size):
        value = stored[i]
        missing = (value != value) | ((value >= lowest) & (value <= highest))
        if masked:
            missing |= shown[i] == 0
        endless = np.isinf(value) & (not missing)
        x = np.float32(value * scale + offset)
        wrong = (not missing) & (not endless) & ((x < low) | (x > high) | np.isinf(x))
        infinite += endless
        implausible += wrong
        out[i] = np.float32(np.nan) if (missing | endless | wrong) else x
    return implausible, infinite
