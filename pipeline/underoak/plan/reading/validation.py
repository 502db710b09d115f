"""Checks a written file against its type and gathers every fault, each told once and at its line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from underoak.base.errors import Problems, UnderoakError
from underoak.plan.reading.spec import Spec, told
from underoak.plan.reading.yaml import MOST_FAULTS, Key, Keys, Written

S = TypeVar("S", bound=Spec)


@dataclass
class Check:
    """The faults found so far in one written file, and what they leave broken.

    What is broken is left out while the rest is checked, and no fault is told that only follows from it.
    """

    written: Written
    problems: Problems = field(default_factory=Problems)
    broken: set[Keys] = field(default_factory=set)
    unknown: set[Keys] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.problems.extend(self.written.faults)
        for way in self.written.faulty:
            self.lose(way)

    def lose(self, way: Keys) -> None:
        """Leave a broken value out from here on, and what means nothing without it."""
        while len(way) > 1 and isinstance(way[-1], int) and not (len(way) == 2 and self._is_part(way)):
            way = way[:-1]  # a list short of an item is another list, unless its items are parts of their own
        if way[:1] == ("constraints",) and way[2:] == ("file",):
            way = way[:2]  # without its file it would pass for one of the other kind
        if way:
            self.broken.add(way)

    def _is_part(self, way: Keys) -> bool:
        return isinstance(_at(self.written.value, way), Mapping)

    def fault(self, code: str, what: str, way: Keys, fix: str = "", *, key: bool = False) -> None:
        """Tell a fault at a value (or its key), unless something broken is the cause."""
        if len(self.problems.faults) < MOST_FAULTS and not self.is_broken(way):
            self.problems.add(code, what, self.written.where(way, key=key), fix)

    def add_error(self, error: UnderoakError, way: Keys) -> None:
        """Tell another room's faults at a value."""
        for fault in error.faults:
            self.fault(fault.code, fault.what, way, fault.fix)

    def is_broken(self, way: Keys) -> bool:
        """True when the value is broken, or holds, or is held by, something broken."""
        return any(way[: len(lost)] == lost or lost[: len(way)] == way for lost in self.broken)

    def names(self, section: str) -> tuple[str, ...]:
        """The names written in a section, faulty or not."""
        written = self.written.value.get(section)
        return tuple(str(name) for name in written) if isinstance(written, Mapping) else ()


class _Kept(list[Any]):
    """A list that lost items, and which places the others had."""

    def __init__(self, items: list[Any], places: list[int]) -> None:
        super().__init__(items)
        self.places = places


def checked(kind: type[S], check: Check, stand_ins: Mapping[str, Any] | None = None) -> S | None:
    """The file as `kind`, less what is broken; None when nothing is left. Faults go to `check`.

    `stand_ins` take the place of top-level values that cannot be done without, so that the rest is checked too.
    """
    while True:
        before = len(check.broken) + len(check.unknown)
        value = _without(check.written.value, (), check.broken | check.unknown)
        for key, stand_in in (stand_ins or {}).items():
            if (key,) in check.broken:
                value.setdefault(key, stand_in)
        try:
            return kind.model_validate(value)
        except ValidationError as error:
            found = sorted(error.errors(include_url=False), key=lambda details: details["type"] != "E303")
            for details in found[:MOST_FAULTS]:
                _take(details, value, check)
        if len(check.broken) + len(check.unknown) == before or len(check.problems.faults) >= MOST_FAULTS:
            return None


def _take(details: ErrorDetails, value: Any, check: Check) -> None:
    fault = told(details)
    way = _follow(value, details["loc"], fault.lacks)
    if fault.code == "E303":
        check.problems.add(fault.code, fault.what, check.written.where(way, key=True), fault.fix)
        check.unknown.add(way)
        meant = [(*way[:-1], key) for key in fault.meant]
        # the key that was meant is not missing as well
        check.broken |= {key for key in meant if _at(check.written.value, key) is _NOWHERE}
        return
    if way in check.broken:
        way = way[:-1]  # what cannot be without it is lost too
    else:
        check.fault(fault.code, fault.what, way, fault.fix)
    check.lose(way)


_NOWHERE = object()


def _at(value: Any, way: Keys) -> Any:
    for step in way:
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            return _NOWHERE
    return value


def _follow(value: Any, loc: tuple[Key, ...], lacks: bool) -> Keys:
    """The way to the written value that a checker's own path means; names that are not written are dropped."""
    way: list[Key] = []
    for n, step in enumerate(loc):
        if isinstance(value, Mapping):
            found = next((key for key in value if key == step or str(key) == step), None)  # number keys come as text
            if found is not None:
                way.append(found)
                value = value[found]
            elif lacks and n == len(loc) - 1:
                way.append(step)
        elif isinstance(value, list | tuple) and isinstance(step, int) and step < len(value):
            way.append(value.places[step] if isinstance(value, _Kept) else step)
            value = value[step]
    return tuple(way)


def _without(value: Any, way: Keys, lost: set[Keys]) -> Any:
    if isinstance(value, Mapping):
        return {key: _without(v, (*way, key), lost) for key, v in value.items() if (*way, key) not in lost}
    if isinstance(value, list | tuple):
        places = [n for n in range(len(value)) if (*way, n) not in lost]
        return _Kept([_without(value[n], (*way, n), lost) for n in places], places)
    return value
