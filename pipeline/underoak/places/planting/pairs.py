"""Which truffle with which host tree on each parcel.

A pair is worth the parcel's suitability for the truffle times what the host counts beside others
(`plan.profiles.profile`: primary 1, secondary 0.8; common practice, no source). A tree that is no host of the
truffle makes no pair, nor does one that the plan's `hosts` leave out; on wild ground a tree
that is not native with the truffle makes none either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.places.parcels.ranking import TIE
from underoak.places.wild.native_range import EVIDENCE, NATIVE, OUTSIDE, LocalRange

if TYPE_CHECKING:
    import pandas as pd

    from underoak.plan.plan import Plan
    from underoak.plan.profiles.profile import Host, Profile

Doubles = npt.NDArray[np.float64]
NO_PAIR = "no pair"
INTRODUCED, UNKNOWN = "introduced", "origin unknown"
_STATES = {NATIVE: NATIVE, EVIDENCE: EVIDENCE, OUTSIDE: INTRODUCED}


@dataclass(frozen=True, slots=True)
class Pair:
    """A truffle and a tree that can live together."""

    species: str
    host: Host

    @property
    def factor(self) -> float:
        """What the host counts, 0..1."""
        return self.host.factor


def hosts_of(plan: Plan) -> tuple[Host, ...]:
    """The hosts that count for a plan's species, as `hosts_in` finds them."""
    return () if plan.profile is None else hosts_in(plan.profile, plan.spec.hosts, plan.purpose)


def hosts_in(profile: Profile, named: Sequence[str], purpose: str) -> tuple[Host, ...]:
    """The hosts of a profile that count: those that a plan names, in its order; without names all.

    On wild ground those are left out that are not native where the truffle is.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> [host.name for host in hosts_in(load_profile("tuber_magnatum"), ["tilia_cordata", "salix_alba"], "buy")]
    ['tilia_cordata', 'salix_alba']
    """
    known = {host.name: host for host in profile.hosts}
    chosen = [known[name] for name in named if name in known] if named else known.values()
    return tuple(host for host in chosen if not (host.introduced and purpose == "restore"))


def pairs_of(plans: Sequence[Plan]) -> tuple[Pair, ...]:
    """Every pair that is possible, species by species in the order of the plans."""
    return tuple(Pair(plan.species, host) for plan in plans if plan.species for host in hosts_of(plan))


def choose(values: Sequence[float], cut: float) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The pairs of most worth and the runners-up, as places in `values`: all that tie within 1e-6, in their order.

    None reaches the cut: no pair. NaN is not judged.

    >>> choose([0.6, 0.8, 0.64, 0.8], 0.25), choose([0.2, 0.1], 0.25), choose([0.6, 0.2], 0.25)
    (((1, 3), (2,)), ((), ()), ((0,), ()))
    """
    found: list[tuple[int, ...]] = []
    left = [i for i, value in enumerate(values) if value >= cut - TIE]
    for _ in range(2):
        most = max((values[i] for i in left), default=0.0)
        found.append(tuple(i for i in left if values[i] >= most - TIE))
        left = [i for i in left if values[i] < most - TIE]
    return found[0], found[1]


def likelihood(draws: npt.ArrayLike, factors: Sequence[float], best: Sequence[Sequence[int]], cut: float) -> Doubles:
    """Share of the draws in which a parcel's best pair is the best and reaches the cut, (parcels,).

    `draws` (parcels, draws, species) of suitability, all species in the same draws; `factors` of each species' best
    hosts; `best` holds each parcel's best species, several when they tie. NaN where it has none or nothing is judged.

    >>> likelihood([[[0.6, 0.5], [0.4, 0.5], [0.2, 0.1], [0.7, 0.6]]], [1.0, 1.0], [[0]], 0.25).tolist()
    [0.5]
    """
    worth = np.asarray(draws, np.float64) * np.asarray(factors, np.float64)
    known = np.asarray(~np.isnan(worth).any(axis=1))
    worth = np.where(np.isnan(worth), -np.inf, worth)
    most, made = worth.max(axis=2), np.full(len(worth), np.nan)
    alike: dict[tuple[int, ...], list[int]] = {}
    for parcel, own in enumerate(best):
        if len(own) and known[parcel, list(own)].all():
            alike.setdefault(tuple(own), []).append(parcel)
    for own, parcels in alike.items():
        mine = worth[parcels][:, :, list(own)].max(axis=2)
        made[parcels] = ((mine >= most[parcels] - TIE) & (mine >= cut - TIE)).mean(axis=1)
    return made


def states_at(local: LocalRange, shapes: npt.NDArray[Any]) -> list[str]:
    """Whether the truffle is native at a place inside each shape; the border is as coarse as the range.

    native, needs evidence, introduced; "" where there is no shape.
    """
    import shapely

    inside = shapely.point_on_surface(shapes)
    shapely.prepare([local.native, local.ground])
    native, ground = shapely.covers(local.native, inside), shapely.covers(local.ground, inside)
    there = ~(shapely.is_missing(inside) | shapely.is_empty(inside))
    return [
        "" if not known else _STATES[NATIVE if own else EVIDENCE if claimed else OUTSIDE]
        for known, own, claimed in zip(there, native, ground, strict=True)
    ]


def origin(pair: Pair, state: str) -> str:
    """Whether the tree is native where the truffle's own state is `state`; a profile tells no more than that.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> hazel = next(h for h in load_profile("tuber_lyonii").hosts if h.name == "corylus_avellana")
    >>> origin(Pair("tuber_lyonii", hazel), "native"), origin(Pair("tuber_lyonii", hazel), "introduced")
    ('introduced', 'origin unknown')
    """
    return INTRODUCED if pair.host.introduced and state == NATIVE else UNKNOWN


@dataclass(frozen=True, slots=True, eq=False)
class PairScores:
    """What a choice of pairs goes by; rows are parcels, in one order for all."""

    plans: tuple[Plan, ...]  # one for each species, in plan order
    suitability: Doubles  # (parcels, species), NaN where not judged
    states: tuple[Sequence[str], ...]  # of each species at each parcel, as `states_at` tells; () when not known
    draws: Doubles | None = None  # (parcels, draws, species)


def pair_columns(judged: PairScores) -> pd.DataFrame:
    """The best pair of every parcel; a column of species only where there are several.

    Columns: `best_species`, `best_host` (all that tie, in plan order; `no pair` where none reaches S3 or nothing is
    judged) · `pair` (what it is worth, 0..1) · `runner_up` (those of the next worth; empty when there is none) ·
    `runner_up_pair` (what they are worth) · `p_pair` (with draws: share of them in which the pair is the best and
    reaches S3) · `origin` (whether species and hosts of the best pair are native there: `introduced`, `needs evidence`,
    or, of a tree, `origin unknown` where the profile does not say).
    """
    import pandas as pd

    pairs = pairs_of(judged.plans)
    names = [plan.species or "" for plan in judged.plans]
    place = np.array([names.index(pair.species) for pair in pairs], np.int64)
    factor = np.array([pair.factor for pair in pairs])
    cut, several = judged.plans[0].rules.cuts[2], len(names) > 1
    worth = judged.suitability[:, place] * factor if len(pairs) else np.empty((len(judged.suitability), 0))
    told: dict[tuple[Any, ...], dict[str, Any]] = {}  # many parcels share their words
    rows, best = [], []
    for i, values in enumerate(worth.tolist()):
        first, after = choose(values, cut)
        states = tuple(own[i] for own in judged.states)
        key = first, after, states
        if key not in told:
            told[key] = _words(pairs, names, place, first, after, states)
        best.append(told[key]["species"])
        figures = {
            "pair": values[first[0]] if first else np.nan,
            "runner_up_pair": values[after[0]] if after else np.nan,
        }
        rows.append(told[key] | figures)
    texts = [*(["best_species"] if several else []), "best_host", "runner_up", "origin"]
    columns = [*texts[:-2], "pair", "runner_up", "runner_up_pair", "origin"]
    made = pd.DataFrame(
        {
            name: pd.Series([row[name] for row in rows], dtype=object if name in texts else np.float64)
            for name in columns
        }
    )
    if judged.draws is not None:
        top = [max((f for f, s in zip(factor, place, strict=True) if s == n), default=0.0) for n in range(len(names))]
        made.insert(columns.index("origin"), "p_pair", likelihood(judged.draws, top, best, cut))
    return made


def _words(
    pairs: Sequence[Pair], names: Sequence[str], place: npt.NDArray[np.int64], first: Sequence[int],
    after: Sequence[int], states: Sequence[str],
) -> dict[str, Any]:  # fmt: skip
    mine = list(dict.fromkeys(int(place[k]) for k in first))
    return {
        "species": mine,
        "best_species": "; ".join(names[s] for s in mine) or NO_PAIR,
        "best_host": _named([pairs[k] for k in first], len(mine) > 1) or NO_PAIR,
        "runner_up": _named([pairs[k] for k in after], len(names) > 1) or None,
        "origin": _origins([pairs[k] for k in first], [states[s] for s in mine] if states else ()),
    }


def _named(pairs: Sequence[Pair], with_species: bool) -> str:
    return "; ".join(f"{pair.species} with {pair.host.name}" if with_species else pair.host.name for pair in pairs)


def _origins(pairs: Sequence[Pair], states: Sequence[str]) -> str | None:
    """Species first, each by its state; then the hosts, those of unknown origin together."""
    if not pairs or not states:
        return None
    species = list(dict.fromkeys(pair.species for pair in pairs))
    by_state = dict(zip(species, states, strict=True))
    hosts: dict[str, list[str]] = {}
    for pair in pairs:
        own = hosts.setdefault(origin(pair, by_state[pair.species]), [])
        own += [pair.host.name] if pair.host.name not in own else []
    told = [f"{name}: {by_state[name]}" for name in species if by_state[name]]
    return "; ".join([*told, *(f"{', '.join(names)}: {what}" for what, names in hosts.items())]) or None


def pair_words(text: str) -> str:
    """A cell of species or of pairs for people.

    >>> pair_words("tuber_magnatum with populus_alba; tuber_borchii with pinus_nigra")
    'Tuber magnatum with Populus alba, Tuber borchii with Pinus nigra'
    """
    return ", ".join(
        " with ".join(name.replace("_", " ").capitalize() for name in part.split(" with ")) for part in text.split("; ")
    )
