"""What remedies take, in words: amounts, what they add up to, and what they cost when the plan says prices."""

from __future__ import annotations

from underoak.indicators.soil.lime_and_water import FARM_TABLE_ENDS, water_volume
from underoak.places.soil.remedies import RemedyAmount

NO_LIMING_COUNTRY = 40.0  # t/ha; soil that needs more is not soil to lime; common practice, no source


def in_words(dose: RemedyAmount, parcel: int, ha: float, currency: str = "") -> str:
    """What one remedy takes on one parcel of `ha` judged hectares; "" where it helps nothing."""
    if dose.remedy.by == "drainage":
        return "drain it, if a pit shows standing water" if dose.share[parcel] > 0 else ""
    if not dose.amount[parcel] > 0:
        return ""
    return (_lime if dose.remedy.by == "lime" else _water)(dose, parcel, ha, currency)


def in_short(dose: RemedyAmount, parcel: int) -> str:
    """The same for a narrow table: `lime 57 t/ha`."""
    if dose.remedy.by == "drainage":
        return "drainage" if dose.share[parcel] > 0 else ""
    amount = float(dose.amount[parcel])
    if not amount > 0:
        return ""
    return f"lime {figure(amount)} t/ha" if dose.remedy.by == "lime" else f"water {figure(amount)} mm"


def _lime(dose: RemedyAmount, parcel: int, ha: float, currency: str) -> str:
    remedy, amount, share = dose.remedy, float(dose.amount[parcel]), float(dose.share[parcel])
    tonnes = amount * share * ha
    text = f"lime, at least {figure(amount)} t/ha to bring the top {remedy.depth_cm:g} cm to pH {dose.goal[parcel]:.1f}"
    more = [f"{figure(tonnes)} t in all"]
    if remedy.price is not None:
        more.append(f"at least {money(tonnes * remedy.price, currency)}")
    if dose.farm[parcel] > 0:
        farm = figure(float(dose.farm[parcel]))
        more.append(f"farm tables, which end at pH {FARM_TABLE_ENDS:g}, ask {farm} t/ha for the first part")
    text += f"{_where(share)} ({', '.join(more)})"
    if amount > NO_LIMING_COUNTRY:
        text += f", and above {NO_LIMING_COUNTRY:g} t/ha this is not liming country"
    return text


def _water(dose: RemedyAmount, parcel: int, ha: float, currency: str) -> str:
    remedy, depth, share = dose.remedy, float(dose.amount[parcel]), float(dose.share[parcel])
    volume = float(water_volume(depth))
    text = " ".join(filter(None, (f"water, {figure(depth)} mm ({figure(volume)} m3/ha)", remedy.when)))
    text += _where(share)
    if remedy.price is not None:
        text += f" ({money(volume * share * ha * remedy.price, currency)} each year)"
    return text


def _where(share: float) -> str:
    return "" if share > 0.995 else f" on {max(share, 0.01) * 100:.0f} % of it"


def figure(value: float) -> str:
    """A number with two figures that count: an estimate says no more.

    >>> figure(57.0), figure(3.14), figure(1234.0), figure(0.04), figure(9.96)
    ('57', '3.1', '1 200', '0.04', '10')
    """
    rounded = float(f"{value:.2g}")
    return f"{rounded:,.0f}".replace(",", " ") if rounded >= 10 else f"{rounded:g}"


def money(value: float, currency: str) -> str:
    """An amount of money.

    >>> money(7695.0, "EUR"), money(40.0, "")
    ('7 700 EUR', '40')
    """
    return f"{figure(value)} {currency}".rstrip()
