"""What remedies take on each parcel: amounts, totals, and costs where the plan gives prices."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from underoak.indicators.soil.lime_and_water import water_volume
from underoak.places.answers.needs import DrainageNeed, LimeBeyond, LimeNeed, Money, NoHelp, RemedyNeed, WaterNeed
from underoak.places.soil.remedies import RemedyAmount

WORDS = {"lime": "lime", "irrigation": "water"}


def needs_of(
    amount: RemedyAmount, parcel: int, ha: float, currency: str = "", names: Sequence[str] = ()
) -> Iterator[RemedyNeed]:
    """Yield what one remedy takes on one parcel of `ha` judged hectares, and why it is not counted there or in part.

    `names` are those of the criteria.
    """
    need = need_of(amount, parcel, ha, currency)
    if need is not None:
        yield need
    is_beyond = bool(amount.beyond[parcel] > 0.0)
    at_zero = tuple(name for name, is_zero in zip(names, amount.at_zero[parcel], strict=False) if is_zero)
    if amount.is_idle[parcel] and (at_zero or not is_beyond):
        yield NoHelp(WORDS[amount.remedy.by], at_zero)
    if is_beyond:
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
        planned, farm = float(amount.planned[parcel]), float(amount.farm[parcel])
        tonnes = planned * share * ha
        cost = None if remedy.price is None else Money(tonnes * remedy.price, currency)
        goal = float(amount.goal[parcel])
        return LimeNeed(each, planned, remedy.depth_cm, goal, share, tonnes, cost, farm if farm > 0 else None)
    volume = float(water_volume(each))
    cost = None if remedy.price is None else Money(volume * share * ha * remedy.price, currency)
    return WaterNeed(each, volume, remedy.season, share, cost)
