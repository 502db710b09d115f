"""Mixes of host trees, by the parts that the truffle's profile gives to each kind."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from underoak.plan.profiles.practice import HostMix
    from underoak.plan.profiles.profile import Host

_KINDS = {"ostrya": "carpinus"}  # hornbeam and hop-hornbeam share one place
_MOST_OF_A_KIND = 2
_PRIMARY, _OTHER = 4, 1  # parts by strength, of hosts that a plan names and no recipe has; common practice, no source


@dataclass(frozen=True, slots=True)
class Planted:
    """A number of trees of one host."""

    host: Host
    trees: int


def mix_of(
    hosts: Sequence[Host], trees: int, recipe: HostMix | None = None, named: bool = False
) -> tuple[Planted, ...]:
    """Return the hosts to plant and the number of each, most first; they add up to `trees`.

    Of each kind its primary hosts are taken, else its secondary ones, two at most and the first first. The kinds get
    the parts of the `recipe`. Without one, or where it has no part for any of them, primary hosts get equal parts.
    Unless the plan names its hosts (`named`), introduced trees are left out, and so are genera, which nobody can order.
    Named hosts without a part go by strength: primary ones count four times the others.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> profile = load_profile("tuber_melanosporum")
    >>> result = mix_of(profile.hosts, 180, profile.practice.mix)
    >>> [(part.host.common, part.trees) for part in result][:3]
    [('hazel', 90), ('holm oak', 23), ('downy oak', 23)]
    """
    allowed = [host for host in hosts if named or not (host.introduced or host.is_genus)]
    kinds: dict[str, list[Host]] = {}
    for host in allowed:
        kinds.setdefault(_KINDS.get(host.genus, host.genus), []).append(host)
    chosen = {kind: _strongest(members) for kind, members in kinds.items()}
    parts = _parts(chosen, {} if recipe is None else recipe.parts, named)
    shares = [(host, parts[kind] / len(members)) for kind, members in chosen.items() for host in members if parts[kind]]
    counted = zip(shares, _rounded([share for _, share in shares], trees), strict=True)
    mix = [Planted(host, count) for (host, _), count in counted if count]
    return tuple(sorted(mix, key=lambda part: -part.trees))


def recipe_holds(recipe: HostMix | None, mix: Sequence[Planted]) -> bool:
    """Return whether a mix plants all kinds of trees that the words of its recipe speak of."""
    return recipe is not None and set(recipe.together) <= {part.host.genus for part in mix}


def _strongest(hosts: Sequence[Host]) -> list[Host]:
    primary = [host for host in hosts if host.strength == "primary"]
    return (primary or list(hosts))[:_MOST_OF_A_KIND]


def _parts(chosen: Mapping[str, Sequence[Host]], recipe: Mapping[str, float], named: bool) -> dict[str, float]:
    parts = {kind: recipe.get(kind, 0.0) for kind in chosen}
    if any(parts.values()):
        return parts
    strengths = {kind: members[0].strength for kind, members in chosen.items()}
    if named or "primary" not in strengths.values():
        return {kind: float(_PRIMARY if strength == "primary" else _OTHER) for kind, strength in strengths.items()}
    return {kind: float(strength == "primary") for kind, strength in strengths.items()}


def _rounded(shares: Sequence[float], total: int) -> list[int]:
    """Return whole numbers in these proportions that add up to the total, by largest remainders."""
    total_share = sum(shares)
    exact = [total * share / total_share if total_share else 0.0 for share in shares]
    counts = [math.floor(value + 1e-9) for value in exact]
    order = sorted(range(len(shares)), key=lambda i: (counts[i] - exact[i], i))
    for i in order[: total - sum(counts) if total_share else 0]:
        counts[i] += 1
    return counts
