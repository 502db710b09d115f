"""The sentences in the files of tables: remedies and lab results. English.

Each is written from a record of `places.answers` and read back into it, so that a finished run can be explained in
other words. Numbers are read back as written, with two significant digits.
"""

from __future__ import annotations

import math
import re

from underoak.base.number_words import figure, money
from underoak.indicators.soil.lime_and_water import FARM_TABLE_ENDS
from underoak.places.answers.needs import DrainageNeed, LabFinding, LimeNeed, Money, RemedyNeed, WaterNeed
from underoak.places.columns.parcels import Sentences
from underoak.places.soil.amounts import NO_LIMING_COUNTRY
from underoak.report.text.reason_sentence import VerdictReasonText

_DRAINAGE = "drain it, if a pit shows standing water"
_NUMBER = r"\d+(?: \d{3})*(?:\.\d+)?(?:e[-+]\d+)?"
_SHARE = r"(?: on (?P<share>\d+) % of it)?"
_COST = rf"(?P<cost>{_NUMBER})(?P<currency> .+?)?"
_LIME = re.compile(
    rf"lime, at least (?P<t_ha>{_NUMBER}) t/ha to bring the top (?P<depth>\S+) cm to pH (?P<goal>\S+){_SHARE} "
    rf"\((?P<tonnes>{_NUMBER}) t in all(?:, at least {_COST})?"
    rf"(?:, farm tables, which end at pH {FARM_TABLE_ENDS:g}, ask (?P<farm>{_NUMBER}) t/ha for the first part)?\)"
    r"(?P<much>, and above .* t/ha this is not liming country)?"
)
_WATER = re.compile(
    rf"water, (?P<mm>{_NUMBER}) mm \((?P<m3>{_NUMBER}) m3/ha\)(?: a (?P<year>year)| in (?P<season>.+?))?{_SHARE}"
    rf"(?: \({_COST} each year\))?"
)
_LAB = re.compile(
    r"(?P<layer>.+): laboratory (?P<lab>\S+), map (?P<map>\S+), taken (?P<used>[^\s,]+)"
    r"(?:, which contradicts the map \(z (?P<z>\S+)\))?"
)


def remedy_sentence(need: RemedyNeed) -> str:
    """Return what one remedy takes on a parcel.

    >>> remedy_sentence(WaterNeed(33.0, 330.0, "summer", 0.5, Money(900.0, "EUR")))
    'water, 33 mm (330 m3/ha) in summer on 50 % of it (900 EUR each year)'
    """
    match need:
        case LimeNeed():
            return _lime(need)
        case WaterNeed():
            season = {"": "", "year": " a year"}.get(need.season, f" in {need.season}")
            cost = "" if need.cost is None else f" ({money(need.cost.amount, need.cost.currency)} each year)"
            return f"water, {figure(need.mm)} mm ({figure(need.m3_ha)} m3/ha){season}{_where(need.share)}{cost}"
        case DrainageNeed():
            return _DRAINAGE


def _lime(need: LimeNeed) -> str:
    more = [f"{figure(need.tonnes)} t in all"]
    if need.cost is not None:
        more.append(f"at least {money(need.cost.amount, need.cost.currency)}")
    if need.farm_t_ha is not None:
        farm = f"{figure(need.farm_t_ha)} t/ha for the first part"
        more.append(f"farm tables, which end at pH {FARM_TABLE_ENDS:g}, ask {farm}")
    top = f"to bring the top {need.depth_cm:g} cm to pH {need.goal_ph:.1f}"
    text = f"lime, at least {figure(need.t_ha)} t/ha {top}{_where(need.share)} ({', '.join(more)})"
    too_much = f", and above {NO_LIMING_COUNTRY:g} t/ha this is not liming country"
    return text + (too_much if need.t_ha > NO_LIMING_COUNTRY else "")


def _where(share: float) -> str:
    return "" if share > 0.995 else f" on {max(share, 0.01) * 100:.0f} % of it"


class RemediesText:
    """The remedies of a parcel, with amounts."""

    def encode(self, value: tuple[RemedyNeed, ...]) -> str:
        """Return one part for each remedy."""
        return "; ".join(map(remedy_sentence, value))

    def decode(self, text: str) -> tuple[RemedyNeed, ...]:
        """Return the records."""
        return tuple(map(_need, text.split("; ")))


def _need(text: str) -> RemedyNeed:
    if text == _DRAINAGE:
        return DrainageNeed()
    if match := _WATER.fullmatch(text):
        season = match["year"] or match["season"] or ""
        return WaterNeed(_number(match["mm"]), _number(match["m3"]), season, _share(match), _money(match))
    if match := _LIME.fullmatch(text):
        farm = None if match["farm"] is None else _number(match["farm"])
        amount = _number(match["t_ha"])
        if match["much"]:  # may have been rounded to the limit
            amount = max(amount, math.nextafter(NO_LIMING_COUNTRY, math.inf))
        return LimeNeed(
            amount, float(match["depth"]), float(match["goal"]), _share(match),
            _number(match["tonnes"]), _money(match), farm,
        )  # fmt: skip
    raise ValueError(f"{text} is no remedy")


def _number(text: str) -> float:
    return float(text.replace(" ", ""))


def _share(match: re.Match[str]) -> float:
    return 1.0 if match["share"] is None else min(int(match["share"]) / 100, 0.995)


def _money(match: re.Match[str]) -> Money | None:
    return None if match["cost"] is None else Money(_number(match["cost"]), (match["currency"] or "").strip())


def lab_sentence(finding: LabFinding) -> str:
    """Return what the lab found for one layer, beside the map.

    >>> lab_sentence(LabFinding("soil_ph", 7.8, 7.3, 7.738))
    'soil_ph: laboratory 7.80, map 7.30, taken 7.74'
    """
    text = f"{finding.layer}: laboratory {finding.lab:.2f}, map {finding.map:.2f}, taken {finding.used:.2f}"
    return text if finding.z is None else f"{text}, which contradicts the map (z {finding.z:.1f})"


class LabText:
    """What the lab found on a parcel."""

    def encode(self, value: tuple[LabFinding, ...]) -> str:
        """Return one part for each layer."""
        return "; ".join(map(lab_sentence, value))

    def decode(self, text: str) -> tuple[LabFinding, ...]:
        """Return the records."""
        return tuple(map(_finding, text.split("; ") if text else ()))


def _finding(text: str) -> LabFinding:
    match = _LAB.fullmatch(text)
    if match is None:
        raise ValueError(f"{text} is no lab result")
    z = None if match["z"] is None else float(match["z"])
    return LabFinding(match["layer"], float(match["lab"]), float(match["map"]), float(match["used"]), z)


SENTENCES = Sentences(VerdictReasonText(), RemediesText(), LabText())
