"""Declared columns: a table in their order, as the text of files, and back."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from underoak.base.errors import Fault, UnderoakError

if TYPE_CHECKING:
    import pandas as pd

GEOMETRY = "geometry"


class Kind(StrEnum):
    """The type of a column in CSV and GeoPackage."""

    TEXT = "text"
    INTEGER = "integer"
    NUMBER = "number"


class When(StrEnum):
    """What brings a column."""

    ALWAYS = ""
    DRAWS = "with `uncertainty`"
    VERDICT = "with `uncertainty`, in the present"
    DEAL = "with a verdict, or with `deal`"
    PRICES = "with `uncertainty` and `prices.soil_test`, in the present"
    RANKS = "with `uncertainty`, in the present, and two judged parcels or more"
    RULES = "with `rules`, in the present"
    LAB = "with `lab`"
    YEARS = "with `years`"
    WATER_HELD = "with `years` and `water_supply`"
    SPECIES = "with `species`"
    SEVERAL = "with several species"
    PAIR_DRAWS = "with `species` and `uncertainty`"
    RESTORE = "purpose restore"
    ROWS = "all purposes but restore"
    LIME = "where a criterion can be limed; never with purpose restore"
    WATER = "where a criterion can be watered; never with purpose restore"
    LIME_DRAWS = "with `uncertainty`, in the present, where a criterion can be limed"
    WATER_DRAWS = "with `uncertainty`, in the present, where a criterion can be watered"
    BOTH_DRAWS = "with `uncertainty`, in the present, where criteria can be limed and watered"
    NEIGHBOURS = "with `neighbours`, in the present"
    MEASURED = "for criteria that are not of class codes"


class CellText(Protocol):
    """The text of a value in a file, both ways."""

    def encode(self, value: Any) -> str:
        """Return the text of a value."""
        ...

    def decode(self, text: str) -> Any:
        """Return the value of a text.

        Raises:
            ValueError: for a text that `encode` does not write.
        """
        ...


@dataclass(frozen=True, slots=True)
class Column:
    """One column; a name such as `value_<criterion>` declares one for each criterion."""

    name: str
    kind: Kind
    text: str  # for the docs
    unit: str = ""
    is_nullable: bool = True
    when: When = When.ALWAYS
    cell: CellText | None = None  # for values that are neither plain text nor numbers
    group: str = ""  # neighbours of one group alternate: value_ph, side_ph, value_clay, side_clay

    @property
    def pattern(self) -> re.Pattern[str]:
        """The names that this column covers; its group holds the variable part."""
        before, _, rest = self.name.partition("<")
        return re.compile(f"{re.escape(before)}(.+)" if rest else f"{re.escape(before)}()", re.DOTALL)


@lru_cache(maxsize=4096)
def _match(columns: tuple[Column, ...], name: str) -> tuple[int, str]:
    for is_plain in (True, False):
        for i, column in enumerate(columns):
            if ("<" not in column.name) == is_plain and (match := column.pattern.fullmatch(name)):
                return i, match[1]
    raise KeyError(f"no column is declared for {name}")


def column_of(columns: tuple[Column, ...], name: str) -> Column:
    """Return the declaration of a column.

    Raises:
        KeyError: when none is declared.
    """
    return columns[_match(columns, name)[0]]


Table = TypeVar("Table", bound="pd.DataFrame")


def arrange(table: Table, columns: tuple[Column, ...]) -> Table:
    """Return the table with its columns in declared order; a geometry comes last.

    Raises:
        KeyError: when a column is not declared.
    """
    keys: dict[str, tuple[int, int, int]] = {}
    seen: dict[str, int] = {}
    for name in table.columns:
        if name == GEOMETRY:
            continue
        i, stem = _match(columns, name)
        group = columns[i].group
        first = next(k for k, column in enumerate(columns) if column.group == group) if group else i
        keys[name] = (first, seen.setdefault(stem, len(seen)) if group or stem else 0, i)
    order = sorted(keys, key=keys.__getitem__)
    return table[[*order, GEOMETRY] if GEOMETRY in table.columns else order]


def encode_table(table: Table, columns: tuple[Column, ...]) -> Table:
    """Return the table as files hold it: declared types, and values as text.

    Raises:
        KeyError: when a column is not declared.
    """
    import pandas as pd

    encoded: dict[str, Any] = {}
    for name in table.columns:
        if name == GEOMETRY:
            continue
        column, values = column_of(columns, name), table[name]
        if column.kind is Kind.INTEGER:
            encoded[name] = values.astype("Int64")
        elif column.kind is Kind.NUMBER:
            encoded[name] = values.astype("float64")
        else:
            write = str if column.cell is None else lru_cache(maxsize=4096)(column.cell.encode)
            texts = [None if missing else write(value) for value, missing in zip(values, values.isna(), strict=True)]
            encoded[name] = pd.Series(texts, index=table.index, dtype=object)
    return table.assign(**encoded)


def decode_table(table: Table, columns: tuple[Column, ...], where: str) -> Table:
    """Return a table of a finished run with values in place of their texts.

    Raises:
        UnderoakError: E603 when a text or a column is of another build.
    """
    import pandas as pd

    decoded: dict[str, Any] = {}
    for name in table.columns:
        if name == GEOMETRY:
            continue
        try:
            cell = column_of(columns, name).cell
            if cell is not None:
                read = lru_cache(maxsize=4096)(cell.decode)
                texts = table[name]
                values = [None if missing else read(text) for text, missing in zip(texts, texts.isna(), strict=True)]
                decoded[name] = pd.Series(values, index=table.index, dtype=object)
        except (KeyError, ValueError) as error:
            what = f'the column "{name}" was written by another build ({error})'
            raise UnderoakError(Fault("E603", what, where, "run the plan again")) from error
    return table.assign(**decoded)


def docs_table(columns: Sequence[Column]) -> list[str]:
    """Return the lines of the table that the docs show of some columns."""
    rows = [
        f"| `{column.name}` | {column.kind} | {column.unit} | {column.when or 'always'} | {column.text} |"
        for column in columns
    ]
    return ["| column | type | unit | when | meaning |", "|---|---|---|---|---|", *rows]
