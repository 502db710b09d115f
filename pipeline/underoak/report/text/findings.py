"""The results of a run, gathered for the report."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from underoak.base.errors import Fault
from underoak.base.grid import Grid
from underoak.decision.deal.ledger import Ledger
from underoak.engine.judge.counts import CaseCounts
from underoak.engine.storage.manifest import CriterionWords, UncertaintyRecord
from underoak.engine.storage.records.year_records import WaterHeld, YearsRecord
from underoak.layers.source import SourceFacts
from underoak.places.answers.limits import Change
from underoak.places.answers.verdict import Purpose
from underoak.places.soil.soil_units import soil_criteria
from underoak.places.verdicts.rank_order import Order
from underoak.places.verdicts.sensitivity import FirstTwo
from underoak.plan.case import Case
from underoak.plan.keys.decision.rules import RuleSpec
from underoak.plan.plan import Plan
from underoak.report.text.criterion_words import CHANGES
from underoak.uncertainty import Coverage
from underoak.uncertainty.outcomes.shared_failure import SharedFailure

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from underoak.plan.plan import Criterion


def rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table of parcels or zones, by column."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def criterion_words(criterion: Criterion, is_soil: bool, is_wild: bool = False) -> CriterionWords:
    """Describe a criterion of a plan; `is_soil` says whether it describes the soil.

    On wild ground (`is_wild`) no remedy is offered.
    """
    low, high = (end if math.isfinite(end) else None for end in criterion.curve.full)
    return CriterionWords(
        criterion.name,
        criterion.label,
        criterion.weight,
        criterion.layer,
        criterion.in_words,
        CHANGES[Change.WILD] if is_wild and criterion.remedy is not None else _remedy(criterion),
        criterion.remedy is not None and not is_wild,
        criterion.source,
        criterion.unit,
        low,
        high,
        criterion.remedy.by if criterion.remedy is not None else "",
        "" if is_wild else criterion.remedy_source,
        is_soil=is_soil,
        is_essential=criterion.is_essential,
        essential_source=criterion.essential_source,
        grade=criterion.grade,
    )


def _remedy(criterion: Criterion) -> str:
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
    """The results of one case. `parcels` and `zones` are tables, best first; None where the plan has none."""

    plan: Plan  # of this case
    grid: Grid
    parcels: pd.DataFrame | None
    zones: gpd.GeoDataFrame | None
    counts: CaseCounts  # of cells; layers by the plan's names
    facts: Mapping[str, SourceFacts]
    units: Mapping[str, str]
    grains: Mapping[str, float]  # layer -> true resolution of its source [m]
    cell_ha: float  # true area of an analysis cell in the middle of the region
    warnings: tuple[Fault, ...]
    started: datetime.datetime
    versions: Mapping[str, str]
    months: Mapping[str, tuple[int, ...]] = field(default_factory=dict)  # layer -> calendar months that were used
    first_two: FirstTwo | None = None  # the weight change that would reverse them; None: nothing to say
    calibration: Mapping[str, Coverage] = field(default_factory=dict)  # layer -> how tests fit its stated uncertainty
    shared: SharedFailure | None = None  # of the parcels with a yes
    order: Order | None = None  # ranks over draws of weights and data; None without `uncertainty`
    uncertainty: UncertaintyRecord | None = None  # how layers were drawn; None without draws
    years: YearsRecord | None = None  # what single years brought; None without `years`, and in scenarios
    water_held: tuple[WaterHeld, ...] = ()  # sources of water held against them
    rules: tuple[RuleSpec, ...] = ()  # of the user's own
    deal: Ledger | None = None  # of all parcels; None where the plan asks for none
    pairs: pd.DataFrame | None = None  # best pairs over all species of the present, by id; on the first case

    @property
    def case(self) -> Case:
        """The species and scenario of these results."""
        return self.plan.case

    @property
    def criteria(self) -> tuple[CriterionWords, ...]:
        """The criteria in plan order."""
        soil, is_wild = set(soil_criteria(self.plan, self.units)), self.plan.purpose == Purpose.RESTORE.value
        return tuple(criterion_words(c, i in soil, is_wild) for i, c in enumerate(self.plan.criteria))

    @property
    def ranked(self) -> pd.DataFrame:
        """The table of parcels, best first; only where the plan has parcels."""
        assert self.parcels is not None
        return self.parcels

    def rows(self, most: int) -> list[dict[str, Any]]:
        """Return the rows of the first parcels, by column; [] without parcels."""
        return [] if self.parcels is None else rows_of(self.parcels.head(most))

    @property
    def has_parcels(self) -> bool:
        """True when parcels were judged."""
        return self.parcels is not None and len(self.parcels) > 0
