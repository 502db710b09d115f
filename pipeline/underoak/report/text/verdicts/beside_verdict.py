"""What stands beside a verdict: the land it is for, what was looked at, and what no map can see."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from numbers import Real
from typing import Any

from underoak.base.number_words import MOST_DIGITS, NO_VALUE, TIE, beside, cut_words, hectares, percent, thousands
from underoak.places.answers.verdict import Purpose, TooSmall, Verdict
from underoak.plan.keys.verdict import VerdictSpec
from underoak.plan.profiles.looked_at import LookedAt

_MOST_MISSING = 6  # criteria named in one line
_SMALL_HA = 0.1  # smaller areas would be given in square metres
_MUCH = 0.05  # excluded share that is worth a word

# The three that end most purchases and plantings after the soil was found good, and those that end wild sites: common
# practice, no source
_FARMED = (
    "the right to water, and whether its source lasts through a dry summer",
    "whether you may plant, clear, fence and build there: title, land plan, protection, rights of way",
    "what lies below and what came before: a pit shows hard or wet subsoil, the last crops tell of rival fungi and "
    "residues",
)
BLIND_SPOTS: Mapping[Purpose, tuple[str, str, str]] = {
    Purpose.BUY: _FARMED,
    Purpose.ORCHARD: _FARMED,
    Purpose.REGION: _FARMED,
    Purpose.RESTORE: (
        "how far the canopy has closed, and whether light still reaches the ground",
        "whether the truffle still lives there: a dog in season, or the fungus in the soil",
        "whether owner and authority allow it, and who may collect there",
    ),
}
_TOO_SMALL = {
    TooSmall.AREA: "too little usable land",
    TooSmall.TREES: "no tree fits",
}


def blind_spots(purpose: str) -> str:
    """Return the three things that no map can see, in one sentence."""
    first, second, third = BLIND_SPOTS[Purpose(purpose)]
    return f"No map can see {first}; {second}; {third}."


def has_yes(verdicts: Iterable[object]) -> bool:
    """Return whether one of some verdicts is a yes."""
    return any(verdict is Verdict.YES for verdict in verdicts)


def looked_at_words(part: LookedAt | None, judged_at: float) -> str:
    """Return how much of the profile's weight was looked at, and what was not; "" without a profile.

    Essential criteria come first, then the heaviest.

    >>> from underoak.plan.profiles.looked_at import MissingCriterion
    >>> missing = MissingCriterion("carbonate", "total carbonate", "carbonate", 0.15)
    >>> print(looked_at_words(LookedAt(0.4996, (missing,)), 0.5))
    Looked at: 0.4996 of the profile's weight, less than the 0.50 that a yes takes. Not looked at: total carbonate 0.15.
    """
    if part is None:
        return ""
    is_less = part.judged_weight < judged_at - TIE
    less = f", less than the {cut_words(judged_at)} that a yes takes" if is_less else ""
    line = f"Looked at: {beside(part.judged_weight, (judged_at,))} of the profile's weight{less}."
    if not part.missing:
        return line
    essential_first = sorted(part.missing, key=lambda criterion: not criterion.is_essential)
    named = ", ".join(
        f"{criterion.label} {criterion.weight:.2f}{' (essential)' if criterion.is_essential else ''}"
        for criterion in essential_first[:_MOST_MISSING]
    )
    more = len(part.missing) - _MOST_MISSING
    return f"{line} Not looked at: {named}{f', and {more} of less weight' if more > 0 else ''}."


def is_part(row: Mapping[str, Any], limits: VerdictSpec) -> bool:
    """Return whether less than the plan's `usable_share` of a parcel is usable."""
    usable = row.get("usable_ha")
    return usable is not None and float(usable) < (limits.usable_share - TIE) * float(row["area_ha"])


def part_words(row: Mapping[str, Any], limits: VerdictSpec) -> str:
    """Return `part only: 0.8 ha` for a parcel of which the verdict is of a part; "" for others, and for too small ones.

    >>> part_words({"usable_ha": 0.8, "area_ha": 2.0}, VerdictSpec())
    'part only: 0.80 ha'
    """
    if too_small_words(row, limits) or not is_part(row, limits):
        return ""
    return f"part only: {hectares(float(row['usable_ha']))}"


def too_small_words(row: Mapping[str, Any], limits: VerdictSpec, purpose: str = "buy") -> str:
    """Return why a parcel counts as too small; "" if it does not.

    >>> too_small_words({"too_small": TooSmall.AREA, "usable_ha": 0.04, "area_ha": 2.0}, VerdictSpec())
    'too little usable land, 0.04 of the 0.10 ha it takes'
    """
    why = row.get("too_small")
    if not isinstance(why, TooSmall):
        return ""
    if why is TooSmall.TREES:
        return _TOO_SMALL[why]
    least = limits.usable_ha(purpose)
    return f"{_TOO_SMALL[why]}, {beside(float(row['usable_ha']), (0.0, least))} of the {cut_words(least)} ha it takes"


def rank_words(row: Mapping[str, Any], limits: VerdictSpec, purpose: str, is_outranked: bool) -> str:
    """Return what lowers the rank of a parcel; "" if little does, and it ranks below none of lower suitability.

    >>> rank_words({"excluded_share": 0.25, "suitability": 0.8}, VerdictSpec(), "buy", True)
    '25 % excluded, ranks as 0.60'
    >>> rank_words({"excluded_share": 0.02, "suitability": 0.8}, VerdictSpec(), "buy", False)
    ''
    """
    if small := too_small_words(row, limits, purpose):
        return small
    excluded = float(row["excluded_share"])
    if excluded < _MUCH and not is_outranked:
        return ""
    ranks_as = f", ranks as {float(row['suitability']) * (1.0 - excluded):.2f}" if is_outranked else ""
    return f"{percent(excluded)} excluded{ranks_as}"


def trees_words(row: Mapping[str, Any]) -> str:
    """Return the number of trees that fit; a dash where rows are not planted.

    >>> trees_words({"trees": 1234}), trees_words({"trees": None})
    ('1 234', '–')
    """
    trees = row.get("trees")
    return thousands(int(float(trees))) if isinstance(trees, Real) and trees == trees else NO_VALUE


def usable_figure(row: Mapping[str, Any]) -> str:
    """Return the usable land of a parcel in hectares, without the unit; a dash where it is not known.

    >>> usable_figure({"usable_ha": 0.0154}), usable_figure({"usable_ha": 3.44}), usable_figure({"usable_ha": None})
    ('0.02', '3.4', '–')
    """
    usable = row.get("usable_ha")
    if usable is None or usable != usable:
        return NO_VALUE
    area = float(usable)
    return f"{area:.2f}" if area < _SMALL_HA else hectares(area).removesuffix(" ha")


def usable_words(row: Mapping[str, Any]) -> str:
    """Return the usable land of a parcel and the trees that fit there, in one sentence; "" where it is not known.

    "all" only where nothing is excluded and all is judged.

    >>> usable_words({"usable_ha": 0.8, "area_ha": 2.0, "trees": 310})
    'Usable: 0.80 of 2.0 ha; 310 trees fit.'
    >>> usable_words({"usable_ha": 1.86, "area_ha": 1.92}), usable_words({"usable_ha": 1.92, "area_ha": 1.92})
    ('Usable: 1.86 of 1.92 ha.', 'Usable: all 1.9 ha.')
    >>> usable_words({"usable_ha": 2.4, "area_ha": 4.0, "valid_share": 0.6, "excluded_share": 0.0})
    'Usable: 2.4 of 4.0 ha; 1.6 ha of it could not be judged: no data, or outside the region.'
    """
    usable = row.get("usable_ha")
    if usable is None or usable != usable:
        return ""
    part, area = float(usable), float(row["area_ha"])
    words = f"all {hectares(area)}" if _is_all(row) else _part_of(part, area)
    trees = trees_words(row)
    unknown = area * (1.0 - float(row.get("excluded_share", 0.0))) * (1.0 - float(row.get("valid_share", 1.0)))
    gap = f"; {hectares(unknown)} of it could not be judged: no data, or outside the region" if unknown > TIE else ""
    return f"Usable: {words}{gap}{'' if trees == NO_VALUE else f'; {trees} trees fit'}."


def _is_all(row: Mapping[str, Any]) -> bool:
    is_judged = float(row.get("valid_share", 1.0)) > 1.0 - TIE
    is_free = float(row.get("excluded_share", 0.0)) < TIE
    return is_judged and is_free and float(row["usable_ha"]) > (1.0 - TIE) * float(row["area_ha"])


def _part_of(part: float, area: float) -> str:
    """Return a part of an area [ha], with as many digits as tell the two apart."""
    words = hectares(part), hectares(area)
    if words[0] != words[1]:
        return " of ".join(_same_unit(*words))
    pairs = ((f"{part:.{digits}f}", f"{area:.{digits}f}") for digits in range(2, MOST_DIGITS + 1))
    return next((f"{less} of {more} ha" for less, more in pairs if less != more), f"nearly all {words[1]}")


def _same_unit(part: str, area: str) -> tuple[str, str]:
    return (part.removesuffix(" ha"), area) if part.endswith(" ha") and area.endswith(" ha") else (part, area)
