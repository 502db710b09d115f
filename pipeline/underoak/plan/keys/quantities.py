"""Types of values in a plan: numbers, names, files, and quantities such as `30 m`."""

from __future__ import annotations

import math
import os
import re
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag, WithJsonSchema

from underoak.base import units
from underoak.base.errors import Fault, UnderoakError, printable
from underoak.plan.reading.faults import refusal, shown
from underoak.plan.reading.spec import as_validation_errors

_QUANTITY = re.compile(r"\s*(?P<number>[-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)\s*(?P<unit>\S.*?)?\s*")

_DECIMAL_COMMA = re.compile(r"\s*[-+]?\d+,\d")


def _no_control_characters(text: str) -> str:
    if printable(text) != text:
        raise refusal("E304", "contains a control character", "remove it")
    return text


def _path_as_text(value: object) -> object:
    return os.fspath(value) if isinstance(value, os.PathLike) else value


def _whole_number(value: object) -> object:
    """Return a whole number that is written as `2e9` as an integer."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _class_code(value: object) -> object:
    """Return a class code as an integer; as a key in JSON it is text."""
    return int(value) if isinstance(value, str) and re.fullmatch(r"-?\d{1,9}", value) else _whole_number(value)


def _known_unit(text: str) -> str:
    with as_validation_errors():
        units.canonical_name(text)
    return text.strip()


def is_rate_of_water(unit: str) -> bool:
    """Return True for a depth of water per time, which becomes a depth over months or a year.

    >>> is_rate_of_water("kg m-2 s-1"), is_rate_of_water("mm")
    (True, False)
    """
    try:
        units.conversion(unit, "mm/s")
    except UnderoakError:
        return False
    return True


def check_conversion(unit: str, to: str) -> None:
    """Check that values in one unit convert to another. A rate of water becomes a depth, a gradient an angle.

    Raises:
        UnderoakError: E341 if the units measure different things.
    """
    units.any_step("mm" if is_rate_of_water(unit) and not is_rate_of_water(to) else unit, to)


def quantity_in(text: str, unit: str) -> float:
    """Return a quantity such as `30 cm` as a number in `unit`; a bare number is in that unit already.

    >>> quantity_in("30 cm", "m"), quantity_in("8.3", "pH")
    (0.3, 8.3)

    Raises:
        UnderoakError: E341 if it measures something else, E342 if it is not a quantity.
    """
    match = _QUANTITY.fullmatch(text)
    if match is None:
        fix = f'write it like "30 {unit}"'
        raise UnderoakError(Fault("E342", f"{shown(text)} is not a number and a unit", fix=fix))
    number = float(match["number"])
    return float(units.conversion(match["unit"], unit)(number)) if match["unit"] else number


def _quantity(unit: str | None, low: float, *, is_low_excluded: bool, example: str) -> list[object]:
    """Return the validators of a quantity in `unit`, or in any known unit."""

    def check(value: object) -> str:
        if isinstance(value, str) and _DECIMAL_COMMA.match(value):
            written = value.strip().replace(",", ".", 1)
            has_unit = not re.fullmatch(r"[-+]?[\d.]+", written)
            fix = f"write {written}, with a point" if has_unit or unit is None else f'write it like "{example}"'
            raise refusal("E342", f"should be a number and a unit, not {shown(value)}", fix)
        match = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
        if match is None or not match["unit"]:
            raise refusal("E342", f"should be a number and a unit, not {shown(value)}", f'write it like "{example}"')
        with as_validation_errors():
            units.canonical_name(match["unit"])
        try:
            number = quantity_in(match[0], unit or match["unit"])
        except UnderoakError as error:
            (fault,) = error.faults
            raise refusal(fault.code, fault.what, f'write it like "{example}"') from None
        if not math.isfinite(number):
            raise refusal("E310", f"{shown(value)} is not a finite number", "write a finite number")
        if number < low or (is_low_excluded and number == low):
            bound = f"{'more than' if is_low_excluded else 'at least'} {low:g} {unit or ''}".rstrip()
            raise refusal("E304", f"should be {bound}, not {shown(value)}", f"write {bound}")
        return f"{match['number']} {match['unit']}"

    pattern = r"^\s*[-+]?\d+(\.\d*)?([eE][-+]?\d+)?\s*\S.*$"
    return [BeforeValidator(check), WithJsonSchema({"type": "string", "pattern": pattern, "examples": [example]})]


def text_or_other(value: object) -> str:
    """Return the tag in a union of text and another type. Brackets keep tags apart from the keys of a plan."""
    return "(text)" if isinstance(value, str) else "(other)"


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Share = Annotated[Number, Field(ge=0, le=1)]
Whole = Annotated[int, BeforeValidator(_whole_number), Field(strict=True)]
Code = Annotated[int, BeforeValidator(_class_code), Field(strict=True)]
Text = Annotated[str, Field(min_length=1, max_length=4000), AfterValidator(_no_control_characters)]
NAME_PATTERN = r"^[A-Za-z][A-Za-z0-9_]{0,47}$"
Name = Annotated[str, Field(pattern=NAME_PATTERN)]
File = Annotated[str, BeforeValidator(_path_as_text), Field(min_length=1, max_length=4000),
                 AfterValidator(_no_control_characters)]  # fmt: skip
Unit = Annotated[str, Field(min_length=1), AfterValidator(_known_unit)]
Length = Annotated[str, *_quantity("m", 0.0, is_low_excluded=True, example="30 m")]
Distance = Annotated[str, *_quantity("m", 0.0, is_low_excluded=False, example="20 m")]
Depth = Annotated[str, *_quantity("cm", 0.0, is_low_excluded=True, example="30 cm")]
Amount = Annotated[str, *_quantity(None, -math.inf, is_low_excluded=False, example="150 mm")]
NumberOrAmount = Annotated[
    Annotated[Amount, Tag("(text)")] | Annotated[Number, Tag("(other)")], Discriminator(text_or_other)
]
Area = Annotated[str, *_quantity("m2", 0.0, is_low_excluded=False, example="2 ha")]
Volume = Annotated[str, *_quantity("m3", 0.0, is_low_excluded=False, example="7000 m3")]
Flow = Annotated[str, *_quantity("m3/h", 0.0, is_low_excluded=True, example="12 m3/h")]
