"""A YAML file as written: its values, and where each of them stands.

Stricter than YAML, because a plan must mean what a reader sees: one document, no anchors, no merge keys, no tags but
the core ones, no key twice, finite numbers. Only `true` and `false` are switches and only plain decimal numbers are
numbers, so `no`, `on`, `007`, `0x1F`, `1_000`, `12:30` and `2024-05-01` stay the text they look like.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import yaml

from underoak.base.errors import MOST_SHOWN, Fault, Problems, UnderoakError

LARGEST, DEEPEST, MOST = 1 << 20, 20, 20_000  # bytes, levels, values
MOST_FAULTS = 300  # enough to tell; a file with more is spoiled on purpose, and searching it on would take for ever

Key = str | int | float
Keys = tuple[Key, ...]  # the way from the top to a value

_CORE = {f"tag:yaml.org,2002:{kind}": kind for kind in ("str", "int", "float", "bool", "null", "map", "seq")}
_WORDS = {text: value for value in (True, False) for text in (str(value), str(value).lower(), str(value).upper())}
_NOTHING = {"", "~", "null", "Null", "NULL"}
_WHOLE = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_DECIMAL = re.compile(r"[-+]?((0|[1-9][0-9]*)(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?")
_ENDLESS = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")

# What the parser stumbles over, in our words: (its sentence holds, what, mend).
_STUMBLES = (
    ("mapping values are not allowed", 'a ":" stands where no value can begin', "check the indent, or quote the text"),
    ("'\\t'", "a tab is used where only spaces may be", "indent with spaces"),
    ("cannot start any token", "a text begins with a character that YAML reserves", "put the text in quotes"),
    ("could not find expected ':'", 'a key has no ":" after it', 'write it like "key: value"'),
    ("expected <block end>", "the indent does not match the lines above", "line the keys of one block up"),
    ("expected the node content", "a value is missing, or a bracket or comma is one too many", ""),
    ("expected ',' or", 'a "," or a closing bracket is missing', ""),
    ("unexpected end of stream", "a quoted text is not closed", "close the quotes"),
    ("escape", "a backslash in double quotes means a special character", "use / in paths, or single quotes"),
    ("expected '<document start>'", "the text goes on after its end", "keep one document, without --- between"),
    ("tag", "a tag is not known", 'leave out what begins with "!"'),
)


@dataclass(frozen=True, slots=True, order=True)
class Position:
    """Line and column, from 1."""

    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class Written:
    """Values as read, and where they stand. `faulty` are the ways to values that were refused while reading.

    >>> w = parse("region:\\n  cell: 30 m", "plan.yaml")
    >>> w.value, w.where(("region", "cell"))
    ({'region': {'cell': '30 m'}}, 'plan.yaml:2:9 (region.cell)')
    """

    name: str
    value: Any
    values: Mapping[Keys, Position] = field(default_factory=dict)
    keys: Mapping[Keys, Position] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    faulty: frozenset[Keys] = frozenset()

    def where(self, way: Keys, *, key: bool = False) -> str:
        """`file:line:column (way)` of a value, or of its key; of what holds it when it is not there."""
        marks = self.keys if key else self.values
        held = way
        while held and held not in marks:
            held = held[:-1]
        place = f"{self.name}:{marks[held]}" if held in marks else self.name
        return f"{place} ({dotted(way)})" if way else place

    def is_faulty(self, way: Keys) -> bool:
        """True when the value, or one that holds it, was refused while reading."""
        return any(way[:n] in self.faulty for n in range(len(way) + 1))


def dotted(way: Keys) -> str:
    """A way as people write it.

    >>> dotted(("constraints", 0, "name"))
    'constraints[0].name'
    """
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in way).lstrip(".")


def read(path: str | os.PathLike[str]) -> Written:
    """Read a YAML file.

    Raises:
        UnderoakError: E305 when it is not there or not UTF-8 text; else as `parse`.
    """
    name = os.fspath(path)
    try:
        file = Path(path)
        if not file.is_file():
            what = "is a folder" if file.is_dir() else "is not a file" if file.exists() else "there is no such file"
            raise UnderoakError(Fault("E305", what, name, "check the path"))
        with file.open("rb") as stream:
            data = stream.read(LARGEST + 1)
    except (OSError, ValueError) as error:  # ValueError: a path no system can hold
        reason = getattr(error, "strerror", None) or "the path cannot be used"
        raise UnderoakError(Fault("E305", f"cannot be read: {reason}", name, "check path and permissions")) from error
    if len(data) > LARGEST:
        raise UnderoakError(Fault("E301", "is larger than 1 MiB", name, "keep data in files of their own"))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnderoakError(
            Fault("E305", f"is not UTF-8 text at byte {error.start}", name, "save it as UTF-8")
        ) from error
    return parse(text, name)


def parse(text: str, name: str) -> Written:
    """Read YAML text; `name` is what messages call it.

    A refused value is left out and told in `faults`, so that the rest can still be checked.

    Raises:
        UnderoakError: where reading cannot go on: E300 not YAML, E301 larger than 1 MiB, deeper than 20 levels or of
            more than 20,000 values.
    """
    if len(text) > LARGEST:
        raise UnderoakError(Fault("E301", "is larger than 1 MiB", name, "keep data in files of their own"))
    return _Reading(text, name).written()


def scalar(text: str) -> Any:
    """What a plain word means: nothing, a switch, a number, else text.

    >>> [scalar(t) for t in ("no", "true", "007", "1e9", "2024-05-01", "~")]
    ['no', True, '007', 1000000000.0, '2024-05-01', None]

    Raises:
        ValueError: when it is a number that is not finite.
    """
    if text in _NOTHING:
        return None
    if text in _WORDS:
        return _WORDS[text]
    if _ENDLESS.fullmatch(text) or (_DECIMAL.fullmatch(text) and not math.isfinite(float(text))):
        raise ValueError("not finite")
    if _WHOLE.fullmatch(text):
        return int(text)
    return float(text) if _DECIMAL.fullmatch(text) else text


class _Reading:
    """One pass over the parser's events. They are taken as they come: an alias is refused, never expanded."""

    def __init__(self, text: str, name: str) -> None:
        self.text, self.name = text, name
        self.events = self._events()
        self.values: dict[Keys, Position] = {}
        self.keys: dict[Keys, Position] = {}
        self.faults: list[Fault] = []
        self.faulty: set[Keys] = set()
        self.anchors: set[str] = set()
        self.count = 0

    def written(self) -> Written:
        value, documents = None, 0
        for event in self.events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._stop("E300", "a second document begins here", event, "keep one document, without --- between")
            elif isinstance(event, yaml.NodeEvent):
                value = self._node(event, ())
        if not isinstance(value, dict) and not self.faults:
            what = "is empty" if value is None else "is not made of keys and values"
            raise UnderoakError(Fault("E300", what, self.name, 'write lines like "title: My hill"'))
        faults = tuple(self.faults)
        return Written(self.name, value, self.values, self.keys, faults, frozenset(self.faulty))

    def _events(self) -> Iterator[yaml.Event]:
        try:
            yield from yaml.parse(self.text, Loader=yaml.SafeLoader)
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            said = f"{error.problem} {error.context}"
            what, fix = next(((w, m) for part, w, m in _STUMBLES if part in said), ("this is not YAML", ""))
            code = "E301" if what == _STUMBLES[-1][1] else "E300"
            self._stop(code, what, _position(mark) if mark else None, fix)
        except yaml.reader.ReaderError as error:
            before = self.text[: error.position]
            at = Position(before.count("\n") + 1, error.position - (before.rfind("\n") + 1) + 1)
            self._stop("E300", "a control character stands here", at, "remove it")
        except (ValueError, OverflowError):  # an escape or directive with a number that is no character or version
            self._stop("E300", "an escape or a directive cannot be read", None, "use plain text")

    def _node(self, event: yaml.NodeEvent, way: Keys) -> Any:
        self.values.setdefault(way, _position(event.start_mark))
        self.count += 1
        if self.count > MOST:
            self._stop("E301", f"holds more than {MOST:,} values", event, "keep data in files of their own")
        if event.anchor is not None and event.anchor not in self.anchors:
            self.anchors.add(event.anchor)
            self._fault("E301", f'the anchor "{event.anchor}" is refused', event, way, "write the values out")
        if isinstance(event, yaml.AliasEvent):
            self.faulty.add(way)
            return None
        if isinstance(event, yaml.ScalarEvent):
            return self._scalar(event, way)
        if len(way) >= DEEPEST:
            self._stop("E301", f"is nested deeper than {DEEPEST} levels", event, "a plan needs no more than six")
        kind = "map" if isinstance(event, yaml.MappingStartEvent) else "seq"
        if event.tag not in (None, "!") and _CORE.get(event.tag) != kind:  # type: ignore[attr-defined]
            self._refuse_tag(event, way)
        return self._mapping(way) if kind == "map" else self._sequence(way)

    def _sequence(self, way: Keys) -> list[Any]:
        items: list[Any] = []
        while not isinstance(event := next(self.events), yaml.SequenceEndEvent):
            items.append(self._node(event, (*way, len(items))))  # type: ignore[arg-type]
        return items

    def _mapping(self, way: Keys) -> dict[Key, Any]:
        pairs: dict[Key, Any] = {}
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            key = self._key(event, way)
            here = (*way, key)
            merges = isinstance(event, yaml.ScalarEvent) and event.value == "<<" and event.implicit[0]
            if merges:
                self._fault("E301", 'merging with "<<" is refused', event, here, "write the values out")
            twice = key in pairs
            if twice:
                first = self.keys[here]
                what = f'the key "{key}" is written twice, at {first} and {_position(event.start_mark)}'
                self._fault("E302", what, event, way, "keep one of them")
                here = (*way, f"{key} (again)")  # its marks must not replace those of the first
            self.keys.setdefault(here, _position(event.start_mark))
            value = self._node(next(self.events), here)  # type: ignore[arg-type]
            if not (merges or twice):
                pairs[key] = value
        return pairs

    def _key(self, event: yaml.Event, way: Keys) -> Key:
        if not isinstance(event, yaml.ScalarEvent):
            self._stop("E300", "a key is a name or a number, not a list or an alias", event, "write a plain name")
        key = self._scalar(event, (*way, event.value))
        return key if isinstance(key, int | float) and not isinstance(key, bool) else str(event.value)

    def _scalar(self, event: yaml.ScalarEvent, way: Keys) -> Any:
        text, tag = event.value, event.tag
        if not text.isascii() and any("\ud800" <= c <= "\udfff" for c in text):
            self._stop("E300", "half a character stands here", event, "write the character itself")
        if event.anchor is not None and event.anchor not in self.anchors:  # an anchored key
            self.anchors.add(event.anchor)
            self._fault("E301", f'the anchor "{event.anchor}" is refused', event, way, "write the values out")
        kind = _CORE.get(tag) if tag else None
        if tag not in (None, "!") and kind in (None, "map", "seq"):
            self._refuse_tag(event, way)
            return None
        if kind == "str" or tag == "!" or (tag is None and not event.implicit[0]):
            return text
        try:
            value = scalar(text)
        except ValueError:
            self._fault("E310", f"{text[:40]} is not a finite number", event, way, "write a finite number")
            self.faulty.add(way)
            return None
        if kind is None:
            return value
        fits: Any = {"int": int, "float": (int, float), "bool": bool, "null": type(None)}[kind]
        if not isinstance(value, fits) or (kind in ("int", "float") and isinstance(value, bool)):
            self._refuse_tag(event, way)
        return value

    def _refuse_tag(self, event: yaml.NodeEvent, way: Keys) -> None:
        tag = str(event.tag).replace("tag:yaml.org,2002:", "!!")  # type: ignore[attr-defined]
        self._fault("E301", f'the tag "{tag[:60]}" is refused', event, way, "leave the tag out")
        self.faulty.add(way)

    def _fault(self, code: str, what: str, event: yaml.Event, way: Keys, fix: str) -> None:
        if len(self.faults) >= MOST_FAULTS:
            Problems(self.faults).stop_if_any()
        place = f"{self.name}:{_position(event.start_mark)}"
        self.faults.append(Fault(code, what, f"{place} ({dotted(way)})" if way else place, fix))

    def _stop(self, code: str, what: str, at: yaml.Event | Position | None, fix: str) -> NoReturn:
        if isinstance(at, yaml.Event):
            at = _position(at.start_mark)
        last = Fault(code, what, f"{self.name}:{at}" if at else self.name, fix)
        raise UnderoakError(*self.faults[:MOST_SHOWN], last)


def _position(mark: Any) -> Position:
    return Position(mark.line + 1, mark.column + 1)
