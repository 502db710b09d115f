"""A strict YAML reader: the values of a file, and the line and column of each.

It is stricter than YAML, because a plan must mean what a reader sees. It takes one document, no anchors, no merge keys,
only the core tags, no key twice, finite numbers. Only `true` and `false` are booleans, and only plain decimal numbers
are numbers, so `no`, `on`, `007`, `0x1F`, `1_000`, `12:30` and `2024-05-01` stay text.
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

MAX_BYTES, MAX_DEPTH, MAX_VALUES = 1 << 20, 20, 20_000
MAX_FAULTS = 300  # a file with more is malformed on purpose, and checking all of it would take too long

Key = str | int | float
Scalar = str | int | float | bool | None
KeyPath = tuple[Key, ...]  # the keys and list indices from the top to a value

_CORE = {f"tag:yaml.org,2002:{kind}": kind for kind in ("str", "int", "float", "bool", "null", "map", "seq")}
_BOOLEANS = {text: value for value in (True, False) for text in (str(value), str(value).lower(), str(value).upper())}
_NULLS = {"", "~", "null", "Null", "NULL"}
_INTEGER = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_DECIMAL = re.compile(r"[-+]?((0|[1-9][0-9]*)(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")

# Errors of the parser in plain words: (part of its sentence, what, fix).
_PARSER_ERRORS = (
    ("mapping values are not allowed", 'a ":" is not allowed here', "check the indent, or put the text in quotes"),
    ("'\\t'", "a tab is used for the indent", "indent with spaces"),
    ("cannot start any token", "the text begins with a character that YAML reserves", "put the text in quotes"),
    ("could not find expected ':'", 'a key has no ":" after it', 'write it like "key: value"'),
    ("expected <block end>", "the indent does not match the lines above", "align the keys of one block"),
    ("expected the node content", "a value is missing, or there is a bracket or comma too many", "add or remove it"),
    ("expected ',' or", 'a "," or a closing bracket is missing', "add it"),
    ("unexpected end of stream", "a quoted text is not closed", "close the quotes"),
    ("escape", "a backslash in double quotes starts a special character", "use / in paths, or single quotes"),
    (
        "expected '<document start>'",
        "there is text after the end of the document",
        "keep one document, without --- between",
    ),
    ("tag", "the tag is not known", 'remove the word that begins with "!"'),
)


@dataclass(frozen=True, slots=True, order=True)
class Position:
    """A place in the file: line and column, both from 1."""

    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class YamlDocument:
    """A YAML document: its values, their positions, and the faults of reading.

    `refused` holds the key paths of the values that were refused while reading.

    >>> w = parse("region:\\n  cell: 30 m", "plan.yaml")
    >>> w.value, w.where(("region", "cell"))
    ({'region': {'cell': '30 m'}}, 'plan.yaml:2:9 (region.cell)')
    """

    name: str
    value: Any
    value_positions: Mapping[KeyPath, Position] = field(default_factory=dict)
    key_positions: Mapping[KeyPath, Position] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    refused: frozenset[KeyPath] = frozenset()

    def where(self, key_path: KeyPath, *, key: bool = False) -> str:
        """Return `file:line:column (key path)` of a value, or of its key.

        For a value that the document lacks, the position is that of the part it belongs to.
        """
        positions = self.key_positions if key else self.value_positions
        nearest = key_path
        while nearest and nearest not in positions:
            nearest = nearest[:-1]
        place = f"{self.name}:{positions[nearest]}" if nearest in positions else self.name
        return f"{place} ({dotted(key_path)})" if key_path else place


def dotted(key_path: KeyPath) -> str:
    """Return a key path as people write it.

    >>> dotted(("constraints", 0, "name"))
    'constraints[0].name'
    """
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in key_path).lstrip(".")


def read(path: str | os.PathLike[str]) -> YamlDocument:
    """Read a YAML file.

    Raises:
        UnderoakError: E305 if it does not exist or is not UTF-8 text; otherwise as `parse`.
    """
    name = os.fspath(path)
    try:
        file = Path(path)
        if not file.is_file():
            what = "is a folder" if file.is_dir() else "is not a file" if file.exists() else "the file does not exist"
            raise UnderoakError(Fault("E305", what, name, "check the path"))
        with file.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a path with a null character
        reason = getattr(error, "strerror", None) or "the path cannot be used"
        raise UnderoakError(Fault("E305", f"cannot be read: {reason}", name, "check path and permissions")) from error
    if len(data) > MAX_BYTES:
        raise UnderoakError(Fault("E301", "is larger than 1 MiB", name, "keep data in separate files"))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnderoakError(
            Fault("E305", f"is not UTF-8 text at byte {error.start}", name, "save it as UTF-8")
        ) from error
    return parse(text, name)


def parse(text: str, name: str) -> YamlDocument:
    """Read YAML text; messages call it `name`.

    A refused value is left out and reported in `faults`, so that the rest can still be checked.

    Raises:
        UnderoakError: if reading cannot continue: E300 not YAML, E301 larger than 1 MiB, deeper than 20 levels or more
            than 20,000 values.
    """
    if len(text) > MAX_BYTES:
        raise UnderoakError(Fault("E301", "is larger than 1 MiB", name, "keep data in separate files"))
    return _Parser(text, name).document()


def scalar(text: str) -> Scalar:
    """Return the value of a plain word: None, a boolean, a number, or else text.

    >>> [scalar(t) for t in ("no", "true", "007", "1e9", "2024-05-01", "~")]
    ['no', True, '007', 1000000000.0, '2024-05-01', None]

    Raises:
        ValueError: if it is a number that is not finite.
    """
    if text in _NULLS:
        return None
    if text in _BOOLEANS:
        return _BOOLEANS[text]
    if _NOT_FINITE.fullmatch(text) or (_DECIMAL.fullmatch(text) and not math.isfinite(float(text))):
        raise ValueError("not finite")
    if _INTEGER.fullmatch(text):
        return int(text)
    return float(text) if _DECIMAL.fullmatch(text) else text


class _Parser:
    """One pass over the events of the YAML parser. An alias is refused, never expanded."""

    def __init__(self, text: str, name: str) -> None:
        self.text, self.name = text, name
        self.events = self._events()
        self.value_positions: dict[KeyPath, Position] = {}
        self.key_positions: dict[KeyPath, Position] = {}
        self.faults: list[Fault] = []
        self.refused: set[KeyPath] = set()
        self.anchors: set[str] = set()
        self.count = 0

    def document(self) -> YamlDocument:
        value, documents = None, 0
        for event in self.events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._stop("E300", "a second document begins here", event, "keep one document, without --- between")
            elif isinstance(event, yaml.NodeEvent):
                value = self._node(event, ())
        if not isinstance(value, dict) and not self.faults:
            what = "is empty" if value is None else "has no keys"
            raise UnderoakError(Fault("E300", what, self.name, 'write lines like "title: My hill"'))
        faults = tuple(self.faults)
        return YamlDocument(self.name, value, self.value_positions, self.key_positions, faults, frozenset(self.refused))

    def _events(self) -> Iterator[yaml.Event]:
        try:
            yield from yaml.parse(self.text, Loader=yaml.SafeLoader)
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            sentence = f"{error.problem} {error.context}"
            what, fix = next(((w, f) for part, w, f in _PARSER_ERRORS if part in sentence), ("this is not YAML", ""))
            code = "E301" if what == _PARSER_ERRORS[-1][1] else "E300"
            self._stop(code, what, _position(mark) if mark else None, fix)
        except yaml.reader.ReaderError as error:
            before = self.text[: error.position]
            position = Position(before.count("\n") + 1, error.position - (before.rfind("\n") + 1) + 1)
            self._stop("E300", "there is a control character here", position, "remove it")
        except (ValueError, OverflowError):  # an escape or directive whose number is out of range
            self._stop("E300", "an escape or a directive cannot be read", None, "use plain text")

    def _node(self, event: yaml.NodeEvent, key_path: KeyPath) -> Any:
        self.value_positions.setdefault(key_path, _position(event.start_mark))
        self.count += 1
        if self.count > MAX_VALUES:
            self._stop("E301", f"has more than {MAX_VALUES:,} values", event, "keep data in separate files")
        if event.anchor is not None and event.anchor not in self.anchors:
            self.anchors.add(event.anchor)
            self._fault("E301", f'the anchor "{event.anchor}" is refused', event, key_path, "write the values in full")
        if isinstance(event, yaml.AliasEvent):
            self.refused.add(key_path)
            return None
        if isinstance(event, yaml.ScalarEvent):
            return self._scalar(event, key_path)
        if len(key_path) >= MAX_DEPTH:
            self._stop(
                "E301", f"is nested deeper than {MAX_DEPTH} levels", event, "use fewer levels; a plan needs at most six"
            )
        kind = "map" if isinstance(event, yaml.MappingStartEvent) else "seq"
        if event.tag not in (None, "!") and _CORE.get(event.tag) != kind:  # type: ignore[attr-defined]
            self._refuse_tag(event, key_path)
        return self._mapping(key_path) if kind == "map" else self._sequence(key_path)

    def _sequence(self, key_path: KeyPath) -> list[Any]:
        items: list[Any] = []
        while not isinstance(event := next(self.events), yaml.SequenceEndEvent):
            items.append(self._node(event, (*key_path, len(items))))  # type: ignore[arg-type]
        return items

    def _mapping(self, key_path: KeyPath) -> dict[Key, Any]:
        pairs: dict[Key, Any] = {}
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            key = self._key(event, key_path)
            here = (*key_path, key)
            is_merge = isinstance(event, yaml.ScalarEvent) and event.value == "<<" and event.implicit[0]
            if is_merge:
                self._fault("E301", 'merging with "<<" is refused', event, here, "write the values in full")
            is_repeated = key in pairs
            if is_repeated:
                first = self.key_positions[here]
                what = f'the key "{key}" is written twice, at {first} and {_position(event.start_mark)}'
                self._fault("E302", what, event, key_path, "keep one of them")
                here = (*key_path, f"{key} (again)")  # its positions must not replace those of the first
            self.key_positions.setdefault(here, _position(event.start_mark))
            value = self._node(next(self.events), here)  # type: ignore[arg-type]
            if not (is_merge or is_repeated):
                pairs[key] = value
        return pairs

    def _key(self, event: yaml.Event, key_path: KeyPath) -> Key:
        if not isinstance(event, yaml.ScalarEvent):
            self._stop("E300", "a key must be a name or a number, not a list or an alias", event, "write a plain name")
        key = self._scalar(event, (*key_path, event.value))
        return key if isinstance(key, int | float) and not isinstance(key, bool) else str(event.value)

    def _scalar(self, event: yaml.ScalarEvent, key_path: KeyPath) -> Any:
        text, tag = event.value, event.tag
        if not text.isascii() and any("\ud800" <= c <= "\udfff" for c in text):
            self._stop("E300", "there is half a character here (a lone surrogate)", event, "write the full character")
        if event.anchor is not None and event.anchor not in self.anchors:  # an anchored key
            self.anchors.add(event.anchor)
            self._fault("E301", f'the anchor "{event.anchor}" is refused', event, key_path, "write the values in full")
        kind = _CORE.get(tag) if tag else None
        if tag not in (None, "!") and kind in (None, "map", "seq"):
            self._refuse_tag(event, key_path)
            return None
        if kind == "str" or tag == "!" or (tag is None and not event.implicit[0]):
            return text
        try:
            value = scalar(text)
        except ValueError:
            self._fault("E310", f"{text[:40]} is not a finite number", event, key_path, "write a finite number")
            self.refused.add(key_path)
            return None
        if kind is None:
            return value
        fits: Any = {"int": int, "float": (int, float), "bool": bool, "null": type(None)}[kind]
        if not isinstance(value, fits) or (kind in ("int", "float") and isinstance(value, bool)):
            self._refuse_tag(event, key_path)
        return value

    def _refuse_tag(self, event: yaml.NodeEvent, key_path: KeyPath) -> None:
        tag = str(event.tag).replace("tag:yaml.org,2002:", "!!")  # type: ignore[attr-defined]
        self._fault("E301", f'the tag "{tag[:60]}" is refused', event, key_path, "remove the tag")
        self.refused.add(key_path)

    def _fault(self, code: str, what: str, event: yaml.Event, key_path: KeyPath, fix: str) -> None:
        if len(self.faults) >= MAX_FAULTS:
            Problems(self.faults).stop_if_any()
        place = f"{self.name}:{_position(event.start_mark)}"
        self.faults.append(Fault(code, what, f"{place} ({dotted(key_path)})" if key_path else place, fix))

    def _stop(self, code: str, what: str, place: yaml.Event | Position | None, fix: str) -> NoReturn:
        position = _position(place.start_mark) if isinstance(place, yaml.Event) else place
        last = Fault(code, what, f"{self.name}:{position}" if position else self.name, fix)
        raise UnderoakError(*self.faults[:MOST_SHOWN], last)


def _position(mark: Any) -> Position:
    return Position(mark.line + 1, mark.column + 1)
