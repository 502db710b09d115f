"""Validation of a YAML document against its type: every fault once, each at its line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from underoak.base.errors import Problems, UnderoakError, did_you_mean
from underoak.plan.reading.faults import pending_fault
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.yaml import MAX_FAULTS, Key, KeyPath, YamlDocument, read

S = TypeVar("S", bound=Spec)


@dataclass
class Check:
    """The faults of one document so far, and the key paths of the values that cannot be used.

    A broken value is left out while the rest is checked. A fault that only follows from a broken value is not reported.
    """

    document: YamlDocument
    problems: Problems = field(default_factory=Problems)
    broken: set[KeyPath] = field(default_factory=set)
    unknown: set[KeyPath] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.problems.extend(self.document.faults)
        for key_path in self.document.refused:
            self.mark_broken(key_path)

    def mark_broken(self, key_path: KeyPath) -> None:
        """Leave out a value from here on, and the part that is meaningless without it."""
        while (
            len(key_path) > 1 and isinstance(key_path[-1], int) and not (len(key_path) == 2 and self._is_part(key_path))
        ):
            key_path = key_path[:-1]  # a list without one item is another list, unless each item is a part by itself
        if key_path[:1] == ("constraints",) and key_path[2:] == ("file",):
            key_path = key_path[:2]  # without its file it would be read as the other kind of constraint
        if key_path:
            self.broken.add(key_path)

    def _is_part(self, key_path: KeyPath) -> bool:
        return isinstance(_value_at(self.document.value, key_path), Mapping)

    def add_fault(self, code: str, what: str, key_path: KeyPath, fix: str = "", *, key: bool = False) -> None:
        """Add a fault at a value (or its key), unless a broken value is the cause."""
        if len(self.problems.faults) < MAX_FAULTS and not self.is_broken(key_path):
            self.problems.add(code, what, self.document.where(key_path, key=key), fix)

    def add_error(self, error: UnderoakError, key_path: KeyPath) -> None:
        """Add the faults of another package at a value."""
        for fault in error.faults:
            self.add_fault(fault.code, fault.what, key_path, fault.fix)

    def is_broken(self, key_path: KeyPath) -> bool:
        """Return True if the value is broken, contains a broken value, or lies in one."""
        return any(key_path[: len(lost)] == lost or lost[: len(key_path)] == key_path for lost in self.broken)

    def names(self, section: str) -> tuple[str, ...]:
        """Return the names in a section of the document, broken ones included."""
        entries = self.document.value.get(section)
        return tuple(str(name) for name in entries) if isinstance(entries, Mapping) else ()

    def item_paths(self, section: str) -> list[KeyPath]:
        """Return the key paths of the items in a list of the document, without broken ones."""
        entries = self.document.value.get(section)
        count = len(entries) if isinstance(entries, list | tuple) else 0
        return [(section, n) for n in range(count) if (section, n) not in self.broken]

    def require_layer(self, name: str, key_path: KeyPath) -> None:
        """Report a name that no layer of the document has (E331)."""
        known = self.names("layers")
        if name not in known and ("layers",) not in self.broken:
            fix = did_you_mean(name, known, "add it under `layers`")
            self.add_fault("E331", f'there is no layer "{name}"', key_path, fix)


class _Remaining(list[Any]):
    """A list without its broken items, and the index that each item had before."""

    def __init__(self, items: list[Any], indices: list[int]) -> None:
        super().__init__(items)
        self.indices = indices


def read_as(kind: type[S], path: Path) -> S:
    """Read a YAML file as `kind`.

    Raises:
        UnderoakError: E3xx with every fault and its line.
    """
    check = Check(read(path))
    value = validate(kind, check)
    check.problems.stop_if_any()
    assert value is not None
    return value


def validate(kind: type[S], check: Check, stand_ins: Mapping[str, object] | None = None) -> S | None:
    """Return the document as `kind` without its broken values, or None if nothing is left. Faults go to `check`.

    `stand_ins` replace required top-level values that are broken, so that the rest is checked, too.
    """
    while True:
        before = len(check.broken) + len(check.unknown)
        value = _without(check.document.value, (), check.broken | check.unknown)
        for key, stand_in in (stand_ins or {}).items():
            if (key,) in check.broken:
                value.setdefault(key, stand_in)
        try:
            return kind.model_validate(value)
        except ValidationError as error:
            errors = sorted(error.errors(include_url=False), key=lambda details: details["type"] != "E303")
            for details in errors[:MAX_FAULTS]:
                _add_details(details, value, check)
        if len(check.broken) + len(check.unknown) == before or len(check.problems.faults) >= MAX_FAULTS:
            return None


def _add_details(details: ErrorDetails, value: Any, check: Check) -> None:
    fault = pending_fault(details)
    key_path = _key_path(value, details["loc"], fault.is_key_missing)
    if fault.code == "E303":
        check.problems.add(fault.code, fault.what, check.document.where(key_path, key=True), fault.fix)
        check.unknown.add(key_path)
        meant = [(*key_path[:-1], key) for key in fault.meant]
        # the key that was meant is not missing as well
        check.broken |= {key for key in meant if _value_at(check.document.value, key) is _MISSING}
        return
    if key_path in check.broken:
        key_path = key_path[:-1]  # the part that requires it is broken, too
    else:
        check.add_fault(fault.code, fault.what, key_path, fault.fix)
    check.mark_broken(key_path)


_MISSING = object()


def _value_at(value: Any, key_path: KeyPath) -> Any:
    for step in key_path:
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            return _MISSING
    return value


def _key_path(value: Any, loc: tuple[Key, ...], is_key_missing: bool) -> KeyPath:
    """Return the key path in the document for a location of pydantic's; steps that the document lacks are dropped."""
    key_path: list[Key] = []
    for n, step in enumerate(loc):
        if isinstance(value, Mapping):
            key = next((key for key in value if key == step or str(key) == step), None)  # number keys come as text
            if key is not None:
                key_path.append(key)
                value = value[key]
            elif is_key_missing and n == len(loc) - 1:
                key_path.append(step)
        elif isinstance(value, list | tuple) and isinstance(step, int) and step < len(value):
            key_path.append(value.indices[step] if isinstance(value, _Remaining) else step)
            value = value[step]
    return tuple(key_path)


def _without(value: Any, key_path: KeyPath, lost: set[KeyPath]) -> Any:
    if isinstance(value, Mapping):
        return {key: _without(v, (*key_path, key), lost) for key, v in value.items() if (*key_path, key) not in lost}
    if isinstance(value, list | tuple):
        indices = [n for n in range(len(value)) if (*key_path, n) not in lost]
        return _Remaining([_without(value[n], (*key_path, n), lost) for n in indices], indices)
    return value
