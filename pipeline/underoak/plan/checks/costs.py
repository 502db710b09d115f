"""The key `costs` beside the purpose of the plan."""

from __future__ import annotations

from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.reading.validation import Check


def check_costs(spec: PlanSpec, check: Check) -> None:
    """Refuse `costs` on wild ground, which is not planted for a crop (E304)."""
    if spec.costs is not None and spec.purpose == "restore" and not check.is_broken(("purpose",)):
        what = "the break-even is that of an orchard, and wild ground is not planted for its crop"
        check.add_fault("E304", what, ("costs",), "remove `costs`, or choose the purpose buy or orchard")
