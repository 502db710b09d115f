"""The sentences in the files of tables: remedies and lab results. English.

Each is written from a record of `places.answers` and read back into it, so that a finished run can be explained in
other words. Numbers are read back as written, with two significant digits.
"""

from __future__ import annotations

import math
import re

from underoak.base.number_words import beside, cut_words, figure, money
from underoak.indicators.soil.lime_and_water import FARM_TABLE_ENDS
from underoak.places.answers.needs import (
    DrainageNeed,
    LabFinding,
    LabUse,
    LimeBeyond,
    LimeNeed,
    Money,
    NoHelp,
    RemedyNeed,
    SoilUnit,
    WaterNeed,
)
from underoak.places.columns.parcels import Sentences
from underoak.report.text.verdicts.reason_sentence import VerdictReasonText

_DRAINAGE = "drain it, if a pit shows standing water"
_NUMBER = r"\d+(?: \d{3})*(?:\.\d+)?(?:e[-+]\d+)?"
_SHARE = r"(?: on (?P<share>\d+) % of it)?"
_COST = rf"(?P<cost>{_NUMBER})(?P<currency> .+?)?"
_LIME = re.compile(
    rf"lime, at least (?P<t_ha>{_NUMBER}) t/ha, plan with (?P<plan>{_NUMBER}) t/ha, to bring the top (?P<depth>\S+) cm "
    rf"to pH (?P<goal>\S+){_SHARE} \((?P<tonnes>{_NUMBER}) t in all as planned(?:, {_COST})?"
    rf"(?:, farm tables, which end at pH {FARM_TABLE_ENDS:g}, ask (?P<farm>{_NUMBER}) t/ha for the first part)?\)"
)
_BEYOND = re.compile(
    rf"no lime{_SHARE}: it would take (?P<t_ha>\S+) t/ha or more, and (?P<most>\S+) t/ha is the most that counts"
)
_NO_HELP = re.compile(
    r"no (?P<by>lime|water): it would (?:hardly raise the suitability|not help while (?P<at_zero>.+?) stays? at 0)"
)
_WATER = re.compile(
    rf"water, (?P<mm>{_NUMBER}) mm \((?P<m3>{_NUMBER}) m3/ha\)(?: a (?P<year>year)| in (?P<season>.+?))?{_SHARE}"
    rf"(?: \({_COST} each year\))?"
)
_LAB = re.compile(
    r"(?P<layer>\S+?)(?: on soil unit (?P<number>\d+) of (?P<count>\d+) \((?P<share>\d+) % of it\))?: "
    r"laboratory (?P<lab>[^\s,]+)"
    r"(?: ± \S+ (?:or more )?\((?:method (?P<method>[^\s,]+)|method not stated), sampling (?P<sampling>[^\s)]+)\))?"
    r", map (?P<map>[^\s,]+), "
    r"(?:taken (?P<used>[^\s,]+)(?:, which contradicts the map \(z (?P<z>[^\s)]+)\))?"
    r"|kept as evidence and not used: (?:(?P<unjudged>its place is not judged)"
    r"|it has no place, and the map differs by (?P<differs>\S+) within the parcel))"
)


def remedy_sentence(need: RemedyNeed) -> str:
    """Return what one remedy takes on a parcel.

    >>> remedy_sentence(WaterNeed(33.0, 330.0, "summer", 0.5, Money(900.0, "EUR")))
    'water, 33 mm (330 m3/ha) in summer on 50 % of it (900 EUR each year)'
    """
    match need:
        case LimeNeed():
            return _lime(need)
        case LimeBeyond():
            takes, most = beside(need.t_ha, (need.most_t_ha,), 0), cut_words(need.most_t_ha, 0)
            why = f"it would take {takes} t/ha or more, and {most} t/ha is the most that counts"
            return f"no lime{_where(need.share)}: {why}"
        case WaterNeed():
            season = {"": "", "year": " a year"}.get(need.season, f" in {need.season}")
            cost = "" if need.cost is None else f" ({money(need.cost.amount, need.cost.currency)} each year)"
            return f"water, {figure(need.mm)} mm ({figure(need.m3_ha)} m3/ha){season}{_where(need.share)}{cost}"
        case DrainageNeed():
            return _DRAINAGE
        case NoHelp():
            stays = f"{', '.join(need.at_zero)} stay{'s' if len(need.at_zero) == 1 else ''} at 0"
            why = f"not help while {stays}" if need.at_zero else "hardly raise the suitability"
            return f"no {need.by}: it would {why}"


def _lime(need: LimeNeed) -> str:
    # a spot has no area
    more = [f"{figure(need.tonnes)} t in all as planned"] if math.isfinite(need.tonnes) else []
    if need.cost is not None:
        more.append(money(need.cost.amount, need.cost.currency))
    if need.farm_t_ha is not None:
        farm = f"{figure(need.farm_t_ha)} t/ha for the first part"
        more.append(f"farm tables, which end at pH {FARM_TABLE_ENDS:g}, ask {farm}")
    top = f"to bring the top {need.depth_cm:g} cm to pH {need.goal_ph:.1f}"
    amounts = f"at least {figure(need.t_ha)} t/ha, plan with {figure(need.plan_t_ha)} t/ha,"
    in_brackets = f" ({', '.join(more)})" if more else ""
    return f"lime, {amounts} {top}{_where(need.share)}{in_brackets}"


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
    if match := _BEYOND.fullmatch(text):
        return LimeBeyond(float(match["t_ha"]), float(match["most"]), _share(match))
    if match := _NO_HELP.fullmatch(text):
        return NoHelp(match["by"], tuple(match["at_zero"].split(", ")) if match["at_zero"] else ())
    if match := _WATER.fullmatch(text):
        season = match["year"] or match["season"] or ""
        return WaterNeed(_number(match["mm"]), _number(match["m3"]), season, _share(match), _money(match))
    if match := _LIME.fullmatch(text):
        farm = None if match["farm"] is None else _number(match["farm"])
        return LimeNeed(
            _number(match["t_ha"]), _number(match["plan"]), float(match["depth"]), float(match["goal"]), _share(match),
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
    """Return what the lab found for one layer, beside the map, and whether it is used.

    >>> lab_sentence(LabFinding("soil_ph", 7.8, 7.3, 7.738, method_sd=0.12, sampling_sd=0.09))
    'soil_ph: laboratory 7.80 ± 0.15 (method 0.12, sampling 0.09), map 7.30, taken 7.74'
    """
    unit = finding.unit
    where = "" if unit is None else f" on soil unit {unit.number} of {unit.count} ({unit.share * 100:.0f} % of it)"
    text = f"{finding.layer}{where}: laboratory {finding.lab:.2f}{_spread(finding)}, map {finding.map:.2f}, "
    match finding.use:
        case LabUse.NO_PLACE:
            reason = f"it has no place, and the map differs by {finding.map_differs:.2f} within the parcel"
            return f"{text}kept as evidence and not used: {reason}"
        case LabUse.NOT_JUDGED:
            return f"{text}kept as evidence and not used: its place is not judged"
        case LabUse.USED:
            text += f"taken {finding.used:.2f}"
            return text if finding.z is None else f"{text}, which contradicts the map (z {finding.z:.1f})"


def _spread(finding: LabFinding) -> str:
    if finding.method_sd is None and finding.sampling_sd == 0.0:
        return ""
    sd = math.hypot(finding.method_sd or 0.0, finding.sampling_sd)
    parts = f"sampling {finding.sampling_sd:.2f}"
    if finding.method_sd is None:
        return f" ± {sd:.2f} or more (method not stated, {parts})"
    return f" ± {sd:.2f} (method {finding.method_sd:.2f}, {parts})"


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
    numbers = {name: float(match[name] or "nan") for name in ("lab", "map", "used", "method", "sampling", "differs")}
    given = {name: number for name, number in numbers.items() if match[name] is not None}
    unit = None
    if match["number"] is not None:
        unit = SoilUnit(int(match["number"]), int(match["count"]), int(match["share"]) / 100)
    use = LabUse.NOT_JUDGED if match["unjudged"] else LabUse.NO_PLACE if match["differs"] else LabUse.USED
    return LabFinding(
        match["layer"], numbers["lab"], numbers["map"], given.get("used", numbers["map"]),
        None if match["z"] is None else float(match["z"]), unit, use, given.get("method"), given.get("sampling", 0.0),
        given.get("differs", 0.0),
    )  # fmt: skip


SENTENCES = Sentences(VerdictReasonText(), RemediesText(), LabText())
