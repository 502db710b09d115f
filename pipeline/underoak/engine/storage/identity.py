"""The identity of a run: all that its bytes depend on. Only a run of the same identity reuses finished tiles."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

from underoak.base.errors import Fault, Problems
from underoak.base.grid import Grid
from underoak.engine.write.checksums import software
from underoak.engine.write.outputs import Output
from underoak.plan.plan import Plan
from underoak.plan.shipped import shipped

_MOST_CHANGES = 5  # of a plan, listed one by one


@dataclass(frozen=True)
class Identity:
    """Plan, grid, inputs, rasters and software of a run, as plain values."""

    facts: Mapping[str, Any]

    @classmethod
    def of(cls, plan: Plan, grid: Grid, inputs: Mapping[str, str], outputs: Sequence[Output]) -> Identity:
        """Return the identity of a run; `inputs` maps each file it reads, except the plan, to its SHA-256."""
        plans = {"": plan.canonical()} | {each.case.folder: each.canonical() for each in plan.case_plans}
        return cls(
            {
                "plan": plans,
                "plan_sha256": plan.hash,
                "grid": {"crs": grid.crs, "transform": list(grid.transform), "rows": grid.rows, "cols": grid.cols},
                "inputs": dict(inputs),
                "rasters": {o.layout.name: repr((o.layout.options, o.layout.bands, o.averaged)) for o in outputs},
                "software": all_software(),
            }
        )

    @cached_property
    def digest(self) -> str:
        """The SHA-256 of all facts."""
        text = json.dumps(self.facts, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


def changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[Fault]:
    """Return an E602 for each fact that has changed since the tiles were saved."""
    problems = Problems()
    fix = "undo the change, or delete the tiles of the stopped run with --fresh"
    plan = [
        f"{path} was {_short(old)}, is {_short(new)}" for path, old, new in _differing(before["plan"], now["plan"], ())
    ]
    if len(plan) > _MOST_CHANGES:
        plan[_MOST_CHANGES:] = [f"{len(plan) - _MOST_CHANGES} more changes"]
    if not plan and before["plan_sha256"] != now["plan_sha256"]:
        plan = ["a species profile was changed"]
    for what in plan:
        problems.add("E602", f"changed since the run was stopped: {what}", "plan", fix)
    for path, old, new in _differing(before["inputs"], now["inputs"], ()):
        what = "another file" if old and new else "not read any more" if old else "not read then"
        problems.add("E602", f"changed since the run was stopped: {what}", path, fix)
    for name in ("software", "grid", "rasters"):
        for path, old, new in _differing(before[name], now[name], ()):
            message = f"{path} was {_short(old)}, is {_short(new)}"
            problems.add("E602", f"changed since the run was stopped: {message}", name, fix)
    return problems.faults


def _differing(old: Any, new: Any, path: tuple[str, ...]) -> Iterator[tuple[str, Any, Any]]:
    """Yield each difference of two trees: path, old value, new value; None for a value that is missing."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in [*old, *(key for key in new if key not in old)]:
            yield from _differing(old.get(key), new.get(key), (*path, key))
    elif old != new:
        yield ".".join(key for key in path if key), old, new


def _short(value: Any) -> str:
    text = "not there" if value is None else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else text[:57] + "..."


def all_software() -> dict[str, str]:
    """Return the versions of all software that can change a result, and a checksum of the package's own files."""
    return software() | {"underoak's own files": own_files()}


@cache
def own_files() -> str:
    """Return a checksum of the package's sources and native ranges: in a checkout they change without the version."""
    folder = Path(__file__).parents[2]
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    for path in sorted(shipped("configs", "ranges").glob("*.geojson")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]
