"""Mixes of host trees: hazel that fruits first, oak that lasts, and some others.

Two hazels to an oak: in print, a nursery's page from the USA. Hornbeam, lime tree and some pine beside them, and all
other parts: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from underoak.plan.profiles.profile import Host

HAZEL = "corylus_avellana"
# parts of each kind, by genus
_PARTS = {"corylus": 8, "quercus": 4, "carpinus": 2, "ostrya": 2, "tilia": 2, "pinus": 1}
_KINDS = {"ostrya": "carpinus"}  # hornbeam and hop-hornbeam share one place
_PRIMARY, _OTHER = 4, 1  # parts by strength, where no such recipe is known
_MOST_OF_A_KIND = 2


@dataclass(frozen=True, slots=True)
class Planted:
    """A number of trees of one host."""

    host: Host
    trees: int


def mix_of(hosts: Sequence[Host], trees: int, named: bool = False, is_european: bool = True) -> tuple[Planted, ...]:
    """Return the hosts to plant and the number of each, most first; they add up to `trees`.

    Of each kind its primary hosts are taken, else its secondary ones, two at most and the first first. Introduced trees
    are left out unless the plan names its hosts (`named`). Hosts without a recipe go by strength: primary ones count
    four times the others.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> result = mix_of(load_profile("tuber_melanosporum").hosts, 180)
    >>> [(part.host.common, part.trees) for part in result][:3]
    [('hazel', 90), ('holm oak', 23), ('downy oak', 23)]
    """
    allowed = [host for host in hosts if named or not host.introduced]
    kinds: dict[str, list[Host]] = {}
    for host in allowed:
        genus = host.name.partition("_")[0]
        kinds.setdefault(_KINDS.get(genus, genus), []).append(host)
    chosen = {kind: _strongest(members) for kind, members in kinds.items()}
    parts = {kind: _parts(kind, members[0], is_european) for kind, members in chosen.items()}
    if not any(parts.values()):
        parts = {kind: _by_strength(members[0]) for kind, members in chosen.items()}
    shares = [(host, parts[kind] / len(members)) for kind, members in chosen.items() for host in members if parts[kind]]
    counted = zip(shares, _rounded([share for _, share in shares], trees), strict=True)
    mix = [Planted(host, count) for (host, _), count in counted if count]
    return tuple(sorted(mix, key=lambda part: -part.trees))


def is_european(hosts: Sequence[Host]) -> bool:
    """Return True for hosts of a truffle that is native together with hazel: the recipe is for these."""
    return any(host.name == HAZEL and not host.introduced for host in hosts)


def _strongest(hosts: Sequence[Host]) -> list[Host]:
    primary = [host for host in hosts if host.strength == "primary"]
    return (primary or list(hosts))[:_MOST_OF_A_KIND]


def _parts(kind: str, first: Host, with_recipe: bool) -> int:
    if not with_recipe:
        return _by_strength(first)
    if kind == "pinus" and first.strength == "primary":
        return _PRIMARY
    return _PARTS.get(kind, 2 if first.strength == "primary" else 0)


def _by_strength(host: Host) -> int:
    return _PRIMARY if host.strength == "primary" else _OTHER


def _rounded(shares: Sequence[float], total: int) -> list[int]:
    """Return whole numbers in these proportions that add up to the total, by largest remainders."""
    total_share = sum(shares)
    exact = [total * share / total_share if total_share else 0.0 for share in shares]
    counts = [math.floor(value + 1e-9) for value in exact]
    order = sorted(range(len(shares)), key=lambda i: (counts[i] - exact[i], i))
    for i in order[: total - sum(counts) if total_share else 0]:
        counts[i] += 1
    return counts
