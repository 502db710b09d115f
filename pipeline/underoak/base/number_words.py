"""Numbers as people read them: shares, scores, areas, lengths, amounts, counts."""

from __future__ import annotations

import math
from collections.abc import Iterable

NO_VALUE = "–"
MOST_DIGITS = 6  # after the point; values that differ by less than TIE count as equal
_ROUNDED = 1.0 + 1e-9  # a difference of two decimal numbers has an error in its last bits
TIE = 1e-6
_SMALL_HA = 0.1  # smaller areas are given in square metres


def thousands(count: int) -> str:
    """Return a whole number in groups of three digits.

    >>> thousands(50_000), thousands(12)
    ('50 000', '12')
    """
    return f"{count:,}".replace(",", " ")


def beside(value: float, cuts: Iterable[float], digits: int = 2, most_digits: int = MOST_DIGITS) -> str:
    """Return a value with so many decimals that the text lies on the same side of every cut as the value does.

    Decimals are added to `digits`, `most_digits` at most, until no cut lies between the two numbers of so many decimals
    around the value; so a text that is read and written again is the same. A value within one step of the last decimal
    of a cut is written as the cut.

    >>> beside(0.7969, (0.80,)), beside(0.876, (0.25, 0.5, 0.75)), beside(0.80, (0.80,)), beside(0.12, (0.123,))
    ('0.797', '0.88', '0.80', '0.12')
    """
    if not math.isfinite(value):
        return NO_VALUE
    step = 10.0**-most_digits
    near = [cut for cut in cuts if abs(cut - value) <= 1.0]
    for cut in near:
        if abs(value - cut) <= step * _ROUNDED:
            return cut_words(cut, digits, most_digits)
    steps = _steps(value, most_digits)
    cut_steps = [_steps(cut, most_digits) for cut in near]
    for decimals in range(digits, most_digits):
        unit = 10 ** (most_digits - decimals)
        low, high = steps // unit * unit, -(-steps // unit) * unit
        if not any(low - 1 <= each <= high + 1 for each in cut_steps):
            return _plain(round(value, decimals), decimals, digits)
    for cut, each in zip(near, cut_steps, strict=True):  # one step from a cut would be read as the cut
        if abs(steps - each) <= 1:
            steps = each + (2 if value > cut else -2)
    return _plain(steps * step, most_digits, digits)


def _plain(value: float, decimals: int, digits: int) -> str:
    """Return a value with `decimals`, without the zeros at its end beyond `digits`."""
    text = f"{value:z.{decimals}f}"
    while decimals > digits and text.endswith("0"):
        text, decimals = text[:-1], decimals - 1
    return text.removesuffix(".")


def cut_words(cut: float, digits: int = 2, most_digits: int = MOST_DIGITS) -> str:
    """Return a cut with all its decimals, `digits` at least and `most_digits` at most.

    >>> cut_words(0.8), cut_words(0.125), cut_words(30.0, 0)
    ('0.80', '0.125', '30')
    """
    steps = _steps(cut, most_digits)
    is_exact = (n for n in range(digits, most_digits) if _steps(round(cut, n), most_digits) == steps)
    return f"{cut:z.{next(is_exact, most_digits)}f}"


def _steps(value: float, digits: int) -> int:
    """Return a value in steps of its last decimal."""
    steps: int = round(value * 10**digits)
    return steps


def percent_beside(share: float, cuts: Iterable[float]) -> str:
    """Return a share 0..1 in percent, on the same side of every cut (a share, too), of none and of all.

    >>> percent_beside(0.496, (0.5,)), percent_beside(0.4996, (0.5,)), percent_beside(0.0004, (0.5,))
    ('49.6 %', '49.96 %', '0.04 %')
    """
    if not math.isfinite(share):
        return NO_VALUE
    return f"{beside(share * 100.0, [0.0, *(cut * 100.0 for cut in cuts), 100.0], 0, MOST_DIGITS - 2)} %"


def percent(share: float) -> str:
    """Return a share 0..1 in percent; what is not quite none or all of it says so.

    >>> percent(0.5), percent(0.0), percent(0.004), percent(0.999), percent(float("nan"))
    ('50 %', '0 %', '<1 %', '>99 %', '–')
    """
    if not math.isfinite(share):
        return NO_VALUE
    share = round(share, 6)
    if 0 < share < 0.005:
        return "<1 %"
    if 0.995 <= share < 1:
        return ">99 %"
    return f"{share * 100:.0f} %"


def score(value: float, cuts: Iterable[float] = ()) -> str:
    """Return a score 0..1 with two decimals, or as many as show its side of each cut.

    >>> score(0.876), score(0.7496, (0.25, 0.50, 0.75)), score(float("nan"))
    ('0.88', '0.7496', '–')
    """
    return beside(value, cuts)


def hectares(area: float) -> str:
    """Return an area [ha]; one below a tenth of a hectare in square metres.

    >>> hectares(0.1234), hectares(3.44), hectares(12345.6), hectares(0.0)
    ('0.12 ha', '3.4 ha', '12 346 ha', '0 ha')
    >>> hectares(0.002), hectares(0.09), hectares(0.00004)
    ('20 m2', '900 m2', '<1 m2')
    """
    if not math.isfinite(area):
        return NO_VALUE
    if 0.0 < area < _SMALL_HA:
        square_metres = area * 1e4
        return "<1 m2" if square_metres < 0.5 else f"{square_metres:.0f} m2"
    digits = 0 if area == 0 else 2 if area < 1 else 1 if area < 100 else 0
    return f"{area:,.{digits}f} ha".replace(",", " ")


def metres(length: float) -> str:
    """Return the side of a cell, given in metres.

    >>> metres(250.0), metres(5000.0)
    ('250 m', '5.0 km')
    """
    return f"{length / 1000:.1f} km" if length >= 950 else f"{length:.0f} m"


def figure(value: float, error: float = 0.0) -> str:
    """Return an estimate with two significant digits; with one where its standard error is above a fifth of it.

    >>> figure(57.0), figure(3.14), figure(1234.0), figure(0.04), figure(9.96)
    ('57', '3.1', '1 200', '0.04', '10')
    """
    rounded = float(f"{value:.{1 if error > 0.2 * abs(value) else 2}g}")
    return f"{rounded:,.0f}".replace(",", " ") if rounded >= 10 else f"{rounded:g}"


def money(value: float, currency: str, error: float = 0.0) -> str:
    """Return an estimated amount of money, rounded as by `figure`.

    >>> money(7695.0, "EUR"), money(40.0, ""), money(478.0, "EUR", 120.0)
    ('7 700 EUR', '40', '500 EUR')
    """
    return f"{figure(value, error)} {currency}".rstrip()
