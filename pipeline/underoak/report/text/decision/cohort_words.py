"""What a probability of the maps is not, with counts of orchards that bore."""

from __future__ import annotations

from underoak.base.number_words import beside, percent
from underoak.decision.reference.cohorts import cohorts
from underoak.places.answers.verdict import Purpose
from underoak.plan.keys.decision.cohorts import CohortSpec
from underoak.plan.keys.plan_keys import PlanSpec

_LITTLE_DOUBT = 0.95  # common practice, no source


def what_p_is_not(plan: PlanSpec, p: float | None = None) -> str:
    """Return what P(S2 or better) says and what it does not, with counts; `p` is that of one parcel."""
    limits = plan.verdict
    if p is not None and p >= _LITTLE_DOUBT:
        says = (
            f"{beside(p, (limits.no_at, limits.yes_at))}: the maps leave little doubt that the ground is S2 or better."
        )
    else:
        says = "P is how sure the maps are that the ground is S2 or better."
    if Purpose(plan.purpose) is Purpose.RESTORE:
        return f"{says} It is not the chance that truffles fruit there."
    short = [each for each in cohorts() if each.is_in_short]
    most = max(each.bearing for each in short if each.bearing is not None)
    names = ", ".join(f"{each.name} {each.year}" for each in short)
    of_plan = "".join(f" {cohort_words(each)}." for each in plan.cohorts)
    return (
        f"{says} It is not the chance of a crop: when counted, at most {percent(most)} of growers, orchards or "
        f"hectares bore, many of them young ({names}). Nobody has counted suited ground.{of_plan}"
    )


def cohort_words(cohort: CohortSpec) -> str:
    """Return a cohort of the plan in a few words.

    >>> cohort_words(CohortSpec(name="Our valley", year="2024", counted="orchards", bearing=0.3, size=20, source="us"))
    'Our valley 2024: 30 % of 20 orchards bore (us)'
    """
    size = "" if cohort.size is None else f"{cohort.size} "
    return f"{cohort.name} {cohort.year}: {percent(cohort.bearing)} of {size}{cohort.counted} bore ({cohort.source})"
