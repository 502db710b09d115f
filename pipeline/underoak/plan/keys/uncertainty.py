"""The key `uncertainty`: draws and probability rules; and the standard deviation of a layer."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import BeforeValidator, Discriminator, Field, Tag, WithJsonSchema, model_validator

from underoak.base import units
from underoak.base.errors import Fault, UnderoakError
from underoak.plan.keys.quantities import (
    Amount,
    Distance,
    Length,
    Name,
    Number,
    NumberOrAmount,
    Whole,
    quantity_in,
    text_or_other,
)
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec

if TYPE_CHECKING:
    from underoak.uncertainty.draws.together import LayersTogether

_SHARE = re.compile(r"\s*(?P<number>\d+(?:\.\d*)?)\s*(?:%|percent)(?P<of>\s+of\s+(?:the\s+)?value)?\s*")


def _level(value: object) -> object:
    """Return the level of a quantile as a number; as a key in JSON it is text."""
    if isinstance(value, str) and re.fullmatch(r"0?\.\d{1,9}", value):
        return float(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and not 0.0 < value < 1.0:
        what = f"the level of a quantile must lie between 0 and 1, and {value:g} does not"
        raise refusal("E304", what, "write 0.05 for the 5 % quantile")
    return value


def _not_negative(value: object) -> object:
    number = value if isinstance(value, int | float) else None
    if isinstance(value, str):
        match = re.match(r"\s*[-+]?\d+(\.\d*)?([eE][-+]?\d+)?", value)
        number = float(match[0]) if match else None
    if number is not None and number < 0:
        raise refusal("E304", "a standard deviation cannot be negative", "write 0 or more")
    return value


def _canonical_share(value: object) -> object:
    """Return `15 % of value` and `15 %` in one spelling."""
    match = _SHARE.fullmatch(value) if isinstance(value, str) else None
    return f"{match['number']} %{' of value' if match['of'] else ''}" if match else value


def _share_or_amount(value: object) -> str:
    if isinstance(value, str) and _SHARE.fullmatch(value):
        return "(share)"
    return text_or_other(value)


_Share = Annotated[str, BeforeValidator(_canonical_share)]
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


def _one_or_by_cell(value: object) -> str:
    return "(cells)" if isinstance(value, Mapping) else "(one)"


ByCell = Annotated[dict[Length, Deviation], Field(min_length=1, max_length=20)]
SdByCell = Annotated[
    Annotated[Deviation, Tag("(one)")] | Annotated[ByCell, Tag("(cells)")], Discriminator(_one_or_by_cell)
]
"""A standard deviation, or one by the cell size of the file: {10 m: 2 degree, 30 m: 3 degree}."""


def deviation_at(sd: str | float | Mapping[str, str | float], cell_m: float) -> str | float:
    """Return the standard deviation for cells of a size [m]; of several, that of the nearest size by ratio.

    >>> deviation_at({"10 m": "2 degree", "30 m": "3 degree"}, 30.9), deviation_at("80 g/kg", 250.0)
    ('3 degree', '80 g/kg')
    """
    if not isinstance(sd, Mapping):
        return sd
    sizes = sorted((quantity_in(size, "m"), deviation) for size, deviation in sd.items())
    return min(sizes, key=lambda item: abs(math.log(item[0] / cell_m)))[1]


def deviations(sd: str | float | Mapping[str, str | float]) -> tuple[str | float, ...]:
    """Return all standard deviations that are stated: one, or one for each cell size."""
    return tuple(sd.values()) if isinstance(sd, Mapping) else (sd,)


def deviation_in(deviation: str | float, unit: str) -> tuple[float, bool]:
    """Return a standard deviation as a number in `unit`, or as a share of the value (then True).

    A difference of temperatures is scaled, not shifted. "15 %" is a share of the value, unless the layer itself is in
    per cent or another share: there it is ambiguous.

    >>> deviation_in("80 g/kg", "percent"), deviation_in("0.5 K", "degC"), deviation_in("15 %", "mm")
    ((8.0, False), (0.5, False), (0.15, True))
    >>> deviation_in("15 % of value", "percent"), deviation_in(3, "percent")
    ((0.15, True), (3.0, False))

    Raises:
        UnderoakError: E341 if it measures something else, E344 if it is ambiguous or meaningless.
    """
    if not isinstance(deviation, str):
        return float(deviation), False
    share = _SHARE.fullmatch(deviation)
    if share is not None:
        if not share["of"] and _is_share(unit):
            what = f'"{deviation}" may be a share of the value or an amount, because the layer is in {unit}'
            fix = f'write "{share["number"]} % of value", or a bare number in {unit}'
            raise UnderoakError(Fault("E344", what, fix=fix))
        if _has_arbitrary_zero(unit):
            what = f'"{deviation}" of a value in {unit} has no meaning: the zero of {unit} is arbitrary'
            raise UnderoakError(Fault("E344", what, fix='write a difference, such as "0.6 K"'))
        return float(share["number"]) / 100.0, True
    number, _, deviation_unit = deviation.partition(" ")
    scale = units.conversion(_absolute(deviation_unit.strip()), _absolute(unit)).scale
    return abs(scale) * float(number), False


def _absolute(unit: str) -> str:
    """Return the unit of temperatures for a unit of temperature differences; other units as they are."""
    name = units.canonical_name(unit).replace("Δ", "delta_") if unit else "dimensionless"
    return name.removeprefix("delta_") if name.startswith("delta_") else unit or "dimensionless"


def _has_arbitrary_zero(unit: str) -> bool:
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


MAX_SEED = 2**53


class ProbabilityRuleSpec(Spec):
    """A rule whose probability is mapped: `at_least` or `at_most`."""

    name: Name
    """Name of the rule; its map is p_meets.<name>.tif."""
    layer: Name
    """Layer it tests; one with `quantiles` or `sd`."""
    at_least: NumberOrAmount | None = None
    """Lowest value that meets the rule, in the layer's unit: 7.5, or 150 mm."""
    at_most: NumberOrAmount | None = None
    """Highest value that meets the rule."""

    @model_validator(mode="after")
    def _check_sides(self) -> Self:
        if (self.at_least is None) == (self.at_most is None):
            has = "both `at_least` and `at_most`" if self.at_least is not None else "neither `at_least` nor `at_most`"
            raise refusal("E304", f"has {has}", "give one of them; for a range, write two rules")
        return self

    @property
    def is_at_least(self) -> bool:
        """True for `at_least`, False for `at_most`."""
        return self.at_least is not None

    def limit_in(self, unit: str) -> float:
        """Return the limit as a number in `unit`.

        Raises:
            UnderoakError: E341 if it measures something else.
        """
        limit = self.at_least if self.at_least is not None else self.at_most
        assert limit is not None
        return quantity_in(limit, unit) if isinstance(limit, str) else limit


class TogetherSpec(Spec):
    """Layers whose errors go together, such as those of rain and of cloud."""

    layers: Annotated[tuple[Name, ...], Field(min_length=2, max_length=20)]
    """Layers with `quantiles` or `sd`."""
    correlation: Annotated[Number, Field(gt=-1, lt=1)]
    """Correlation of the errors of each two of them."""


class UncertaintySpec(Spec):
    """How uncertain layers are drawn, and which probabilities are mapped. Layers state `quantiles` or `sd`."""

    draws: Annotated[Whole, Field(ge=8, le=1024)] = 64
    """Number of draws: random versions of the uncertain layers. Default: 64."""
    seed: Annotated[Whole, Field(ge=0, le=MAX_SEED)] = 1
    """Random seed; the same seed draws the same values. Default: 1."""
    rank_draws: Annotated[Whole, Field(ge=16, le=4096)] = 256
    """Joint draws of data and weights for the ranks of parcels, under rules that are not linear; rounded up to a
    multiple of `draws`. Default: 256."""
    correlation_range: Distance = "800 m"
    """Distance over which the correlation of a map's local errors falls to 1/e; at three times it 0.05 are left (the
    practical range). 0 m: no correlation. Default: 800 m."""
    together: Annotated[tuple[TogetherSpec, ...], Field(max_length=100)] = ()
    """Layers whose errors are correlated: all of the error where they lie on one grid with one grain, else only the
    part that the whole map has in common."""
    ask: Annotated[tuple[ProbabilityRuleSpec, ...], Field(max_length=100)] = ()
    """Rules whose probability is mapped."""
    lab_error: dict[Name, Deviation] = Field(default_factory=dict)
    """Standard deviation of a lab result, by layer."""
    assume: Literal["published", "none"] = "published"
    """Error of layers that state none. `published`: the published error of their kind, printed with its source.
    `none`: no error, and no parcel gets a yes that rests on one. Default: published."""

    @property
    def range_m(self) -> float:
        """Correlation range [m]."""
        return quantity_in(self.correlation_range, "m")

    @property
    def layers_together(self) -> LayersTogether:
        """The layers whose errors go together.

        Raises:
            UnderoakError: E363 if their correlations cannot all hold, or a pair is given twice.
        """
        from underoak.uncertainty.draws.together import LayersTogether

        return LayersTogether.of((group.layers, group.correlation) for group in self.together)

    @model_validator(mode="after")
    def _check_names(self) -> Self:
        names = [rule.name.lower() for rule in self.ask]
        for n, name in enumerate(names):
            if name in names[:n]:
                raise refusal("E304", f'two rules are named "{self.ask[n].name}"', "rename one")
        return self
