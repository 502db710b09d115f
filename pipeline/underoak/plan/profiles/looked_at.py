"""How much of a species profile a plan looks at, by weight, and which of its criteria it leaves out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from underoak.plan.profiles.profile import Profile


@dataclass(frozen=True, slots=True)
class MissingCriterion:
    """A criterion of the profile that is not judged, though it has weight there or is essential."""

    name: str
    label: str
    layer: str  # that the profile judges it by
    weight: float  # share of the profile's weight
    is_essential: bool = False


@dataclass(frozen=True, slots=True)
class LookedAt:
    """The part of a profile that a plan judges."""

    judged_weight: float  # share of the profile's weight, 0..1
    missing: tuple[MissingCriterion, ...]  # heaviest first

    def heaviest_until(self, judged_at: float) -> tuple[MissingCriterion, ...]:
        """Return the heaviest missing criteria, as many as it takes to look at `judged_at` of the profile's weight."""
        selected: list[MissingCriterion] = []
        total = self.judged_weight
        for criterion in self.missing:
            if total >= judged_at - _TOLERANCE:
                break
            selected.append(criterion)
            total += criterion.weight
        return tuple(selected)


_TOLERANCE = 1e-9


def looked_at(profile: Profile | None, judged: Iterable[str], essential: Iterable[str] = ()) -> LookedAt | None:
    """Return the part of a profile that is judged; None without a profile.

    `judged` names the criteria that have a layer and a weight above 0 in the plan. Those that are not of the profile do
    not count. `essential` names those that hold the class: without a weight they add none, and are not missing.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> part = looked_at(load_profile("tuber_melanosporum"), ["ph", "water", "my_own"])
    >>> round(part.judged_weight, 2), [criterion.name for criterion in part.heaviest_until(0.5)]
    (0.22, ['carbonate', 'summer_heat', 'wetness_depth'])
    """
    if profile is None:
        return None
    names, holding = set(judged), set(essential)
    total = sum(criterion.weight for criterion in profile.criteria.values())
    if not total > 0.0:
        return None
    missing = [
        MissingCriterion(name, criterion.label, criterion.layer, criterion.weight / total, criterion.essential)
        for name, criterion in profile.criteria.items()
        if (criterion.weight > 0.0 or criterion.essential) and name not in names | holding
    ]
    seen = sum(criterion.weight for name, criterion in profile.criteria.items() if name in names)
    return LookedAt(seen / total, tuple(sorted(missing, key=lambda criterion: -criterion.weight)))
