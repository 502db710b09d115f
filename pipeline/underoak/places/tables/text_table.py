"""Text tables that people keep: encoding, separator, decimal mark and columns; rows with their line numbers."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from underoak.base.errors import Problems, UnderoakError, count_of, did_you_mean, printable
from underoak.layers.files import input_path

_MOST_BYTES = 64 * 2**20
_DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+")
THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(,\d{3})+")  # or a decimal comma before three digits


@dataclass(frozen=True, slots=True)
class TableColumns:
    """The columns of a text table, in the order in which messages list them.

    >>> columns = TableColumns("lab.file", ("parcel", "value"), ("x", "y", "note"), ("value", "x", "y"), (("x", "y"),))
    >>> columns.text
    'columns: parcel, value; if wanted: x, y, note'
    """

    key: str  # of the plan, that names the file
    needed: tuple[str, ...]
    optional: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()  # that go together, such as x and y; a table has at most one of the pairs

    @property
    def known(self) -> tuple[str, ...]:
        """All columns."""
        return self.needed + self.optional

    @property
    def text(self) -> str:
        """The columns as messages list them."""
        wanted = f"; if wanted: {', '.join(self.optional)}" if self.optional else ""
        return f"columns: {', '.join(self.needed)}{wanted}"


def read_text(path: Path, key: str, where: str, problems: Problems) -> str | None:
    """Return the text of the file; None when a fault was added: E410 an encoding, E411, E242, E245, E246 the file."""
    try:
        real = input_path(str(path), Path(), where)
        if real.stat().st_size > _MOST_BYTES:
            fix = "remove the rows of other parcels"
            problems.add("E411", f"is larger than {_MOST_BYTES >> 20} MiB", where, fix)
            return None
        data = real.read_bytes()
    except UnderoakError as error:
        problems.add_error(error)
        return None
    except OSError as error:
        problems.add("E411", f"cannot be read ({error.strerror or error})", where, f"correct `{key}`")
        return None
    fix = "save it as text in UTF-8, in a spreadsheet: CSV UTF-8"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in data:
        at = 0 if data.startswith((b"\xff\xfe", b"\xfe\xff")) else data.index(b"\0")
        problems.add("E410", f"is no text in UTF-8, at byte {at}", where, fix)
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        problems.add("E410", f"is no text in UTF-8, at byte {error.start}", where, fix)
        return None


def read_rows(
    text: str, columns: TableColumns, id_field: str, where: str, problems: Problems
) -> list[tuple[int, dict[str, str]]]:
    """Return line numbers and fields by column, numbers with a decimal point; empty when the columns are not right.

    Fields are separated by commas, with decimal points; or by semicolons, with decimal points or decimal commas, not
    both. `id_field` is the plan's name for the column `parcel`. Faults: E411; E412 for a number that is ambiguous.
    """
    separator = _separator(text, columns, id_field)
    if separator is None:
        what = "its columns are separated by tabs"
        problems.add("E411", what, where, "save it with commas and decimal points, or with semicolons")
        return []
    rows = list(_split(text, columns, separator, id_field, where, problems))
    return rows if separator == "," else _with_decimal_points(rows, columns, where, problems)


def _separator(text: str, columns: TableColumns, id_field: str) -> str | None:
    """Return the separator that makes known columns of the first line; None for tabs."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    known = {";": 0, ",": 0, "\t": 0}
    for mark in known:
        names = [name.strip().strip('"') for name in first.split(mark)]
        known[mark] = sum(name == id_field or name.lower() in columns.known for name in names) if len(names) > 1 else 0
    best = max(known, key=lambda mark: known[mark])
    if not known[best]:
        return ";" if ";" in first and "," not in first else ","
    return None if best == "\t" else best


def _split(
    text: str, known: TableColumns, separator: str, id_field: str, where: str, problems: Problems
) -> Iterator[tuple[int, dict[str, str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    columns: list[str] = []
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if not columns:
                columns = ["parcel" if name.strip() == id_field else name.strip().lower() for name in row]
                if not _columns_fit(columns, known, where, problems):
                    return
            elif len(row) != len(columns):
                fields = count_of(len(row), "field")
                what = f"line {reader.line_num} has {fields}, and the first line names {len(columns)}"
                mark = "comma" if separator == "," else "semicolon"
                problems.add("E411", what, where, f"put a field that holds a {mark} in quotes")
            else:
                cells = {name: cell.strip() for name, cell in zip(columns, row, strict=True)}
                yield reader.line_num, cells | {"parcel": printable(cells["parcel"])} if "parcel" in cells else cells
    except csv.Error as error:
        problems.add("E411", f"line {reader.line_num} cannot be read ({error})", where, "close its quotes")
        return
    if not columns:
        problems.add("E411", "is empty", where, f"its first line names the columns: {', '.join(known.known)}")


def _columns_fit(columns: Sequence[str], known: TableColumns, where: str, problems: Problems) -> bool:
    before = len(problems.faults)
    if not set(columns) & set(known.known):
        some = ", ".join(columns)[:60]
        problems.add(
            "E411", f'its first line names no column that is known: "{some}"', where, f"begin with {known.text}"
        )
        return False
    for name in columns:
        if name not in known.known:
            problems.add(
                "E411", f'the column "{name}" is not known', where, did_you_mean(name, known.known, known.text)
            )
        elif columns.count(name) > 1:
            problems.add("E411", f'the column "{name}" is there twice', where, "keep one of them")
    for name in known.needed:
        if name not in columns and len(problems.faults) == before:  # else it may be there, with a slip
            problems.add("E411", f'there is no column "{name}"', where, known.text)
    for one, other in (*known.pairs, *(pair[::-1] for pair in known.pairs)):
        if one in columns and other not in columns:
            problems.add("E411", f'there is a column "{one}" and no "{other}"', where, f'add "{other}", or remove it')
    if len(known.pairs) > 1 and all(name in columns for pair in known.pairs for name in pair):
        both = " and ".join(", ".join(pair) for pair in known.pairs)
        problems.add("E411", f"has both {both}", where, "keep one of the two pairs")
    return len(problems.faults) == before


def _with_decimal_points(
    rows: Sequence[tuple[int, dict[str, str]]], columns: TableColumns, where: str, problems: Problems
) -> list[tuple[int, dict[str, str]]]:
    """Return the rows of a file with semicolons; their decimal commas become points where no number is ambiguous."""
    numbers = [(line, name, row[name]) for line, row in rows for name in columns.numbers if row.get(name)]
    commas = [each for each in numbers if _DECIMAL_COMMA.fullmatch(each[2]) and not THOUSANDS.fullmatch(each[2])]
    points = [each for each in numbers if "." in each[2]]
    doubtful = [each for each in numbers if THOUSANDS.fullmatch(each[2])]
    if commas and points:
        (one, _, comma), (other, _, point) = commas[0], points[0]
        what = f'line {one} writes "{comma}" and line {other} "{point}": one of the marks may part thousands'
        problems.add("E412", what, where, "write all decimals with a comma, or all with a point")
        return []
    if doubtful and not commas:
        line, name, number = doubtful[0]
        what = f'line {line}: {name} "{number}" may be {number.replace(",", ".", 1)} or {number.replace(",", "")}'
        problems.add("E412", what, where, "write decimals with a point, and thousands without a mark")
        return []
    if not commas:
        return list(rows)
    return [
        (line, {name: cell.replace(",", ".") if name in columns.numbers else cell for name, cell in row.items()})
        for line, row in rows
    ]
