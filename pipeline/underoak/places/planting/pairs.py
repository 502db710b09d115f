"""The best pair of truffle and host tree on each parcel.

The score of a pair is the parcel's suitability for the truffle times the factor of the host (`plan.profiles.profile`:
primary 1, secondary 0.8; common practice, no source). A tree that is no host of the truffle makes no pair, nor does one
that is missing from the plan's `hosts`, or does not grow in the region; on wild ground a tree that is not native there
makes none either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.base import crs
from underoak.base.grid import Grid
from underoak.base.number_words import TIE
from underoak.places.answers.native import NativeState, Origin
from underoak.places.answers.pairs import OriginOf, PairName
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import PARCELS
from underoak.places.wild.native_range import LocalRange
from underoak.plan.profiles.hosts import grows_at

if TYPE_CHECKING:
    import pandas as pd

    from underoak.plan.plan import Plan
    from underoak.plan.profiles.profile import Host, Profile

Doubles = npt.NDArray[np.float64]
_ORIGINS = {
    NativeState.NATIVE: Origin.NATIVE,
    NativeState.EVIDENCE: Origin.EVIDENCE,
    NativeState.OUTSIDE: Origin.INTRODUCED,
}


@dataclass(frozen=True, slots=True)
class Pair:
    """A truffle and a tree that can live together."""

    species: str
    host: Host

    @property
    def factor(self) -> float:
        """The factor of the host, 0..1."""
        return self.host.factor


def middle_of(grid: Grid) -> tuple[float, float]:
    """Return longitude and latitude [degree] of the middle of a grid: where the trees of a plan must grow.

    >>> [round(degrees, 4) for degrees in middle_of(Grid.north_up("EPSG:4326", 5.0, 60.0, 0.5, 2, 4))]
    [6.0, 59.5]
    """
    x, y = grid.xy(grid.cols / 2, grid.rows / 2)
    longitude, latitude = crs.transformer(grid.crs, "EPSG:4326").transform(x, y)
    return float(longitude), float(latitude)


def hosts_of(plan: Plan, at: tuple[float, float] | None = None) -> tuple[Host, ...]:
    """Return the hosts that count for a plan's species, as in `hosts_in`."""
    return () if plan.profile is None else hosts_in(plan.profile, plan.spec.hosts, plan.purpose, at)


def hosts_in(
    profile: Profile, named: Sequence[str], purpose: str, at: tuple[float, float] | None = None
) -> tuple[Host, ...]:
    """Return the hosts of a profile that count: those that a plan names, in its order; without names all.

    `at` is longitude and latitude [degree] of the land: hosts that do not grow there are left out, unless the plan
    names them. On wild ground, only hosts that are native there count, named or not.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> [host.name for host in hosts_in(load_profile("tuber_magnatum"), ["tilia_cordata", "salix_alba"], "buy")]
    ['tilia_cordata', 'salix_alba']
    """
    known = {host.name: host for host in profile.hosts}
    chosen = [known[name] for name in named if name in known] if named else known.values()
    is_wild = purpose == "restore"
    chosen = [host for host in chosen if not (host.introduced and is_wild)]
    if at is None or (named and not is_wild):
        return tuple(chosen)
    return tuple(host for host in chosen if grows_at(host.name, *at, wild=is_wild))


def pairs_of(plans: Sequence[Plan], at: tuple[float, float] | None = None) -> tuple[Pair, ...]:
    """Return every possible pair, species by species in the order of the plans; `at` as in `hosts_in`."""
    return tuple(Pair(plan.species, host) for plan in plans if plan.species for host in hosts_of(plan, at))


def choose(values: Sequence[float], cut: float) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the best pairs and the runners-up, as indices in `values`: all that tie within 1e-6, in their order.

    Values below the cut make no pair. NaN is not judged.

    >>> choose([0.6, 0.8, 0.64, 0.8], 0.25), choose([0.2, 0.1], 0.25), choose([0.6, 0.2], 0.25)
    (((1, 3), (2,)), ((), ()), ((0,), ()))
    """
    best: list[tuple[int, ...]] = []
    remaining = [i for i, value in enumerate(values) if value >= cut - TIE]
    for _ in range(2):
        most = max((values[i] for i in remaining), default=0.0)
        best.append(tuple(i for i in remaining if values[i] >= most - TIE))
        remaining = [i for i in remaining if values[i] < most - TIE]
    return best[0], best[1]


def likelihood(draws: npt.ArrayLike, factors: Sequence[float], best: Sequence[Sequence[int]], cut: float) -> Doubles:
    """Return the share of the draws in which a parcel's best pair is the best and reaches the cut, (parcels,).

    `draws` (parcels, draws, species) of suitability, all species in the same draws; `factors` of each species' best
    hosts; `best` holds each parcel's best species, several when they tie. NaN where it has none or nothing is judged.

    >>> likelihood([[[0.6, 0.5], [0.4, 0.5], [0.2, 0.1], [0.7, 0.6]]], [1.0, 1.0], [[0]], 0.25).tolist()
    [0.5]
    """
    worth = np.asarray(draws, np.float64) * np.asarray(factors, np.float64)
    known = np.asarray(~np.isnan(worth).any(axis=1))
    worth = np.where(np.isnan(worth), -np.inf, worth)
    most, shares = worth.max(axis=2), np.full(len(worth), np.nan)
    alike: dict[tuple[int, ...], list[int]] = {}
    for parcel, species in enumerate(best):
        if len(species) and known[parcel, list(species)].all():
            alike.setdefault(tuple(species), []).append(parcel)
    for key, parcels in alike.items():
        scores = worth[parcels][:, :, list(key)].max(axis=2)
        shares[parcels] = ((scores >= most[parcels] - TIE) & (scores >= cut - TIE)).mean(axis=1)
    return shares


def origins_at(local: LocalRange, shapes: npt.NDArray[Any]) -> list[Origin | None]:
    """Return the origin of the truffle at a point inside each shape; None where there is no shape.

    The border is as coarse as the range.
    """
    import shapely

    inside = shapely.point_on_surface(shapes)
    shapely.prepare([local.native, local.allowed])
    native, allowed = shapely.covers(local.native, inside), shapely.covers(local.allowed, inside)
    has_point = ~(shapely.is_missing(inside) | shapely.is_empty(inside))
    states = np.where(native, NativeState.NATIVE, np.where(allowed, NativeState.EVIDENCE, NativeState.OUTSIDE))
    return [
        _ORIGINS[NativeState(state)] if has else None for state, has in zip(states.tolist(), has_point, strict=True)
    ]


def host_origin(pair: Pair, truffle: Origin | None) -> Origin:
    """Return the origin of the tree, given that of the truffle; a profile states no more than that.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> hazel = next(h for h in load_profile("tuber_lyonii").hosts if h.name == "corylus_avellana")
    >>> host_origin(Pair("tuber_lyonii", hazel), Origin.NATIVE).value
    'introduced'
    >>> host_origin(Pair("tuber_lyonii", hazel), Origin.INTRODUCED).value
    'origin unknown'
    """
    return Origin.INTRODUCED if pair.host.introduced and truffle is Origin.NATIVE else Origin.UNKNOWN


@dataclass(frozen=True, slots=True, eq=False)
class PairScores:
    """The suitability and origins that pairs are chosen by; rows are parcels, in one order for all."""

    plans: tuple[Plan, ...]  # one for each species, in plan order
    suitability: Doubles  # (parcels, species), NaN where not judged
    origins: tuple[Sequence[Origin | None], ...]  # of each species at each parcel (`origins_at`); () when not known
    draws: Doubles | None = None  # (parcels, draws, species)
    at: tuple[float, float] | None = None  # longitude and latitude of the land; None: trees may be from anywhere


def pair_columns(judged: PairScores) -> pd.DataFrame:
    """Return the best pair of every parcel: `columns.parcels.PAIRS`; species only where there are several.

    `p_pair` needs draws. `best_host` is empty of pairs where none reaches S3, or nothing is judged.
    """
    import pandas as pd

    pairs = pairs_of(judged.plans, judged.at)
    names = [plan.species or "" for plan in judged.plans]
    place = np.array([names.index(pair.species) for pair in pairs], np.int64)
    factor = np.array([pair.factor for pair in pairs])
    cut, several = judged.plans[0].rules.cuts[2], len(names) > 1
    worth = judged.suitability[:, place] * factor if len(pairs) else np.empty((len(judged.suitability), 0))
    cells: dict[Any, dict[str, Any]] = {}  # many parcels share theirs
    rows, best = [], []
    for i, values in enumerate(worth.tolist()):
        first, after = choose(values, cut)
        origins = tuple(each[i] for each in judged.origins)
        key = first, after, origins
        if key not in cells:
            cells[key] = _cells(pairs, names, place, first, after, origins)
        best.append(cells[key]["species"])
        figures = {
            "pair": values[first[0]] if first else np.nan,
            "runner_up_pair": values[after[0]] if after else np.nan,
        }
        rows.append(cells[key] | figures)
    objects = [*(["best_species"] if several else []), "best_host", "runner_up", "origin"]
    series = {name: pd.Series([row[name] for row in rows], dtype=object) for name in objects}
    numbers = {name: pd.Series([row[name] for row in rows], dtype=np.float64) for name in ("pair", "runner_up_pair")}
    table = pd.DataFrame(series | numbers)
    if judged.draws is not None:
        top = [max((f for f, s in zip(factor, place, strict=True) if s == n), default=0.0) for n in range(len(names))]
        table["p_pair"] = likelihood(judged.draws, top, best, cut)
    return arrange(table, PARCELS)


def _cells(
    pairs: Sequence[Pair], names: Sequence[str], place: npt.NDArray[np.int64], first: Sequence[int],
    after: Sequence[int], origins: Sequence[Origin | None],
) -> dict[str, Any]:  # fmt: skip
    species = list(dict.fromkeys(int(place[k]) for k in first))
    return {
        "species": species,
        "best_species": tuple(names[n] for n in species),
        "best_host": _pair_names([pairs[k] for k in first], len(species) > 1),
        "runner_up": _pair_names([pairs[k] for k in after], len(names) > 1) or None,
        "origin": _origins([pairs[k] for k in first], [origins[n] for n in species] if origins else ()),
    }


def _pair_names(pairs: Sequence[Pair], with_species: bool) -> tuple[PairName, ...]:
    return tuple(PairName(pair.host.name, pair.species if with_species else "") for pair in pairs)


def _origins(pairs: Sequence[Pair], origins: Sequence[Origin | None]) -> tuple[OriginOf, ...] | None:
    """Return the origins of the species, then of the hosts, those of one origin together."""
    if not pairs or not origins:
        return None
    of_species = dict(zip(dict.fromkeys(pair.species for pair in pairs), origins, strict=True))
    hosts: dict[Origin, list[str]] = {}
    for pair in pairs:
        group = hosts.setdefault(host_origin(pair, of_species[pair.species]), [])
        group += [pair.host.name] if pair.host.name not in group else []
    species = [OriginOf((name,), origin) for name, origin in of_species.items() if origin is not None]
    return (*species, *(OriginOf(tuple(names), origin) for origin, names in hosts.items())) or None
