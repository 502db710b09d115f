"""Doubt as a plan writes it: how far off layers may be, how they are drawn, and what is asked of them."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BeforeValidator, Discriminator, Field, Tag, WithJsonSchema, model_validator

from underoak.base import units
from underoak.base.errors import Fault, UnderoakError
from underoak.plan.keys.quantities import (
    Amount,
    Distance,
    Name,
    Number,
    NumberOrAmount,
    Whole,
    quantity_in,
    text_or_other,
)
from underoak.plan.reading.spec import Spec, refusal

_SHARE = re.compile(r"\s*(?P<number>\d+(?:\.\d*)?)\s*(?:%|percent)(?P<of>\s+of\s+(?:the\s+)?value)?\s*")


def _level(value: Any) -> Any:
    """A level is a number; as a key in JSON it is text."""
    if isinstance(value, str) and re.fullmatch(r"0?\.\d{1,9}", value):
        return float(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and not 0.0 < value < 1.0:
        what = f"the level of a quantile lies between 0 and 1, and {value:g} does not"
        raise refusal("E304", what, "write 0.05 for the value that 5 % lie below")
    return value


def _not_negative(value: Any) -> Any:
    number = value if isinstance(value, int | float) else None
    if isinstance(value, str):
        found = re.match(r"\s*[-+]?\d+(\.\d*)?([eE][-+]?\d+)?", value)
        number = float(found[0]) if found else None
    if number is not None and number < 0:
        raise refusal("E304", "a standard deviation cannot be negative", "write 0 or more")
    return value


def _plain_share(value: Any) -> Any:
    """`15 % of value` and `15 %`, in one spelling."""
    match = _SHARE.fullmatch(value) if isinstance(value, str) else None
    return f"{match['number']} %{' of value' if match['of'] else ''}" if match else value


def _share_or_amount(value: Any) -> str:
    if isinstance(value, str) and _SHARE.fullmatch(value):
        return "(share)"
    return text_or_other(value)


_Share = Annotated[str, BeforeValidator(_plain_share)]
Level = Annotated[float, BeforeValidator(_level), Field(gt=0, lt=1, allow_inf_nan=False)]
Deviation = Annotated[
    Annotated[_Share, Tag("(share)")] | Annotated[Amount, Tag("(text)")] | Annotated[Number, Tag("(other)")],
    Discriminator(_share_or_amount),
    BeforeValidator(_not_negative),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "number", "minimum": 0},
                {"type": "string", "pattern": r"^\s*\d+(\.\d*)?([eE][-+]?\d+)?\s*\S.*$"},
            ],
            "examples": ["80 g/kg", "15 %", 0.4],
        }
    ),
]
"""A standard deviation: a number in the layer's unit, an amount such as 80 g/kg, or a share such as 15 %."""


def deviation_in(written: str | float, unit: str) -> tuple[float, bool]:
    """A standard deviation as a number in `unit`, or as a share of the value (then True).

    A difference of temperatures is never shifted. "15 %" is a share of the value, except where the layer itself is in
    per cent, or another share: there it could mean either.

    >>> deviation_in("80 g/kg", "percent"), deviation_in("0.5 K", "degC"), deviation_in("15 %", "mm")
    ((8.0, False), (0.5, False), (0.15, True))
    >>> deviation_in("15 % of value", "percent"), deviation_in(3, "percent")
    ((0.15, True), (3.0, False))

    Raises:
        UnderoakError: E341 when it measures something else, E344 when it could mean two things, or nothing.
    """
    if not isinstance(written, str):
        return float(written), False
    share = _SHARE.fullmatch(written)
    if share is not None:
        if not share["of"] and _is_share(unit):
            what = f'"{written}" may be a share of the value or an amount, as the layer is in {unit} itself'
            fix = f'write "{share["number"]} % of value", or a bare number in {unit}'
            raise UnderoakError(Fault("E344", what, fix=fix))
        if _zero_is_chosen(unit):
            what = f'"{written}" is a share of no amount: {unit} counts from a zero that was only agreed upon'
            raise UnderoakError(Fault("E344", what, fix='write a difference, like "0.6 K"'))
        return float(share["number"]) / 100.0, True
    number, _, own = written.partition(" ")
    return abs(units.conversion(_absolute(own.strip()), _absolute(unit)).scale) * float(number), False


def _absolute(unit: str) -> str:
    """A unit of differences of temperature as the unit of temperatures, whose steps are as large."""
    name = units.canonical_name(unit).replace("Δ", "delta_") if unit else "dimensionless"
    return name.removeprefix("delta_") if name.startswith("delta_") else unit or "dimensionless"


def _zero_is_chosen(unit: str) -> bool:
    try:
        return units.conversion(unit or "dimensionless", "K").offset != 0.0
    except UnderoakError:
        return False


def _is_share(unit: str) -> bool:
    try:
        units.conversion("percent", unit or "dimensionless")
    except UnderoakError:
        return False
    return True


MOST_SEED = 2**53


class AskSpec(Spec):
    """A rule, and how likely each cell meets it. Give `at_least` or `at_most`."""

    name: Name
    """What its map is called: p_meets.<name>.tif."""
    layer: Name
    """The layer it is about; one with `quantiles` or `sd`."""
    at_least: NumberOrAmount | None = None
    """The value must be this or more, in the layer's unit: 7.5, or 150 mm."""
    at_most: NumberOrAmount | None = None
    """The value must be this or less."""

    @model_validator(mode="after")
    def _has_one_side(self) -> Any:
        if (self.at_least is None) == (self.at_most is None):
            has = "both `at_least` and `at_most`" if self.at_least is not None else "neither `at_least` nor `at_most`"
            raise refusal("E304", f"has {has}", "give one of them; ask twice for a span")
        return self

    @property
    def is_at_least(self) -> bool:
        """True for `at_least`."""
        return self.at_least is not None

    def limit_in(self, unit: str) -> float:
        """The limit as a number in `unit`.

        Raises:
            UnderoakError: E341 when it measures something else.
        """
        limit = self.at_least if self.at_least is not None else self.at_most
        assert limit is not None
        return quantity_in(limit, unit) if isinstance(limit, str) else limit


class UncertaintySpec(Spec):
    """How doubtful layers are drawn, and what is asked of them. Layers say their doubt by `quantiles` or `sd`."""

    draws: Annotated[Whole, Field(ge=8, le=1024)] = 64
    """How many times the ground is judged, each time with other values of the doubtful layers."""
    seed: Annotated[Whole, Field(ge=0, le=MOST_SEED)] = 1
    """The same seed draws the same values; another one shows how much they matter."""
    correlation_range: Distance = "800 m"
    """How far errors of a map hang together: their correlation falls to 1/e over this distance. 0 m: not at all."""
    ask: Annotated[tuple[AskSpec, ...], Field(max_length=100)] = ()
    """Rules whose probability is mapped."""
    lab_error: dict[Name, Deviation] = Field(default_factory=dict)
    """Standard deviation of a laboratory's value, by layer."""

    @property
    def range_m(self) -> float:
        """E-folding length [m]."""
        return quantity_in(self.correlation_range, "m")

    @model_validator(mode="after")
    def _names_each_rule_once(self) -> Any:
        names = [ask.name.lower() for ask in self.ask]
        for n, name in enumerate(names):
            if name in names[:n]:
                raise refusal("E304", f'two rules are named "{self.ask[n].name}"', "rename one")
        return self
