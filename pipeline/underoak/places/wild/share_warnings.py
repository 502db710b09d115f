"""Whether the share of S1 is one that a region is likely to have, or tells that something is off."""

from __future__ import annotations

from collections.abc import Mapping

from underoak.base.errors import Fault
from underoak.engine.prepare.prepare import Prepared
from underoak.places.wild.native_range import NATIVE
from underoak.places.wild.native_rules import range_of, region_shape
from underoak.plan.plan import Plan

# Black truffle in its native provinces: 0.5 to 10 % with all factors, 10 to 35 % with climate and rock alone; common
# practice, no source.
MOST = 0.40
FEWEST_CELLS = 1000  # what is smaller may be one good farm, or one bad one
_NAMED = 3


def unusual_share(plan: Plan, classes: Mapping[str, int], prepared: Prepared) -> list[Fault]:
    """W434 when more than 40 % of the judged ground is S1, or none of it in a region most of which is native ground.

    `classes` counts cells by class code. Nothing is said of plans without a species, and of regions with fewer than a
    thousand judged cells. The limits are common practice, no source.
    """
    judged = sum(classes.get(str(code), 0) for code in (1, 2, 3, 4))
    if plan.profile is None or judged < FEWEST_CELLS:
        return []
    share, latin = classes.get("1", 0) / judged, plan.profile.latin
    if share > MOST:
        what = f"{share * 100:.0f} % of the judged ground is S1 for {latin}, which is unusually much"
        return [Fault("W434", what, "criteria", _common_fix(plan))]
    if share == 0.0 and range_of(plan, prepared).shares(region_shape(plan, prepared))[NATIVE] > 0.5:
        what = f"no judged ground is S1 for {latin}, although most of the region lies in its native range"
        fix = "check units, and the criterion that limits most; its curve or its layer may be off"
        return [Fault("W434", what, "criteria", fix)]
    return []


def _common_fix(plan: Plan) -> str:
    assert plan.profile is not None
    weights = {name: criterion.weight for name, criterion in plan.profile.criteria.items()}
    idle = sorted((item for item in plan.not_judged if weights[item.name] > 0), key=lambda item: -weights[item.name])
    if idle:
        labels = ", ".join(item.label for item in idle[:_NAMED])
        return f"give it what was not looked at ({labels}), or read S1 as: nothing that was looked at speaks against it"
    return "check units, and whether `combine` lets strengths make up for too much"
