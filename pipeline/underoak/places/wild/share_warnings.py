"""Warnings of a share of S1 that a region is unlikely to have."""

from __future__ import annotations

from collections.abc import Mapping

from underoak.base.errors import Fault
from underoak.engine.prepare.prepare import Prepared
from underoak.places.answers.native import NativeState
from underoak.places.wild.native_rules import range_of, region_shape
from underoak.plan.plan import Plan

# Black truffle in its native provinces: 0.5 to 10 % with all factors, 10 to 35 % with climate and rock alone; common
# practice, no source.
MOST = 0.40
FEWEST_CELLS = 1000  # a smaller region may be one good farm, or one bad one
_NAMED = 3


def unusual_share(plan: Plan, classes: Mapping[int, int], prepared: Prepared) -> list[Fault]:
    """Return W434 when more than 40 % of the judged land is S1, or none of it in a region that is mostly native.

    `classes` counts cells by class code. Plans without a species and regions with fewer than a thousand judged cells
    get no warning. The limits are common practice, no source.
    """
    judged = sum(classes.get(code, 0) for code in (1, 2, 3, 4))
    if plan.profile is None or judged < FEWEST_CELLS:
        return []
    share, latin = classes.get(1, 0) / judged, plan.profile.latin
    if share > MOST:
        what = f"{share * 100:.0f} % of the judged land is S1 for {latin}, which is unusually much"
        return [Fault("W434", what, "criteria", _common_fix(plan))]
    if share == 0.0 and range_of(plan, prepared).shares(region_shape(plan, prepared))[NativeState.NATIVE] > 0.5:
        what = f"no judged land is S1 for {latin}, although most of the region lies in its native range"
        fix = "check units, and curve and layer of the limiting factor"
        return [Fault("W434", what, "criteria", fix)]
    return []


def _common_fix(plan: Plan) -> str:
    assert plan.profile is not None
    weights = {name: criterion.weight for name, criterion in plan.profile.criteria.items()}
    idle = sorted((item for item in plan.not_judged if weights[item.name] > 0), key=lambda item: -weights[item.name])
    if idle:
        labels = ", ".join(item.label for item in idle[:_NAMED])
        return f"add layers for what was not looked at ({labels}), or read S1 as: no layer speaks against it"
    return "check units, and whether `combine` lets strong criteria compensate too much"
