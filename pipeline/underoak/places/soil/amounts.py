"""What remedies take on each parcel: amounts, totals, and costs where the plan gives prices."""

from __future__ import annotations

from collections.abc import Iterator

from underoak.indicators.soil.lime_and_water import water_volume
from underoak.places.answers.needs import DrainageNeed, LimeBeyond, LimeNeed, Money, RemedyNeed, WaterNeed
from underoak.places.soil.remedies import RemedyAmount


def needs_of(amount: RemedyAmount, parcel: int, ha: float, currency: str = "") -> Iterator[RemedyNeed]:
    """Yield what one remedy takes on one parcel of `ha` judged hectares, and the lime that is not counted there."""
    need = need_of(amount, parcel, ha, currency)
    if need is not None:
        yield need
    if amount.beyond[parcel] > 0.0:
        yield LimeBeyond(float(amount.beyond_t_ha[parcel]), amount.remedy.most_t_ha, float(amount.beyond[parcel]))


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
