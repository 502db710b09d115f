"""Single fields of a text table: numbers, counts and dates, each fault with its line."""

from __future__ import annotations

import datetime
import math
import re

from underoak.base.errors import Problems
from underoak.places.tables.text_table import THOUSANDS

_NUMBER = re.compile(r"[-+]?\d+(\.\d*)?([eE][-+]?\d+)?")
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")


class TableFields:
    """The fields of one table. Faults go to `problems`: E412 unless a code is given, with `where` and the line."""

    def __init__(self, where: str, problems: Problems) -> None:
        self.where, self.problems = where, problems

    def check(self, fine: bool, line: int, what: str, fix: str, code: str = "E412") -> bool:
        """Add a fault about the line unless all is fine. Return `fine`."""
        if not fine:
            self.problems.add(code, f"line {line}: {what}", self.where, fix)
        return fine

    def number(self, line: int, column: str, text: str) -> float | None:
        """Return the number that the field holds; None when a fault was added.

        >>> problems = Problems()
        >>> fields = TableFields("lab (lab.csv)", problems)
        >>> fields.number(2, "value", "7.8"), fields.number(3, "value", "7,8")
        (7.8, None)
        >>> problems.faults[0].code, problems.faults[0].fix
        ('E412', 'write 7.8')
        """
        if _NUMBER.fullmatch(text) and math.isfinite(float(text)):
            return float(text)
        if _DECIMAL_COMMA.fullmatch(text):
            what = f'{column} "{text}" has a comma, and commas separate the columns of this file'
            plain = text.replace(",", "")
            or_whole = f", or {plain} if the comma parts thousands" if THOUSANDS.fullmatch(text) else ""
            self.check(False, line, what, f"write {text.replace(',', '.')}{or_whole}")
            return None
        self.check(False, line, f'{column} "{text}" is no number', "write a plain number, such as 7.8")
        return None

    def date(self, line: int, text: str) -> datetime.date | None:
        """Return the date that the field holds; None when it is empty or a fault was added."""
        try:
            return datetime.date.fromisoformat(text) if text else None
        except ValueError:
            self.check(False, line, f'date "{text}" is none', "write year-month-day, such as 2026-01-31")
            return None
