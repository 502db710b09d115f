"""Soil pH: conversion from one way of measuring to another, and its mean.

A conversion is a line through other people's soils, and adds uncertainty: a test by the method you need is better.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.errors import Fault, UnderoakError
from underoak.indicators.year import Doubles

CONVERSION_SD = 0.3  # pH; what a conversion adds, common practice, no source


@dataclass(frozen=True, slots=True)
class PhConversion:
    """A published line from pH measured one way (soil to liquid, by weight or volume) to pH measured another way."""

    given: str
    wanted: str
    formula: str
    low: float  # least and greatest pH it is used for here; none is published in what was read, so ours
    high: float
    sd: float  # standard deviation that it adds [pH]
    source: str
    line: Callable[[Doubles], Doubles]


_KABALA = "Kabała et al. 2016, abstract read; 200 soils of south-west Poland"
_CONYERS = "Conyers and Davey 1988, abstract read; New South Wales, no saline soils and none of net positive charge"
_CONVERSIONS = (
    PhConversion(
        "water 1:2.5", "water 1:5", "0.14 + 0.99 x", 3.5, 9.0, CONVERSION_SD, _KABALA, lambda x: 0.14 + 0.99 * x
    ),
    PhConversion("KCl 1:2.5", "KCl 1:5", "0.09 + 1.00 x", 3.0, 8.5, CONVERSION_SD, _KABALA, lambda x: 0.09 + x),
    PhConversion(
        "KCl 1:2.5", "water 1:5", "-1.95 + 11.58 log10(x)", 3.0, 8.5, CONVERSION_SD, _KABALA,
        lambda x: -1.95 + 11.58 * np.log10(x),
    ),
    PhConversion(
        "water 1:2.5", "CaCl2 1:2.5", "1.05 x - 0.9", 4.0, 9.0, CONVERSION_SD, _CONYERS, lambda x: 1.05 * x - 0.9
    ),
    PhConversion(
        "CaCl2 1:2.5", "water 1:2.5", "(x + 0.9) / 1.05", 3.3, 8.55, CONVERSION_SD,
        f"{_CONYERS}; turned round by algebra, which a line fitted the other way would not match",
        lambda x: (x + 0.9) / 1.05,
    ),
    PhConversion(
        "water 1:1", "water 1:5", "-0.51 + 1.06 x", 3.5, 9.0, 0.44,
        "Libohova et al. 2014, abstract read; 563 soils of the USA, root mean square error 0.44",
        lambda x: -0.51 + 1.06 * x,
    ),
)  # fmt: skip
PH_CONVERSIONS = {(conversion.given, conversion.wanted): conversion for conversion in _CONVERSIONS}


def ph_conversion(given: str, wanted: str) -> PhConversion:
    """Return the published line between two ways of measuring, such as `water 1:2.5`; lines are never chained.

    >>> ph_conversion("KCl 1:2.5", "water 1:5").formula
    '-1.95 + 11.58 log10(x)'

    Raises:
        UnderoakError: E346 when none is known.
    """
    if (given, wanted) not in PH_CONVERSIONS:
        pairs = "; ".join(f"{a} to {b}" for a, b in PH_CONVERSIONS)
        what = f"no published line leads from pH in {given} to pH in {wanted}"
        raise UnderoakError(Fault("E346", what, fix=f"have it measured that way, or use one of: {pairs}"))
    return PH_CONVERSIONS[given, wanted]


def convert_ph(ph: Any, given: str, wanted: str) -> FloatArray:
    """Return pH as another way of measuring would give it, any shape; missing beyond the line's `low` and `high`.

    It adds the line's `sd` to the uncertainty (see `converted_sd`). The same way twice changes nothing.

    >>> round(float(convert_ph(7.5, "water 1:2.5", "water 1:5")), 3)
    7.565

    Raises:
        UnderoakError: E346 when no published line is known.
    """
    values = np.asarray(ph, np.float64)
    if given == wanted:
        return np.asarray(values, np.float32)
    conversion = ph_conversion(given, wanted)
    fits = (values >= conversion.low) & (values <= conversion.high)
    return np.asarray(conversion.line(np.where(fits, values, np.nan)), np.float32)


def converted_ph(ph: Any, conversion: str) -> FloatArray:
    """Return `convert_ph` by the words of one conversion, such as `KCl 1:2.5 to water 1:5`.

    >>> round(float(converted_ph(6.5, "KCl 1:2.5 to water 1:5")), 3)
    7.464

    Raises:
        UnderoakError: E346 when no published line is known.
    """
    given, _, wanted = conversion.partition(" to ")
    ph_conversion(given, wanted)
    return convert_ph(ph, given, wanted)


def converted_sd(sd: float, given: str, wanted: str) -> float:
    """Return the standard deviation [pH] of a converted pH: its own and the conversion's, taken as independent.

    >>> round(converted_sd(0.4, "KCl 1:2.5", "water 1:5"), 4)
    0.5

    Raises:
        UnderoakError: E346 when no published line is known.
    """
    return sd if given == wanted else math.hypot(sd, ph_conversion(given, wanted).sd)


def mean_ph(ph: Any, by: str = "value", axis: int = 0) -> FloatArray:
    """Return the mean of several pH along an axis: of the values, as maps do, or of their acid (`by="acid"`).

    pH is a logarithm: the mean of the acid lies nearer to the lowest. Source: definition; which one, common practice.

    >>> float(mean_ph([6.0, 8.0])), round(float(mean_ph([6.0, 8.0], by="acid")), 4)
    (7.0, 6.2967)

    Raises:
        ValueError: for another word than value or acid.
    """
    values = np.asarray(ph, np.float64)
    if by == "value":
        return np.asarray(values.mean(axis=axis), np.float32)
    if by == "acid":
        return np.asarray(-np.log10((10.0**-values).mean(axis=axis)), np.float32)
    raise ValueError(f'pH is averaged by "value" or "acid", not {by!r}')
