"""Kinds of values in a plan: numbers, names, files, and quantities such as `30 m`."""

from __future__ import annotations

import math
import os
import re
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag, WithJsonSchema

from underoak.base import units
from underoak.base.errors import Fault, UnderoakError
from underoak.plan.reading.spec import as_validation_errors, refusal, shown

_QUANTITY = re.compile(r"\s*(?P<number>[-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)\s*(?P<unit>\S.*?)?\s*")


def _no_control_characters(text: str) -> str:
    if not text.isprintable():
        raise refusal("E304", "holds a control character", "remove it")
    return text


def _path_as_text(value: Any) -> Any:
    return os.fspath(value) if isinstance(value, os.PathLike) else value


def _whole(value: Any) -> Any:
    """A whole number may be written `2e9`."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _code(value: Any) -> Any:
    """A class code; as a key in JSON it is text."""
    return int(value) if isinstance(value, str) and re.fullmatch(r"-?\d{1,9}", value) else _whole(value)


def _known_unit(text: str) -> str:
    with as_validation_errors():
        units.canonical_name(text)
    return text.strip()


def is_rate_of_water(unit: str) -> bool:
    """True for depth in time, which months or a year turn into a depth.

    >>> is_rate_of_water("kg m-2 s-1"), is_rate_of_water("mm")
    (True, False)
    """
    try:
        units.conversion(unit, "mm/s")
    except UnderoakError:
        return False
    return True


def check_becomes(unit: str, to: str) -> None:
    """Whether values in one unit can be brought to another; a rate of water can become a depth.

    Raises:
        UnderoakError: E341 when they measure different things.
    """
    units.conversion("mm" if is_rate_of_water(unit) and not is_rate_of_water(to) else unit, to)


def quantity_in(text: str, unit: str) -> float:
    """A checked quantity in `unit`; a bare number is in that unit already.

    >>> quantity_in("30 cm", "m"), quantity_in("8.3", "pH")
    (0.3, 8.3)

    Raises:
        UnderoakError: E341 when it measures something else, E342 when it is none.
    """
    match = _QUANTITY.fullmatch(text)
    if match is None:
        fix = f'write it like "30 {unit}"'
        raise UnderoakError(Fault("E342", f"{shown(text)} is not a number and a unit", fix=fix))
    number = float(match["number"])
    return float(units.conversion(match["unit"], unit)(number)) if match["unit"] else number


def _quantity(unit: str | None, low: float, *, above: bool, like: str) -> Any:
    """Validators of a quantity in `unit`, or in any unit there is."""

    def check(value: Any) -> str:
        match = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
        if not match or not match["unit"]:
            raise refusal("E342", f"should be a number and a unit, not {shown(value)}", f'write it like "{like}"')
        with as_validation_errors():
            units.canonical_name(match["unit"])
            number = quantity_in(value, unit or match["unit"])
        if not math.isfinite(number):
            raise refusal("E310", f"{shown(value)} is not a finite number", "write a finite number")
        if number < low or (above and number == low):
            raise refusal("E304", f"should be {'more than' if above else 'at least'} {low:g} {unit or ''}".rstrip())
        return f"{match['number']} {match['unit']}"

    written = {"type": "string", "pattern": r"^\s*[-+]?\d+(\.\d*)?([eE][-+]?\d+)?\s*\S.*$", "examples": [like]}
    return [BeforeValidator(check), WithJsonSchema(written)]


def text_or_other(value: Any) -> str:
    """Tag of a union of text and something else. Tags stand in brackets, so that no key of a plan is taken for one."""
    return "(text)" if isinstance(value, str) else "(other)"


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Whole = Annotated[int, BeforeValidator(_whole), Field(strict=True)]
Code = Annotated[int, BeforeValidator(_code), Field(strict=True)]
Text = Annotated[str, Field(min_length=1, max_length=4000), AfterValidator(_no_control_characters)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_]{0,47}$")]
File = Annotated[str, BeforeValidator(_path_as_text), Field(min_length=1, max_length=4000),
                 AfterValidator(_no_control_characters)]  # fmt: skip
Unit = Annotated[str, Field(min_length=1), AfterValidator(_known_unit)]
Length = Annotated[str, *_quantity("m", 0.0, above=True, like="30 m")]
Distance = Annotated[str, *_quantity("m", 0.0, above=False, like="20 m")]
Depth = Annotated[str, *_quantity("cm", 0.0, above=True, like="30 cm")]
Amount = Annotated[str, *_quantity(None, -math.inf, above=False, like="150 mm")]
NumberOrAmount = Annotated[
    Annotated[Amount, Tag("(text)")] | Annotated[Number, Tag("(other)")], Discriminator(text_or_other)
]
Area = Annotated[str, *_quantity("m2", 0.0, above=False, like="2 ha")]
