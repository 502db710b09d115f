"""The plan as it is worked with: what was written, joined with the species profile, weighed and checked."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from underoak.base.errors import Fault, UnderoakError
from underoak.plan.checks.criteria import NotJudged
from underoak.plan.keys.constraints import LayerConstraint, ShapesConstraint
from underoak.plan.keys.curves import CurveSpec
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import (
    ClassesSpec,
    CombineSpec,
    OutputsSpec,
    ParcelsSpec,
    PlanSpec,
    PricesSpec,
    Purpose,
    RegionSpec,
    RemedySpec,
    TrustSpec,
    ZonesSpec,
)
from underoak.plan.keys.scenarios import FuturesSpec
from underoak.plan.keys.uncertainty import MOST_SEED, UncertaintySpec
from underoak.plan.profiles.profile import Host, Profile

if TYPE_CHECKING:
    from underoak.overlay import Curve, Rules
    from underoak.overlay.pairwise import PairwiseResult
    from underoak.uncertainty.draws.weight_draws import WeightDistribution


_METHODS = {
    "direct": "as the plan gives them",
    "ranked": "from the plan's ranking, rank-order centroids (Barron and Barrett 1996, from memory)",
    "pairwise": "from the plan's pairwise ratios",
    "profile": "from the species profile, where the plan does not say otherwise, shared among the criteria in use",
    "equal": "all equal, as nobody said otherwise",
}


@dataclass(frozen=True, slots=True)
class Criterion:
    """One criterion in use."""

    name: str
    label: str  # what people call it
    layer: str
    unit: str  # of the curve; "" when it is the layer's own, whatever that is
    spec: CurveSpec  # the curve as written
    curve: Curve
    weight: float  # the weights of all criteria add up to 1
    remedy: RemedySpec | None
    source: str
    stated_weight: float | None = None  # before they were brought to a sum of 1; None when ranked, pairwise or direct
    is_from_profile: bool = False  # the profile has one of this name
    remedy_source: str = ""  # where the remedy's numbers come from, when it is the profile's

    @property
    def remedy_limit(self) -> float | None:
        """How far the remedy goes, in the curve's unit."""
        return None if self.remedy is None else self.remedy.limit_in(self.unit or "1")

    @property
    def in_words(self) -> str:
        """The curve in one line for people."""
        return self.spec.in_words(self.unit)


PRESENT = "present"  # folder of the present of a single species that has futures


@dataclass(frozen=True, slots=True)
class Case:
    """One species in one future: what one set of result files is about."""

    folder: str  # inside the run folder; "" is the run folder itself
    species: str  # "" where the plan brings all criteria itself
    scenario: str  # "" is the present
    plan: Plan

    @property
    def together(self) -> str:
        """Where lies what tells of all futures of its species: in the species' folder, of a single one in the run's."""
        return "" if self.folder == PRESENT else self.folder

    @property
    def label(self) -> str:
        """What people call it."""
        profile = self.plan.profile
        names = [profile.latin if profile else "", self.scenario]
        return ", ".join(name for name in names if name) or "present"


@dataclass(frozen=True)
class Plan:
    """A plan, checked and complete. Picklable."""

    spec: PlanSpec
    base: Path  # relative file names start here
    path: Path | None  # the file it was read from
    profile: Profile | None
    layers: Mapping[str, LayerSpec]  # with `to` filled in where the profile says the unit
    criteria: tuple[Criterion, ...]  # in plan order: those the plan names, then the rest of the profile's
    not_judged: tuple[NotJudged, ...]
    rules: Rules
    pairwise: PairwiseResult | None = None  # how pairs led to the weights
    warnings: tuple[Fault, ...] = ()
    views: tuple[Case, ...] = ()  # with several species or scenarios: every one of them, this plan's own the first

    @property
    def batch(self) -> tuple[Case, ...]:
        """All that is to be judged: the plan itself, or each of its species in each of its futures."""
        return self.views or (Case("", self.species or "", "", self),)

    @property
    def futures(self) -> FuturesSpec:
        """How futures are counted together."""
        return self.spec.futures

    @property
    def futures_of(self) -> tuple[tuple[Case, tuple[Case, ...]], ...]:
        """The present of each species with its futures, in the order of the scenarios; empty without scenarios."""
        presents = [view for view in self.views if not view.scenario] if self.spec.scenarios else []
        return tuple(
            (now, tuple(view for view in self.views if view.scenario and view.species == now.species))
            for now in presents
        )

    @property
    def future_weights(self) -> tuple[float, ...]:
        """Weights of the scenarios, in their order; they add up to 1. Empty without scenarios."""
        from underoak.uncertainty import scenario_weights

        families = [scenario.family for scenario in self.spec.scenarios]
        return scenario_weights(families, self.futures.weigh) if families else ()

    @property
    def title(self) -> str:
        """What the run is called."""
        return self.spec.title

    @property
    def purpose(self) -> Purpose:
        """What is to be decided."""
        return self.spec.purpose

    @property
    def species(self) -> str | None:
        """Name of the species' profile."""
        return self.spec.species[0] if self.spec.species else None

    @property
    def hosts(self) -> tuple[Host, ...]:
        """The profile's hosts that count."""
        known = self.profile.hosts if self.profile else ()
        return tuple(host for host in known if not self.spec.hosts or host.name in self.spec.hosts)

    @property
    def region(self) -> RegionSpec:
        """The ground, and the grid it is judged on."""
        return self.spec.region

    @property
    def trust(self) -> TrustSpec:
        """What files may draw on, and how large a raster may be."""
        return self.spec.trust

    @property
    def constraints(self) -> tuple[LayerConstraint | ShapesConstraint, ...]:
        """Ground that is excluded outright."""
        return self.spec.constraints

    @property
    def combine(self) -> CombineSpec:
        """How memberships become one suitability, as written; `rules` is what is worked with."""
        return self.spec.combine

    @property
    def classes(self) -> ClassesSpec:
        """Where the classes are cut."""
        return self.spec.classes

    @property
    def uncertainty(self) -> UncertaintySpec | None:
        """How doubtful layers are drawn; None when every layer is taken at its word."""
        return self.spec.uncertainty

    def seeded(self, seed: int) -> Plan:
        """The same plan, drawing from another seed.

        Raises:
            UnderoakError: E304 for a plan without `uncertainty`, or a seed that none can be.
        """
        if self.uncertainty is None:
            what = "a seed is given, and the plan draws nothing"
            raise UnderoakError(Fault("E304", what, "--seed", "give the plan `uncertainty`, or leave the seed out"))
        if not 0 <= seed <= MOST_SEED:
            fix = f"give a whole number from 0 to {MOST_SEED}"
            raise UnderoakError(Fault("E304", f"{seed} is no seed", "--seed", fix))
        spec = self.spec.model_copy(update={"uncertainty": self.uncertainty.model_copy(update={"seed": seed})})
        views = tuple(replace(view, plan=view.plan.seeded(seed)) for view in self.views)
        return replace(self, spec=spec, views=views)

    @property
    def parcels(self) -> ParcelsSpec | None:
        """The parcels to judge."""
        return self.spec.parcels

    @property
    def zones(self) -> ZonesSpec | None:
        """Zones of connected suitable ground."""
        return self.spec.zones

    @property
    def prices(self) -> PricesSpec:
        """What remedies cost."""
        return self.spec.prices

    @property
    def outputs(self) -> OutputsSpec:
        """What is written, and where."""
        return self.spec.outputs

    @property
    def weights(self) -> tuple[float, ...]:
        """Weights of the criteria, in their order; they add up to 1."""
        return tuple(criterion.weight for criterion in self.criteria)

    @property
    def weight_spread(self) -> WeightDistribution:
        """How far the weights are in doubt. With `order_weights` they are equal, and in none."""
        from underoak.plan.checks.weights import weight_spread
        from underoak.uncertainty.draws.weight_draws import WeightDistribution

        if self.rules.order_weights is not None:
            return WeightDistribution.fixed(self.weights)
        return weight_spread(self.spec, [c.name for c in self.criteria], self.weights)

    @property
    def weighting(self) -> dict[str, Any]:
        """How the weights were found, for the manifest."""
        found: dict[str, Any] = {"method": self._method, "weights": {c.name: c.weight for c in self.criteria}}
        if self.pairwise is not None:
            found |= {
                "solved_by": self.pairwise.method,
                "table": self.pairwise.table,
                "consistency_ratio": self.pairwise.consistency_ratio,
                "rms_log_residual": self.pairwise.rms_residual,
                "worst": self.pairwise.worst,
            }
        return found

    @property
    def weighting_words(self) -> str:
        """How the weights were found, in one sentence without its full stop."""
        words = _METHODS[self._method]
        if self.pairwise is None:
            return words
        if self.pairwise.consistency_ratio is not None:
            return f"{words} ({self.pairwise.method}; consistency ratio {self.pairwise.inconsistency:.3f})"
        off = f"the pairs miss each other by {self.pairwise.inconsistency * 100:.0f} % in the root mean square"
        return f"{words} ({self.pairwise.method}; {off})"

    @property
    def _method(self) -> str:
        weights = self.spec.weights
        if weights is not None:
            return next(kind for kind in ("direct", "ranked", "pairwise") if getattr(weights, kind) is not None)
        if all(criterion.stated_weight is None for criterion in self.criteria):
            return "equal"
        return "direct" if self.profile is None else "profile"

    def origins(self, layer: str) -> tuple[str, ...]:
        """The layers whose files a layer comes from, in the order its indicator takes them."""
        spec = self.layers[layer]
        return (layer,) if spec.file is not None else tuple(spec.origins.values())

    def files_of(self, layer: str) -> str:
        """The files a layer comes from, as written, for a sentence."""
        return ", ".join(dict.fromkeys(str(self.layers[origin].file) for origin in self.origins(layer)))

    def sources_of(self, layer: str) -> str:
        """What the plan says of where a layer's data come from; "" when nothing."""
        said = (self.layers[origin].source for origin in self.origins(layer))
        return "; ".join(dict.fromkeys(source for source in said if source))

    def file(self, written: str) -> Path:
        """The path of a file the plan names. Whether it may be read is for `trust` to say."""
        return self.base / written

    def canonical(self) -> dict[str, Any]:
        """The plan as plain values, every default and every number of the profile written out; paths as written.

        Loading it gives the same plan; a profile whose numbers change gives another canonical form. With several
        species or scenarios the criteria stay as written: one list cannot hold what each profile brings.
        """
        if self.views:
            spec: dict[str, Any] = self.spec.model_dump(mode="json", by_alias=True, exclude_none=True)
            return json.loads(json.dumps(spec, allow_nan=False))  # type: ignore[no-any-return]
        dump: dict[str, Any] = self.spec.model_dump(mode="json", by_alias=True, exclude_none=True)
        dump["layers"] = {
            name: layer.model_dump(mode="json", by_alias=True, exclude_none=True) for name, layer in self.layers.items()
        }
        off = {name: "off" for name, given in self.spec.criteria.items() if given is None or given == "off"}
        dump["criteria"] = {criterion.name: _written(criterion) for criterion in self.criteria} | off
        plain: dict[str, Any] = json.loads(json.dumps(dump, allow_nan=False))  # number keys become text, as in JSON
        return plain

    @cached_property
    def hash(self) -> str:
        """SHA-256 of the canonical form as JSON, and of those of all views."""
        forms = [self.canonical(), *(view.plan.canonical() for view in self.views)]
        content = forms if self.views else forms[0]
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


def _written(criterion: Criterion) -> dict[str, Any]:
    remedy = criterion.remedy
    written: dict[str, Any] = {
        "layer": criterion.layer,
        "curve": criterion.spec.model_dump(mode="json", exclude_none=True),
        "weight": criterion.stated_weight,
        "remedy": "none" if remedy is None else remedy.model_dump(mode="json", exclude_none=True),
        "source": criterion.source,
    }
    return {key: value for key, value in written.items() if value is not None}
