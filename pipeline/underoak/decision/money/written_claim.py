"""A seller's claims as people write them: `yield=600kg/ha first_crop=3 trees=500/ha price=700EUR/kg`."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from underoak.base.errors import Problems, did_you_mean

WRITE = "write it like yield=600kg/ha, first_crop=3, trees=500/ha or price=700EUR/kg"
_NUMBER = r"\d+(?:[.,]\d+)*"
_PAIR = re.compile(r"(?P<name>[A-Za-z_]+)\s*=\s*(?P<rest>[^=]*?)(?=\s+[A-Za-z_]+\s*=|$)")
_VALUE = re.compile(rf"(?P<low>{_NUMBER})\s*(?:(?:-|–|to)\s*(?P<high>{_NUMBER}))?\s*(?P<unit>\D.*)?")
_AMBIGUOUS = re.compile(r"[1-9]\d{0,2}(?:,\d{3})+")
_ACRE_HA, _POUND_KG, _OUNCE_KG = 0.40468564224, 0.45359237, 0.028349523125


class ClaimItem(StrEnum):
    """What a claim is about."""

    YIELD = "yield"
    FIRST_CROP = "first_crop"
    TREES = "trees"
    PRICE = "price"


class Per(StrEnum):
    """What a claimed yield is counted on."""

    HECTARE = "hectare"
    TREE = "tree"


@dataclass(frozen=True, slots=True)
class WrittenClaim:
    """One claim in the unit of the figures on file: kg/ha or kg/tree, years, trees/ha, money/kg."""

    item: ClaimItem
    text: str  # as written
    low: float
    high: float
    per: Per = Per.HECTARE
    currency: str = ""  # of a price
    unit: str = ""  # as written, without blanks, in lower case


_MASS = {"kg": 1.0, "g": 1e-3, "t": 1e3, "lb": _POUND_KG, "lbs": _POUND_KG, "oz": _OUNCE_KG}
_LAND = {"ha": 1.0, "hectare": 1.0, "acre": 1.0 / _ACRE_HA, "ac": 1.0 / _ACRE_HA, "m2": 1e4}
_TREE = ("tree", "plant")
_YEARS = ("", "y", "yr", "yrs", "year", "years", "a")


def read_claims(words: Sequence[str], problems: Problems) -> tuple[WrittenClaim, ...]:
    """Return the claims of some words; blanks may stand anywhere, and a range is two numbers with - or to between them.

    Faults go to `problems`: E385 what is no claim or is given twice, E386 a unit that is missing or not known.

    >>> claim, = read_claims(["yield=10", "lb/acre"], Problems())
    >>> claim.item.value, round(claim.low, 2), claim.per.value
    ('yield', 11.21, 'hectare')
    """
    text = " ".join(words)
    pairs = list(_PAIR.finditer(text))
    rest = _PAIR.sub("", text).strip()
    if rest or not pairs:
        problems.add("E385", "is no claim: a name, = and a number" if rest else "no claim is given", rest[:80], WRITE)
    claims: dict[ClaimItem, WrittenClaim] = {}
    for pair in pairs:
        claim = _read(pair["name"].casefold(), " ".join(pair["rest"].split()), problems)
        if claim is not None and claim.item in claims:
            problems.add("E385", f"{claim.item} is given twice", claim.text, "give each claim once")
        elif claim is not None:
            claims[claim.item] = claim
    return tuple(claims[item] for item in ClaimItem if item in claims)


def _read(name: str, rest: str, problems: Problems) -> WrittenClaim | None:
    text = f"{name}={rest}"
    known = [item.value for item in ClaimItem]
    if name not in known:
        problems.add("E385", f'"{name}" is not a claim', text, did_you_mean(name, known, "known: " + ", ".join(known)))
        return None
    match = _VALUE.fullmatch(rest)
    if match is None:
        problems.add("E385", f'"{rest}" is not a number with a unit' if rest else "has no number", text, WRITE)
        return None
    numbers = [match["low"], match["high"] or match["low"]]
    for number in numbers:
        if _AMBIGUOUS.fullmatch(number) or len(re.findall(r"[.,]", number)) > 1:
            fix = "write decimals with a point, and thousands without a mark"
            problems.add("E385", f'"{number}" may be two numbers', text, fix)
            return None
    low, high = sorted(float(number.replace(",", ".")) for number in numbers)
    if high == 0.0:
        problems.add("E385", "is 0, so there is nothing to check", text, WRITE)
        return None
    unit = re.sub(r"\s*(?:\bper\b|\ba\b|/)\s*", "/", (match["unit"] or "").strip().casefold()).replace("²", "2")
    return _in_unit(ClaimItem(name), text, low, high, unit.replace(" ", ""), problems)


def _in_unit(item: ClaimItem, text: str, low: float, high: float, unit: str, problems: Problems) -> WrittenClaim | None:
    top, _, bottom = unit.partition("/")
    match item:
        case ClaimItem.FIRST_CROP if unit in _YEARS:
            return WrittenClaim(item, text, low, high, unit=unit)
        case ClaimItem.YIELD if top in _MASS and _singular(bottom) in (*_LAND, *_TREE):
            is_tree = _singular(bottom) in _TREE
            factor = _MASS[top] * (1.0 if is_tree else _LAND[_singular(bottom)])
            return WrittenClaim(
                item, text, low * factor, high * factor, Per.TREE if is_tree else Per.HECTARE, unit=unit
            )
        case ClaimItem.TREES if _singular(top) in ("", *_TREE) and _singular(bottom) in _LAND:
            factor = _LAND[_singular(bottom)]
            return WrittenClaim(item, text, low * factor, high * factor, unit=unit)
        case ClaimItem.PRICE if re.fullmatch(r"[a-z]{3}|[€$£]", top) and bottom in _MASS:
            currency = {"€": "EUR", "$": "$", "£": "GBP"}.get(top, top.upper())
            return WrittenClaim(item, text, low / _MASS[bottom], high / _MASS[bottom], currency=currency, unit=unit)
    what = f'the unit "{unit}" is not known here' if unit else "has no unit, and the same number may mean many things"
    problems.add("E386", what, text, _UNITS[item])
    return None


def _singular(word: str) -> str:
    return word[:-1] if word in ("trees", "plants", "hectares", "acres") else word


_UNITS: Mapping[ClaimItem, str] = {
    ClaimItem.YIELD: "write kg/ha, lb/acre, kg/acre, t/ha, g/m2, kg/tree or g/tree",
    ClaimItem.FIRST_CROP: "write years, such as first_crop=5",
    ClaimItem.TREES: "write trees=500/ha or trees=200/acre",
    ClaimItem.PRICE: "write a currency and a weight, such as EUR/kg, USD/lb or EUR/g",
}
