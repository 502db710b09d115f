"""Counts of cells from tiles, for the whole grid and for each case."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import astuple, dataclass, field
from typing import Any, TypeVar

from underoak.base.codes import S1, S2, S3, N
from underoak.plan.case import Case

K = TypeVar("K", int, str)
CLASS_CODES = (S1, S2, S3, N)  # of judged cells


@dataclass
class CaseCounts:
    """A set of counts of one case. Layers, criteria and constraints go by their names."""

    inside: int = 0  # cells inside the region
    classes: dict[int, int] = field(default_factory=dict)  # class code -> cells inside the region
    limiting: dict[str, int] = field(default_factory=dict)  # criterion, or "nothing limits" -> judged cells
    excluded: dict[str, int] = field(default_factory=dict)  # constraint -> cells inside the region
    missing: dict[str, int] = field(default_factory=dict)  # layer -> cells inside the region without a value
    drawn: dict[str, int] = field(default_factory=dict)  # uncertain layer -> source cells that were drawn
    crossing: dict[str, int] = field(default_factory=dict)  # uncertain layer -> those whose quantiles cross
    constant: dict[str, float | None] = field(default_factory=dict)  # criterion -> membership of all judged cells

    @property
    def judged(self) -> int:
        """Cells that have a class."""
        return sum(self.classes.get(code, 0) for code in CLASS_CODES)

    def add(self, other: CaseCounts) -> None:
        """Add the counts of another block or tile."""
        self.inside += other.inside
        _add(self.classes, other.classes)
        for total, more in zip(self._by_name(), other._by_name(), strict=True):
            _add(total, more)
        for name, value in other.constant.items():  # None: it differs between cells
            self.constant[name] = value if self.constant.get(name, value) == value else None

    def in_order(self) -> CaseCounts:
        """Return the same counts, each table in the order of its keys: tiles may come in any order."""
        counts = CaseCounts(self.inside, dict(sorted(self.classes.items())))
        for total, more in zip(counts._by_name(), self._by_name(), strict=True):
            total.update(sorted(more.items()))
        counts.constant.update(sorted(self.constant.items()))
        return counts

    def _by_name(self) -> tuple[dict[str, int], ...]:
        return self.limiting, self.excluded, self.missing, self.drawn, self.crossing

    def as_json(self) -> dict[str, Any]:
        """Return plain values; `from_json` reads them."""
        names = ("limiting", "excluded", "missing", "drawn", "crossing")
        classes = {str(code): count for code, count in self.classes.items()}
        counts = dict(zip(names, self._by_name(), strict=True))
        return {"inside": self.inside, "classes": classes, "constant": self.constant} | counts

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> CaseCounts:
        """Return the counts that `as_json` wrote."""
        return cls(**(dict(content) | {"classes": {int(code): n for code, n in content["classes"].items()}}))


@dataclass
class TileCounts:
    """A set of counts of tiles: whole numbers, so that the order of adding them changes nothing."""

    inside: int = 0  # cells inside the region
    implausible: dict[str, int] = field(default_factory=dict)  # layer of the stack -> source cells dropped
    read: dict[str, int] = field(default_factory=dict)  # layer of the stack -> source cells read
    missing: dict[str, int] = field(default_factory=dict)  # layer of the stack -> cells in the region without a value
    cases: dict[Case, CaseCounts] = field(default_factory=dict)

    def of(self, case: Case) -> CaseCounts:
        """Return the counts of one case, to be added to."""
        return self.cases.setdefault(case, CaseCounts())

    def add(self, other: TileCounts) -> None:
        """Add the counts of another block or tile."""
        self.inside += other.inside
        _add(self.implausible, other.implausible)
        _add(self.read, other.read)
        _add(self.missing, other.missing)
        for case, counts in other.cases.items():
            self.of(case).add(counts)

    def as_json(self) -> dict[str, Any]:
        """Return plain values; `from_json` reads them."""
        cases = [[astuple(case), counts.as_json()] for case, counts in self.cases.items()]
        by_layer = {"implausible": self.implausible, "read": self.read, "missing": self.missing}
        return {"inside": self.inside, **by_layer, "cases": cases}

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> TileCounts:
        """Return the counts that `as_json` wrote."""
        cases = {Case(*case): CaseCounts.from_json(counts) for case, counts in content["cases"]}
        return cls(content["inside"], content["implausible"], content["read"], content["missing"], cases)


def _add(total: dict[K, int], more: Mapping[K, int]) -> None:
    for key, count in more.items():
        total[key] = total.get(key, 0) + count
