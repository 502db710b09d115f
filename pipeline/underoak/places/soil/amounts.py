"""What remedies take on each parcel: amounts, totals, and costs where the plan gives prices."""

from __future__ import annotations

from underoak.indicators.soil.lime_and_water import water_volume
from underoak.places.answers.needs import DrainageNeed, LimeNeed, Money, RemedyNeed, WaterNeed
from underoak.places.soil.remedies import RemedyAmount

NO_LIMING_COUNTRY = 40.0  # t/ha; soil that needs more is not soil to lime; common practice, no source


def need_of(amount: RemedyAmount, parcel: int, ha: float, currency: str = "") -> RemedyNeed | None:
    """Return what one remedy takes on one parcel of `ha` judged hectares; None where it does not help."""
    remedy, share = amount.remedy, float(amount.share[parcel])
    if remedy.by == "drainage":
        return DrainageNeed() if share > 0 else None
    each = float(amount.amount[parcel])
    if not each > 0:
        return None
    if remedy.by == "lime":
        tonnes, farm = each * share * ha, float(amount.farm[parcel])
        cost = None if remedy.price is None else Money(tonnes * remedy.price, currency)
        goal = float(amount.goal[parcel])
        return LimeNeed(each, remedy.depth_cm, goal, share, tonnes, cost, farm if farm > 0 else None)
    volume = float(water_volume(each))
    cost = None if remedy.price is None else Money(volume * share * ha * remedy.price, currency)
    return WaterNeed(each, volume, remedy.season, share, cost)
