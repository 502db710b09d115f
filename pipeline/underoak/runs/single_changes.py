"""Tests of single changes: the first run's plan is judged again with one change of the second run at a time."""

from __future__ import annotations

import copy
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from underoak.base.errors import Fault, UnderoakError
from underoak.engine.progress import Progress
from underoak.engine.storage.identity import all_software
from underoak.engine.storage.manifest import Manifest
from underoak.engine.verification import State, file_state
from underoak.engine.write.checksums import InputRecord
from underoak.plan import load_plan
from underoak.report import Comparison, compare
from underoak.report.comparison.causes import Cause, short
from underoak.report.comparison.plan_changes import named_parts, part_at
from underoak.report.comparison.single_changes import ChangeTest, ChangeTests, Effect
from underoak.runs.finished_run import Run
from underoak.runs.run import run

MOST_SECONDS = 10.0  # of one judgement, for tests that nobody asked for
MOST_TESTS = 12


class _Silence(Progress):
    """A progress that says nothing: the two runs gave their warnings."""

    def __init__(self) -> None:
        super().__init__("none")

    def warn(self, fault: Fault) -> None:
        """Leave out a warning."""


class _UntestableError(Exception):
    """A signal that a change cannot be judged by itself; the text says why."""


def single_changes(
    comparison: Comparison, is_wanted: bool | None = None, say: Callable[[str], None] | None = None
) -> ChangeTests:
    """Judge the first run's plan once for each possible reason, with that change alone.

    Results go to a temporary folder and are deleted. A change is not tested if a file that it needs is gone, or has not
    the content that the run recorded.

    Args:
        comparison: of two runs, from `compare`.
        is_wanted: True: however long it takes; False: never. Default: if one run takes less than 10 s.
        say: receives a line before the work begins.
    """
    reasons = comparison.reasons
    if len(reasons) < 2 or is_wanted is False:
        return ChangeTests(())
    if len(reasons) > MOST_TESTS:
        return ChangeTests((), f"there are more than {MOST_TESTS} of them")
    seconds = _seconds(comparison)
    if not is_wanted and (seconds is None or seconds >= MOST_SECONDS):
        took = "it is not known how long a run takes" if seconds is None else f"one run takes about {seconds:.0f} s"
        return ChangeTests((), f"{took}. Add --test to do it all the same")
    first, second = _RunInputs.of(comparison.first), _RunInputs.of(comparison.second)
    if first is None or second is None:
        return ChangeTests((), "an earlier build made one of the runs, and it does not say where its inputs lie")
    if say is not None:
        say(f"Testing {len(reasons)} changes by themselves ...")
    with tempfile.TemporaryDirectory(prefix="underoak-", ignore_cleanup_errors=True) as folder:
        trials = _Trials(comparison, first, second, Path(folder))
        try:
            return trials.of_all()
        except _UntestableError as error:
            return ChangeTests((), str(error))


def _seconds(comparison: Comparison) -> float | None:
    """Return how long one run takes; None if both went on with the tiles of a stopped one."""
    times = [run.manifest.when for run in (comparison.first, comparison.second)]
    return max((each.seconds for each in times if not each.tiles_kept), default=None)


@dataclass(frozen=True)
class _RunInputs:
    """The plan of a finished run, and the files it read, as they are now."""

    manifest: Manifest
    base: Path  # where the paths of the plan start

    @classmethod
    def of(cls, finished: Any) -> _RunInputs | None:
        relative = finished.manifest.when.plan_folder
        return cls(finished.manifest, Path(os.path.abspath(finished.folder / relative))) if relative else None

    @cached_property
    def parts(self) -> dict[str, Any]:
        """The plan, with lists of named parts as mappings and with absolute paths."""
        parts = copy.deepcopy(named_parts(self.manifest.plan))
        for path in _file_paths(parts, ()):
            _put(parts, path, str(self.base / str(part_at(parts, path))))
        parts["trust"] = dict(parts.get("trust", {}))
        parts["trust"]["roots"] = [str(self.base / root) for root in (".", *parts["trust"].get("roots", ()))]
        return parts

    @cached_property
    def sums(self) -> dict[str, tuple[str, ...]]:
        """The checksums of each input's files, as the run recorded them."""
        return {of: tuple(sorted(record.sha256 for record in records)) for of, records in self._records.items()}

    @cached_property
    def unchanged(self) -> frozenset[str]:
        """The inputs whose files have the recorded content now."""
        return frozenset(of for of, records in self._records.items() if all(map(self._is_unchanged, records)))

    def _is_unchanged(self, record: InputRecord) -> bool:
        return file_state(self.base / record.path, record).state is State.SAME

    @cached_property
    def _records(self) -> dict[str, list[InputRecord]]:
        by_input: dict[str, list[InputRecord]] = {}
        for record in self.manifest.inputs:
            for of in record.of:
                if of != "plan":
                    by_input.setdefault(of, []).append(record)
        return by_input


@dataclass(frozen=True)
class _Trials:
    """A place to judge plans with single changes in."""

    comparison: Comparison
    first: _RunInputs
    second: _RunInputs
    folder: Path

    def of_all(self) -> ChangeTests:
        """Return the test of each change.

        Raises:
            _UntestableError: the software has changed, and the first run's plan cannot be judged with it.
        """
        start: Any = self.comparison.first
        if start.manifest.software != all_software():  # changes are then seen against the first plan, judged anew
            try:
                start = self._judged(Cause(""))
            except _UntestableError as error:
                raise _UntestableError(f"the software has changed since the first run, and {error}") from error
        return ChangeTests(tuple(self._test(cause, start) for cause in self.comparison.reasons))

    def _test(self, cause: Cause, start: Any) -> ChangeTest:
        try:
            judged = self._with_second_software(start) if cause.is_software else self._judged(cause)
        except _UntestableError as error:
            return ChangeTest(cause, None, False, str(error))
        effect = Effect.of(compare(self.comparison.first if cause.is_software else start, judged))
        return ChangeTest(cause, effect, not Effect.of(compare(judged, self.comparison.second)).moves_results)

    def _with_second_software(self, start: Any) -> Any:
        if start is self.comparison.first or self.second.manifest.software != all_software():
            raise _UntestableError("the second run's software is needed, and this is another")
        return start

    def _judged(self, cause: Cause) -> Run:
        """Return a run of the first plan with one change.

        Raises:
            _UntestableError: its files are gone, or no such plan can be judged.
        """
        try:
            plan = load_plan(self._plan(cause), base=self.first.base)
            judged = run(plan, out=self.folder, resume=False, progress=_Silence())
        except UnderoakError as error:
            raise _UntestableError(f"such a plan is refused: {error.faults[0].code}, {error.faults[0].what}") from error
        read: dict[str, list[str]] = {}
        for record in judged.manifest.inputs:
            for of in record.of:
                read.setdefault(of, []).append(record.sha256)
        for of, sums in read.items():
            if tuple(sorted(sums)) != self._recorded(of, cause)[0]:
                raise _UntestableError(f"the file of {short(of)} is not the one that the run recorded")
        return judged

    def _plan(self, cause: Cause) -> dict[str, Any]:
        parts, other = copy.deepcopy(self.first.parts), self.second.parts
        for key in cause.keys:
            for path in _changed_paths(key, parts, other):
                _put(parts, path, part_at(other, path))
        for of in {**self.first.sums, **self.second.sums}:
            place = _file_place(of, parts)
            if place is not None:
                source = self._source(of, cause)
                _put(parts, place, part_at(source.parts, _file_place(of, source.parts) or place))
        parts["trust"]["roots"] = list(dict.fromkeys([*parts["trust"]["roots"], *other["trust"]["roots"]]))
        listed = {name: list(parts[name].values()) for name in ("constraints", "scenarios") if name in parts}
        return parts | listed

    def _recorded(self, of: str, cause: Cause) -> tuple[tuple[str, ...], tuple[_RunInputs, _RunInputs]]:
        """Return the checksums that an input's files must have, and the runs, that which decides first."""
        runs = (
            (self.second, self.first) if of in cause.inputs or of not in self.first.sums else (self.first, self.second)
        )
        return runs[0].sums.get(of, ()), runs

    def _source(self, of: str, cause: Cause) -> _RunInputs:
        """Return the run whose plan names a file with the content that is needed.

        Raises:
            _UntestableError: there is none any more.
        """
        wanted, runs = self._recorded(of, cause)
        for each in runs:
            if each.sums.get(of) == wanted and of in each.unchanged:
                return each
        order = "first" if runs[0] is self.first else "second"
        raise _UntestableError(f"the file of {short(of)} of the {order} run is gone, or has another content")


def _changed_paths(key: str, parts: Mapping[str, Any], other: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """Return where two plans differ by a key.

    Raises:
        _UntestableError: nowhere; what differs is a species profile, or the layers of a scenario.
    """
    if key == "weights":
        shared = [name for name in parts.get("criteria", {}) if name in other.get("criteria", {})]
        return [("weights",), *(("criteria", name, "weight") for name in shared)]
    path = tuple(key.split("."))
    if part_at(parts, path) == part_at(other, path):
        raise _UntestableError("it is not written in the plan itself, but comes with a profile or a scenario")
    return [path]


def _file_place(of: str, parts: Mapping[str, Any]) -> tuple[str, ...] | None:
    """Return where a plan names the file of an input; None if it has no such input.

    >>> _file_place("layers.rain (dry)", {"scenarios": {"dry": {"replace": {"rain": {"file": "rain.tif"}}}}})
    ('scenarios', 'dry', 'replace', 'rain', 'file')
    """
    head, _, scenario = of.partition(" (")
    path = tuple(head.split(".", 3))
    if scenario:
        path = ("scenarios", scenario.rstrip(")").split(", ")[-1], "replace", *path[1:])
    if len(path) > 3 and path[2] == "quantiles":
        levels = part_at(parts, path[:3]) or {}
        path = (*path[:3], next((level for level in levels if float(level) == float(path[3])), ""))
    place = ("region", "area") if of == "region" else (*path, "file")
    return place if isinstance(part_at(parts, place), str) else None


def _file_paths(value: Any, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Yield where a plan names files."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if isinstance(inner, str) and (key == "file" or (*path, key) == ("region", "area")):
                yield (*path, key)
            yield from _file_paths(inner, (*path, key))


def _put(parts: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    """Set a part of a plan, or take it away if the value is None."""
    *inner, last = path
    for key in inner:
        parts = parts.setdefault(key, {})
    if value is None:
        parts.pop(last, None)
    else:
        parts[last] = copy.deepcopy(value)
