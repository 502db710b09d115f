"""The plan: checked, merged with its species profile, with weights resolved; frozen."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NotRequired, TypedDict

from underoak.base.errors import Fault, UnderoakError
from underoak.plan.case import SINGLE, Case
from underoak.plan.checks.assumed_errors import AssumedError, LayerErrors
from underoak.plan.checks.criteria import NotJudged
from underoak.plan.keys.constraints import LayerConstraint, ShapesConstraint
from underoak.plan.keys.criteria import RemedySpec
from underoak.plan.keys.curves import CurveSpec
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.overlay import ClassesSpec, CombineSpec
from underoak.plan.keys.places import ParcelsSpec, ZonesSpec
from underoak.plan.keys.plan_keys import OutputsSpec, PlanSpec, Purpose
from underoak.plan.keys.region import RegionSpec, TrustSpec
from underoak.plan.keys.scenarios import ScenarioSummarySpec
from underoak.plan.keys.uncertainty import MAX_SEED, UncertaintySpec
from underoak.plan.keys.verdict import PricesSpec
from underoak.plan.profiles.looked_at import LookedAt, looked_at
from underoak.plan.profiles.practice import DEFAULT_LIME_RULE, LimeRule
from underoak.plan.profiles.profile import DEFAULT_MOST_LIME, Host, Profile

if TYPE_CHECKING:
    from underoak.overlay import Curve, Rules
    from underoak.overlay.pairwise import PairwiseResult
    from underoak.uncertainty.draws.weight_draws import WeightDistribution


_METHODS = {
    "direct": "as given in the plan",
    "ranked": "from the plan's ranking, rank-order centroids (Barron and Barrett 1996, from memory)",
    "pairwise": "from the plan's pairwise ratios",
    "profile": "from the species profile, unless the plan gives others, divided by their sum over the criteria in use",
    "equal": "all equal, because none are given",
}


class Weighting(TypedDict):
    """The weights and how they were resolved, for the manifest."""

    method: str
    weights: dict[str, float]
    solved_by: NotRequired[str]
    table: NotRequired[str | None]
    consistency_ratio: NotRequired[float | None]
    rms_log_residual: NotRequired[float]
    worst: NotRequired[str]


@dataclass(frozen=True, slots=True)
class Criterion:
    """A criterion in use."""

    name: str
    label: str  # name for people
    layer: str
    unit: str  # of the curve; "" if it is that of the layer, which the file decides
    spec: CurveSpec  # the curve as in the plan or profile
    curve: Curve
    weight: float  # normalised: the weights of all criteria add up to 1
    remedy: RemedySpec | None
    source: str
    stated_weight: float | None = None  # before normalisation; None if ranked, pairwise or under `weights: direct`
    is_from_profile: bool = False  # the profile has a criterion of this name
    remedy_source: str = ""  # citation of the remedy's numbers, if it is the profile's
    is_soil: bool | None = None  # whether it describes the soil, as the profile declares it; None without that
    is_essential: bool = False  # no class is above this criterion's own
    essential_source: str = ""  # citation for that
    grade: str = ""  # of the curve's numbers, A to C; "" where they are the plan's own

    @property
    def remedy_limit(self) -> float | None:
        """Highest value that the remedy can reach, in the curve's unit."""
        return None if self.remedy is None else self.remedy.limit_in(self.unit or "1")

    @property
    def in_words(self) -> str:
        """The curve in one line."""
        return self.spec.in_words(self.unit)


@dataclass(frozen=True)
class Plan:
    """A plan, checked and complete. Picklable."""

    spec: PlanSpec
    base: Path  # relative file names start here
    path: Path | None  # the file it was read from
    profile: Profile | None
    layers: Mapping[str, LayerSpec]  # with `to` set where the profile decides the unit, and `sd` where it is assumed
    criteria: tuple[Criterion, ...]  # those the plan names, in its order, then those of the profile
    not_judged: tuple[NotJudged, ...]  # criteria of the profile that are not in use, essential ones first
    rules: Rules
    pairwise: PairwiseResult | None = None  # if the weights are pairwise
    warnings: tuple[Fault, ...] = ()
    case: Case = SINGLE  # of a plan with several cases, the run as one
    case_plans: tuple[Plan, ...] = ()  # with several species or scenarios, the plan of each case
    errors: LayerErrors = field(default_factory=lambda: LayerErrors({}))  # which errors of layers are assumed

    @property
    def cases(self) -> tuple[Plan, ...]:
        """The plan of each case, the present of the first species first; of a plan of one case, itself."""
        return self.case_plans or (self,)

    @property
    def scenario_summary(self) -> ScenarioSummarySpec:
        """How scenarios are summarised."""
        return self.spec.futures

    @property
    def scenarios_of(self) -> tuple[tuple[Plan, tuple[Plan, ...]], ...]:
        """The present of each species with its scenarios, in their order; empty without scenarios."""
        presents = [plan for plan in self.case_plans if plan.case.is_present] if self.spec.scenarios else []
        scenarios = [plan for plan in self.case_plans if not plan.case.is_present]
        return tuple(
            (present, tuple(plan for plan in scenarios if plan.case.species == present.case.species))
            for present in presents
        )

    @property
    def scenario_weights(self) -> tuple[float, ...]:
        """Weights of the scenarios, in plan order, with sum 1; empty without scenarios."""
        from underoak.uncertainty import scenario_weights

        families = [scenario.family for scenario in self.spec.scenarios]
        return scenario_weights(families, self.scenario_summary.weigh) if families else ()

    def without_scenarios(self, names: frozenset[str]) -> Plan:
        """Return the plan without some of its scenarios; folders of the other cases stay as they are."""
        if not names:
            return self
        scenarios = tuple(scenario for scenario in self.spec.scenarios if scenario.name not in names)
        spec = self.spec.model_copy(update={"scenarios": scenarios})
        case_plans = tuple(plan for plan in self.case_plans if plan.case.scenario not in names)
        return replace(self, spec=spec, case_plans=case_plans)

    @property
    def title(self) -> str:
        """Title of the results."""
        return self.spec.title

    @property
    def purpose(self) -> Purpose:
        """The decision that the plan is for."""
        return self.spec.purpose

    @property
    def species(self) -> str | None:
        """Name of the species profile; None without one."""
        return self.spec.species[0] if self.spec.species else None

    @property
    def looked_at(self) -> LookedAt | None:
        """The part of the profile that is judged; None without a profile."""
        of_profile = [criterion for criterion in self.criteria if criterion.is_from_profile]
        essential = [criterion.name for criterion in of_profile if criterion.is_essential]
        return looked_at(self.profile, (c.name for c in of_profile if c.weight > 0.0), essential)

    @property
    def most_lime_t_ha(self) -> float:
        """The most lime that a potential counts [t/ha]: the profile's, else 40."""
        most = self.profile.most_lime if self.profile is not None else None
        return (DEFAULT_MOST_LIME if most is None else most).t_ha

    @property
    def lime_rule(self) -> LimeRule:
        """How much lime raises pH: the profile's rule, else the shipped one."""
        rule = self.profile.practice.lime if self.profile is not None else None
        return DEFAULT_LIME_RULE if rule is None else rule

    @property
    def hosts(self) -> tuple[Host, ...]:
        """The hosts of the profile that the plan considers."""
        hosts = self.profile.hosts if self.profile else ()
        return tuple(host for host in hosts if not self.spec.hosts or host.name in self.spec.hosts)

    @property
    def region(self) -> RegionSpec:
        """Region and analysis grid."""
        return self.spec.region

    @property
    def trust(self) -> TrustSpec:
        """Folders that files may refer to, and the largest raster."""
        return self.spec.trust

    @property
    def constraints(self) -> tuple[LayerConstraint | ShapesConstraint, ...]:
        """Rules that exclude cells."""
        return self.spec.constraints

    @property
    def combine(self) -> CombineSpec:
        """Combination rule as in the plan; `rules` has it resolved."""
        return self.spec.combine

    @property
    def classes(self) -> ClassesSpec:
        """Lowest suitability of each class."""
        return self.spec.classes

    @property
    def uncertainty(self) -> UncertaintySpec | None:
        """How uncertain layers are drawn; None if every layer is treated as exact."""
        return self.spec.uncertainty

    def with_seed(self, seed: int) -> Plan:
        """Return the plan with another random seed.

        Raises:
            UnderoakError: E304 for a plan without `uncertainty`, or a seed out of range.
        """
        if self.uncertainty is None:
            what = "the plan has no `uncertainty`, so there is nothing to draw"
            raise UnderoakError(Fault("E304", what, "--seed", "remove --seed, or add `uncertainty` to the plan"))
        if not 0 <= seed <= MAX_SEED:
            fix = f"give a whole number from 0 to {MAX_SEED}"
            raise UnderoakError(Fault("E304", f"the seed {seed} is out of range", "--seed", fix))
        spec = self.spec.model_copy(update={"uncertainty": self.uncertainty.model_copy(update={"seed": seed})})
        case_plans = tuple(plan.with_seed(seed) for plan in self.case_plans)
        return replace(self, spec=spec, case_plans=case_plans)

    @property
    def assumed_errors(self) -> Mapping[str, AssumedError]:
        """The published errors that are assumed, by layer, because the plan states none."""
        return self.errors.assumed

    @property
    def unknown_errors(self) -> Mapping[str, str]:
        """The judged layers with weight that have no error, with the reason; empty in a plan without draws.

        No test may be called useless, and no answer certain, as far as it rests on such a layer. Those of
        `switched_off_errors` are among them.
        """
        weighing = {criterion.layer for criterion in self.criteria if criterion.weight > 0.0}
        return {name: reason for name, reason in self.errors.unknown.items() if name in weighing}

    @property
    def switched_off_errors(self) -> tuple[str, ...]:
        """The judged layers with weight whose published error is not assumed, because the plan says `assume: none`."""
        return tuple(layer for layer in self.unknown_errors if layer in self.errors.switched_off)

    @property
    def is_doubt_switched_off(self) -> bool:
        """True if no yes may be given: `assume: none` leaves out a published error, or no judged layer has an error."""
        if self.uncertainty is None:
            return False
        weighing = [criterion.layer for criterion in self.criteria if criterion.weight > 0.0]
        has_error = any(self.layers[layer].has_uncertainty for layer in weighing)
        return not has_error or bool(self.switched_off_errors)

    @property
    def parcels(self) -> ParcelsSpec | None:
        """The parcels to judge."""
        return self.spec.parcels

    @property
    def zones(self) -> ZonesSpec | None:
        """How zones of connected suitable land are formed."""
        return self.spec.zones

    @property
    def prices(self) -> PricesSpec:
        """Prices of remedies, tests and land."""
        return self.spec.prices

    @property
    def outputs(self) -> OutputsSpec:
        """Results folder and form of its rasters."""
        return self.spec.outputs

    @property
    def weights(self) -> tuple[float, ...]:
        """Weights of the criteria, in their order, with sum 1."""
        return tuple(criterion.weight for criterion in self.criteria)

    @property
    def weight_spread(self) -> WeightDistribution:
        """Distribution of the weights; fixed with `order_weights`."""
        from underoak.plan.checks.weights import weight_spread
        from underoak.uncertainty.draws.weight_draws import WeightDistribution

        if self.rules.order_weights is not None:
            return WeightDistribution.fixed(self.weights)
        return weight_spread(self.spec, [c.name for c in self.criteria], self.weights)

    @property
    def weighting(self) -> Weighting:
        """How the weights were resolved, for the manifest."""
        weighting: Weighting = {"method": self._method, "weights": {c.name: c.weight for c in self.criteria}}
        if self.pairwise is not None:
            weighting |= {
                "solved_by": self.pairwise.method,
                "table": self.pairwise.table,
                "consistency_ratio": self.pairwise.consistency_ratio,
                "rms_log_residual": self.pairwise.rms_residual,
                "worst": self.pairwise.worst,
            }
        return weighting

    @property
    def weighting_words(self) -> str:
        """How the weights were resolved, as a sentence without its full stop."""
        words = _METHODS[self._method]
        if self.pairwise is None:
            return words
        if self.pairwise.consistency_ratio is not None:
            return f"{words} ({self.pairwise.method}; consistency ratio {self.pairwise.inconsistency:.3f})"
        percent = f"{self.pairwise.inconsistency * 100:.0f} %"
        how = f"the pairwise ratios are inconsistent by {percent} on average (exp of the RMS log residual, minus 1)"
        return f"{words} ({self.pairwise.method}; {how})"

    @property
    def _method(self) -> str:
        weights = self.spec.weights
        if weights is not None:
            return next(kind for kind in ("direct", "ranked", "pairwise") if getattr(weights, kind) is not None)
        if all(criterion.stated_weight is None for criterion in self.criteria):
            return "equal"
        return "direct" if self.profile is None else "profile"

    def origins(self, layer: str) -> tuple[str, ...]:
        """Return the layers with the files of a layer, in the order of its indicator's inputs."""
        spec = self.layers[layer]
        return (layer,) if spec.file is not None else tuple(spec.origins.values())

    def files_of(self, layer: str) -> str:
        """Return the files of a layer as in the plan, separated by commas."""
        return ", ".join(dict.fromkeys(str(self.layers[origin].file) for origin in self.origins(layer)))

    def sources_of(self, layer: str) -> str:
        """Return the citations of a layer's data, separated by semicolons; "" if there are none."""
        sources = (self.layers[origin].source for origin in self.origins(layer))
        return "; ".join(dict.fromkeys(source for source in sources if source))

    def file(self, name: str) -> Path:
        """Return the path of a file that the plan names. `trust` decides whether it may be read."""
        return self.base / name

    def canonical(self) -> dict[str, Any]:
        """Return the plan as plain values, with all defaults and all numbers of the profile; paths as in the plan.

        Loading it gives the same plan. If a number of the profile changes, the canonical form changes. With several
        species or scenarios, the criteria stay as in the plan: each profile has others.
        """
        dump = self.spec.model_dump(mode="json", by_alias=True, exclude_none=True)
        if not self.case_plans:
            dump["layers"] = {
                name: layer.model_dump(mode="json", by_alias=True, exclude_none=True)
                for name, layer in self.layers.items()
            }
            off = {name: "off" for name, entry in self.spec.criteria.items() if entry is None or entry == "off"}
            dump["criteria"] = {criterion.name: _plain_criterion(criterion) for criterion in self.criteria} | off
        plain: dict[str, Any] = json.loads(json.dumps(dump, allow_nan=False))  # number keys become text, as in JSON
        return plain

    @cached_property
    def hash(self) -> str:
        """SHA-256 of the canonical form as JSON, and of those of all views."""
        forms = [self.canonical(), *(plan.canonical() for plan in self.case_plans)]
        content = forms if self.case_plans else forms[0]
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


def _plain_criterion(criterion: Criterion) -> dict[str, object]:
    remedy = criterion.remedy
    values: dict[str, object] = {
        "layer": criterion.layer,
        "curve": criterion.spec.model_dump(mode="json", exclude_none=True),
        "weight": criterion.stated_weight,
        "remedy": "none" if remedy is None else remedy.model_dump(mode="json", exclude_none=True),
        "source": criterion.source,
    }
    if criterion.essential_source:  # essential, or not so against the profile
        values |= {"essential": criterion.is_essential, "essential_source": criterion.essential_source}
    return {key: value for key, value in values.items() if value is not None}
