"""What a run found, gathered for the people who read it."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from underoak.base.errors import Fault
from underoak.base.grid import Grid
from underoak.layers.source import SourceFacts
from underoak.places.verdicts.rank_order import Order
from underoak.places.verdicts.sensitivity import FirstTwo
from underoak.uncertainty import Coverage


@dataclass(frozen=True, slots=True)
class CriterionWords:
    """One criterion as people read it."""

    name: str
    label: str
    weight: float
    layer: str
    curve: str
    remedy: str  # what can be done about it
    can_change: bool
    source: str
    unit: str = ""
    low: float | None = None  # least and greatest value of full membership; None where the curve is open
    high: float | None = None
    by: str = ""  # the deed that can change it
    remedy_source: str = ""

    @classmethod
    def of(cls, criterion: Any) -> CriterionWords:
        """From a criterion of a plan."""
        low, high = (place if math.isfinite(place) else None for place in criterion.curve.full)
        return cls(
            criterion.name,
            criterion.label,
            criterion.weight,
            criterion.layer,
            criterion.in_words,
            _remedy(criterion),
            criterion.remedy is not None,
            criterion.source,
            criterion.unit,
            low,
            high,
            criterion.remedy.by if criterion.remedy is not None else "",
            criterion.remedy_source,
        )


def _remedy(criterion: Any) -> str:
    remedy = criterion.remedy
    if remedy is None:
        return "cannot be changed"
    limit, unit = criterion.remedy_limit, f" {criterion.unit}" if criterion.unit not in ("", "pH") else ""
    most = f", to {limit:g}{unit} at most" if limit is not None else ""
    if remedy.by == "drainage":
        return "drainage may help where it is too wet"
    return f"{'lime' if remedy.by == 'lime' else 'irrigation'} can raise it{most}; nothing lowers it"


@dataclass(frozen=True)
class Findings:
    """The results of one run. `parcels` and `zones` are tables, best first; None where the plan asks for none."""

    plan: Any
    grid: Grid
    parcels: Any
    zones: Any
    counts: Mapping[str, Any]  # whole-number counts of the engine: classes, missing, excluded, inside
    facts: Mapping[str, SourceFacts]
    units: Mapping[str, str]
    grains: Mapping[str, float]  # layer -> side of a cell that the source truly resolves [m]
    cell_ha: float  # true area of an analysis cell in the middle of the region
    warnings: tuple[Fault, ...]
    made: datetime.datetime
    versions: Mapping[str, str]
    case: str = ""  # which species in which future, where a run has several
    months: Mapping[str, tuple[int, ...]] = field(default_factory=dict)  # layer -> calendar months that were taken
    first_two: FirstTwo | None = None  # what would turn the order of the first two parcels; None: nothing to say
    calibration: Mapping[str, Coverage] = field(default_factory=dict)  # layer -> what tests say of its doubt
    order: Order | None = None  # ranks over weights and data in doubt; None without `uncertainty`
    is_future: bool = False  # whether it is of a scenario
    pairs: Any = None  # truffle and host of every parcel over all species of the present, by id; on the first view

    @property
    def criteria(self) -> tuple[CriterionWords, ...]:
        """The criteria in plan order."""
        return tuple(CriterionWords.of(criterion) for criterion in self.plan.criteria)

    @property
    def class_cells(self) -> dict[int, int]:
        """Cells inside the region by class code."""
        return {int(code): count for code, count in self.counts["classes"].items()}

    @property
    def has_parcels(self) -> bool:
        """True when parcels were judged."""
        return self.parcels is not None and len(self.parcels) > 0
