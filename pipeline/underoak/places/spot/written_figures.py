"""Figures as people write them: `ph=7.6±0.2`, `ph 7,6`, `rain_summer=150 mm ± 15 %`, `ph=6.9 KCl`."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from underoak.base.errors import Problems

_LONGEST = 120  # characters of one figure
WRITE = "write it like ph=7.6±0.2 or rain_summer=150mm"
_NUMBER = r"[-+]?(?:\d+(?:[.,]\d+)*|[.,]\d+)(?:[eE][-+]?\d+)?"
_SPELLINGS = (("+/-", "±"), ("+-", "±"), ("−", "-"), ("º", "°"), ("²", "2"), ("³", "3"), ("\N{NO-BREAK SPACE}", " "))
_START = re.compile(
    rf"(?<![\w/.,*^-])(?:(?P<name>[^\W\d][\w-]*)\s*[=:]\s*|(?P<plain>[^\W\d]\w*)(?:\s+(?={_NUMBER})|\s*(?=[<>≤≥~≈])))"
)
_NO_NAMES = {"kcl", "cacl2", "h2o", "in", "to", "method"}  # words inside a figure, before a number or a colon
_RATIO = re.compile(r"\d+:\d")
_METHOD = re.compile(
    r"\(?\s*(?:in\s+|by\s+|method\s*[=:]?\s*)?(?P<solvent>water|h2o|kcl|cacl2)(?:\s+(?P<ratio>\d+:\d+(?:\.\d+)?))?\s*\)?$",
    re.IGNORECASE,
)
_SOLVENTS = {"water": "water", "h2o": "water", "kcl": "KCl", "cacl2": "CaCl2"}
_TAIL = re.compile(
    rf"(?P<value>{_NUMBER})\s*(?P<unit>[^±]*?)\s*(?:±\s*(?P<error>{_NUMBER})\s*(?P<error_unit>[^±]*?))?\s*"
)
_RANGE = re.compile(rf"(?P<low>{_NUMBER})\s*(?P<unit>\D*?)\s*(?:-|–|\.\.+|to)\s*(?P<high>{_NUMBER})\s*(?P<rest>.*)")
_LIMIT = re.compile(rf"(?P<sign>[<>≤≥~≈])\s*=?\s*(?P<number>{_NUMBER})\s*(?P<unit>.*)")
_AMBIGUOUS = re.compile(r"[-+]?[1-9]\d{0,2}(?:,\d{3})+")  # or a decimal comma before three digits


@dataclass(frozen=True, slots=True)
class WrittenFigure:
    """One figure as written, its numbers read, its name and units not yet looked up."""

    text: str  # as written, for messages
    name: str
    value: float
    unit: str = ""  # "": that of the species profile
    error: float | None = None  # standard deviation; None where none is written
    error_unit: str = ""  # "": that of the value
    method: str = ""  # of a pH: water, KCl or CaCl2, with or without a ratio


def read_written(
    figures: str | Sequence[str] | Mapping[str, str | float], problems: Problems
) -> tuple[WrittenFigure, ...]:
    """Read figures from words such as `ph=7.6±0.2`, or from a mapping of names to numbers or text.

    Words are joined first, so that blanks may stand anywhere. Decimal commas count as points. Every fault (E370) goes
    to `problems`, and its figure is left out.

    >>> [(f.name, f.value, f.unit, f.error) for f in read_written(["ph=7,6", "+-", "0.2", "rain_summer", "150mm"],
    ...                                                           Problems())]
    [('ph', 7.6, '', 0.2), ('rain_summer', 150.0, 'mm', None)]
    """
    if isinstance(figures, Mapping):
        pairs = [(str(name), _plain(str(value))) for name, value in figures.items()]
    else:
        pairs = list(_split([figures] if isinstance(figures, str) else figures, problems))
    if not pairs and not problems.faults:
        problems.add("E370", "no figure is given", "", WRITE)
    written = (_read(name, tail, problems) for name, tail in pairs)
    return tuple(figure for figure in written if figure is not None)


def _plain(text: str) -> str:
    for spelling, plain in _SPELLINGS:
        text = text.replace(spelling, plain)
    return " ".join(text.split()).strip(" ,;")


def _split(words: Sequence[str], problems: Problems) -> Iterator[tuple[str, str]]:
    """Yield name and rest of every figure."""
    text = _plain(" ".join(words))
    starts = [m for m in _START.finditer(text) if _is_name(m)]
    before = text[: starts[0].start()] if starts else text
    if before.strip(" ,;"):
        problems.add("E370", "is not a name with a number", before.strip(" ,;")[:_LONGEST], WRITE)
    for n, start in enumerate(starts):
        end = starts[n + 1].start() if n + 1 < len(starts) else len(text)
        yield start["name"] or start["plain"], text[start.end() : end].strip(" ,;")


def _is_name(start: re.Match[str]) -> bool:
    """Return False for words inside a figure, such as those of `KCl 1:2.5`."""
    name, rest = (start["name"] or start["plain"]).casefold(), start.string[start.end() :]
    return name not in _NO_NAMES and not (start["plain"] and _RATIO.match(rest))


def _read(name: str, tail: str, problems: Problems) -> WrittenFigure | None:
    text = f"{name}={tail}"
    if len(text) > _LONGEST:
        problems.add("E370", "is too long for a figure", f"{text[:40]}…", WRITE)
        return None
    if not tail:
        problems.add("E370", "has no number", text, WRITE)
        return None
    if limit := _LIMIT.fullmatch(tail):
        problems.add("E370", f'"{tail}" is no single number', text, _number_for_limit(name, limit))
        return None
    span = _RANGE.fullmatch(tail)
    if span is not None and "±" not in tail and span["unit"] in ("", span["rest"]):
        middle, half = _middle(span)
        fix = f"write {name}={middle:.6g}±{half:.6g}{span['rest']} if it may be anything in between"
        problems.add("E370", f'"{tail}" is a range', text, fix)
        return None
    match = _TAIL.fullmatch(tail)
    if match is None:
        problems.add("E370", f'"{tail}" is not a number with a unit', text, WRITE)
        return None
    value, error = (_number(match[key], text, problems) for key in ("value", "error"))
    if value is None or (match["error"] is not None and error is None):
        return None
    unit, error_unit, method = match["unit"], match["error_unit"] or "", ""
    if way := _METHOD.search(error_unit or unit):
        method = " ".join(filter(None, (_SOLVENTS[way["solvent"].casefold()], way["ratio"])))
        unit, error_unit = (unit, error_unit[: way.start()]) if error_unit else (unit[: way.start()], "")
    elif way := _METHOD.search(unit):
        method = " ".join(filter(None, (_SOLVENTS[way["solvent"].casefold()], way["ratio"])))
        unit = unit[: way.start()]
    unit, error_unit = unit.strip(), error_unit.strip()
    if unit[:1].isdigit():
        problems.add("E370", f'"{tail}" is two numbers', text, "write thousands without a blank, and an error behind ±")
        return None
    if error is not None and error < 0.0:
        problems.add("E370", "an error cannot be negative", text, "give a standard deviation behind ±")
        return None
    if not unit and error is not None:
        unit, error_unit = error_unit, ""
    return WrittenFigure(text, name, value, unit, error, error_unit, method)


def _number(text: str | None, where: str, problems: Problems) -> float | None:
    """Return a number with a decimal point or comma; None, with a fault, for one that may mean two things."""
    if text is None:
        return None
    if _AMBIGUOUS.fullmatch(text):
        what = f'"{text}" may be {text.replace(",", ".", 1)} or {text.replace(",", "")}'
        problems.add("E370", what, where, "write decimals with a point, and thousands without a mark")
        return None
    if len(re.findall(r"[.,]", text)) > 1:
        problems.add(
            "E370", f'"{text}" is no number', where, "write decimals with a point, and thousands without a mark"
        )
        return None
    number = float(text.replace(",", "."))
    if not math.isfinite(number):
        problems.add("E370", f'"{text}" is no number that can be stored', where, WRITE)
        return None
    return number


def _middle(span: re.Match[str]) -> tuple[float, float]:
    low, high = (float(span[key].replace(",", ".")) for key in ("low", "high"))
    return (low + high) / 2.0, abs(high - low) / 2.0


def _number_for_limit(name: str, limit: re.Match[str]) -> str:
    if limit["sign"] in "<≤":
        half = float(limit["number"].replace(",", ".")) / 2.0
        return f"write half of it, and the same as error: {name}={half:.6g}±{half:.6g}{limit['unit']}"
    return f"write a number and how far off it may be, such as {name}={limit['number']}±…{limit['unit']}"
