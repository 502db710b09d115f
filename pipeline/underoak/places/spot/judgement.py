"""The judgement of a spot from its figures, by the code that judges the cells of a run: class, P, limits, remedies."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.codes import NOTHING_LIMITS
from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Window
from underoak.overlay import class_name, combine, membership, weakest
from underoak.overlay import judge as judge_memberships
from underoak.places.answers.limits import NoLimit, Side
from underoak.places.answers.needs import RemedyNeed
from underoak.places.answers.verdict import Purpose
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.ranking import classes_of, held_by
from underoak.places.soil.amounts import needs_of
from underoak.places.soil.remedies import Remedied, remedies_of, texture_of, with_remedies
from underoak.places.spot.figures import Figure, read_figures
from underoak.places.spot.written_figures import read_written
from underoak.plan.load import load_plan
from underoak.plan.profiles.looked_at import LookedAt
from underoak.plan.profiles.profile import load_profile, profile_names
from underoak.uncertainty.draws.cell_draws import draw, hash_seed
from underoak.uncertainty.draws.draw_overlay import DrawnCriterion, DrawSummary, SourceWeights, judge_draws

if TYPE_CHECKING:
    from underoak.overlay import Rules
    from underoak.plan.plan import Criterion, Plan
    from underoak.plan.profiles.profile import Profile

DRAWS, SEED = 10_000, 1
MOST_DRAWS = 1_000_000
_LEVELS = (0.05, 0.95)
Singles = npt.NDArray[np.float32]
Figures = str | Sequence[str] | Mapping[str, str | float]


@dataclass(frozen=True, slots=True)
class JudgedCriterion:
    """A criterion of the spot: its figure and what follows from it."""

    criterion: Criterion
    figure: Figure
    membership: float
    side: Side | None  # the side of the best range on which membership is lost

    @property
    def name(self) -> str:
        """Name of the criterion."""
        return self.criterion.name

    @property
    def value(self) -> float:
        """The figure, in the criterion's unit."""
        return self.figure.value

    @property
    def weight(self) -> float:
        """Weight among the criteria that are judged; together they add up to 1."""
        return self.criterion.weight


@dataclass(frozen=True, slots=True)
class Potential:
    """The spot after remedies."""

    by: tuple[str, ...]  # lime | irrigation
    suitability: float
    class_name: str
    held_by: tuple[str, ...] | None


@dataclass(frozen=True, slots=True)
class Doubt:
    """The spread of the suitability if one figure were exact."""

    layer: str
    sd_without: float  # standard deviation over the draws of all other figures


@dataclass(frozen=True, slots=True)
class SpotJudgement:
    """The judgement of one species on one spot. It is no verdict: nothing is known of area, deal and the rest."""

    plan: Plan  # the profile with these figures as layers: criteria, rules, profile
    purpose: Purpose
    suitability: float  # 0..1
    class_name: str  # S1, S2, S3 or N
    held_by: tuple[str, ...] | None  # criteria that hold the class below that of the suitability
    p: float | None  # probability of class S2 or better; None where no figure has an error
    sd: float | None  # standard deviation of the suitability over the draws
    low: float | None  # 5 % and 95 % of it
    high: float | None
    draws: int
    seed: int
    doubts: tuple[Doubt, ...]  # of each figure with an error, the one that holds most of the doubt first
    criteria: tuple[JudgedCriterion, ...]  # in the profile's order
    limiting: tuple[str | NoLimit, ...]
    most_gainful: tuple[str | NoLimit, ...]
    gain: float  # of suitability, with the first of `most_gainful` at 1
    potential: Potential | None  # after all remedies; None where none helps
    steps: tuple[Potential, ...]  # after each remedy alone, where several help
    needs: tuple[RemedyNeed, ...]  # what remedies take, and why others do not count
    looked_at: LookedAt  # how much of the profile, and which criteria are missing, heaviest first
    not_used: tuple[tuple[str, str], ...]  # figures that nothing is judged by: criterion and reason

    @property
    def species(self) -> str:
        """Name of the species profile."""
        return self.plan.species or ""


def judge(
    species: str, figures: Figures, *, purpose: str = "buy", draws: int = DRAWS, seed: int = SEED
) -> SpotJudgement:
    """Judge one spot for a species from figures in hand, without rasters.

    Args:
        species: name of a species profile.
        figures: values of the profile's criteria or layers: text such as `ph=7.6±0.2 rain_summer=150mm`, words of it,
            or a mapping of names to numbers or text. Without a unit it is the profile's. An error behind ± is a
            standard deviation; without one, that of a laboratory (soil) or of a map (the rest) is assumed.
        purpose: buy, orchard or restore; wild ground is never offered lime or water.
        draws: how often the errors are drawn.
        seed: random seed.

    >>> spot = judge("tuber_melanosporum", {"ph": "7.9±0.1", "water": "150 mm ± 10 mm"})
    >>> spot.class_name, [criterion.membership for criterion in spot.criteria], round(spot.p, 2)
    ('S1', [1.0, 1.0], 1.0)

    Raises:
        UnderoakError: with every fault: E204, E304, E332, E340 to E344, E370 to E374.
    """
    problems = _check_settings(purpose, draws, seed)
    try:
        profile = load_profile(species)
    except UnderoakError as error:
        problems.add_error(error)
        read_written(figures, problems)
        raise UnderoakError(*problems.faults) from error
    read = read_figures(read_written(figures, problems), profile, problems)
    problems.stop_if_any()
    if not _has_weight(profile, read):
        raise UnderoakError(_no_weight(profile, read))
    return _judge(profile, read, Purpose(purpose), draws, seed)


def judge_all(
    figures: Figures, *, purpose: str = "buy", draws: int = DRAWS, seed: int = SEED
) -> tuple[SpotJudgement, ...]:
    """Judge one spot for every species that the figures say something of, the most suitable first.

    Arguments as in `judge`. A species whose profile has none of the figures is left out.

    Raises:
        UnderoakError: as `judge` does.
    """
    problems = _check_settings(purpose, draws, seed)
    profiles = [load_profile(name) for name in profile_names()]
    written = read_written(figures, problems)
    by_profile = [(profile, read_figures(written, profile, problems, profiles)) for profile in profiles]
    problems.stop_if_any()
    spots = [_judge(each, read, Purpose(purpose), draws, seed) for each, read in by_profile if _has_weight(each, read)]
    if not spots:
        raise UnderoakError(Fault("E374", "no species judges anything by these figures", fix="add a pH or a rain"))
    return tuple(sorted(spots, key=lambda spot: (-spot.suitability, spot.species)))


def _check_settings(purpose: str, draws: int, seed: int) -> Problems:
    problems = Problems()
    known = (Purpose.BUY, Purpose.ORCHARD, Purpose.RESTORE)
    if purpose not in known:
        problems.add("E304", f'the purpose cannot be "{purpose}"', "purpose", f"write {', '.join(known)}")
    if not 8 <= draws <= MOST_DRAWS:
        problems.add("E304", f"cannot be {draws}", "draws", f"write a number from 8 to {MOST_DRAWS}")
    if seed < 0:
        problems.add("E304", f"cannot be {seed}", "seed", "write 0 or more")
    return problems


def _has_weight(profile: Profile, figures: Sequence[Figure]) -> bool:
    layers = {figure.layer for figure in figures}
    return any(criterion.weight > 0.0 for criterion in profile.criteria.values() if criterion.layer in layers)


def _no_weight(profile: Profile, figures: Sequence[Figure]) -> Fault:
    names = ", ".join(figure.layer for figure in figures)
    heaviest = sorted(profile.criteria.items(), key=lambda item: -item[1].weight)[:3]
    what = f"{profile.name} gives {names} no weight, so there is nothing to judge by"
    return Fault("E374", what, fix="add one of the heaviest: " + ", ".join(name for name, _ in heaviest))


def plan_of(profile: Profile, figures: Sequence[Figure]) -> Plan:
    """Return the plan that a spot is judged by: the profile, and a layer for each figure."""
    layers = {figure.layer: {"file": "figure in hand", "unit": figure.unit or "1"} for figure in figures}
    return load_plan({
        "format": 1, "title": "Figures in hand", "purpose": "region", "species": [profile.name], "layers": layers,
        "region": {"bounds": [0, 0, 1, 1], "crs": "EPSG:3857", "cell": "1 m"},
    })  # fmt: skip


def _judge(profile: Profile, figures: Sequence[Figure], purpose: Purpose, draws: int, seed: int) -> SpotJudgement:
    plan, by_layer = plan_of(profile, figures), {figure.layer: figure for figure in figures}
    rules, criteria = plan.rules, plan.criteria
    names = tuple(criterion.name for criterion in criteria)
    values = np.array([by_layer[criterion.layer].value for criterion in criteria], np.float32)
    memberships = np.array(
        [membership(value, criterion.curve) for value, criterion in zip(values, criteria, strict=True)], np.float32
    )
    result = judge_memberships(memberships[:, None, None], np.zeros((1, 1), np.uint8), rules)
    suitability = result.suitability.reshape(1)
    means, judged = memberships[None].astype(np.float64), np.ones(1, np.bool_)
    cells = SampledCells(
        np.array([0, 1]), np.zeros(1, np.int64), np.ones(1), np.ones(1), memberships[None], values[None], suitability
    )
    remedies = () if purpose is Purpose.RESTORE else remedies_of(plan)
    remedied = with_remedies(cells, remedies, rules, texture_of(criteria))
    best = _potential(remedied, suitability, means, rules, names)
    steps = [_potential(with_remedies(cells, [remedy], rules), suitability, means, rules, names) for remedy in remedies]
    chance = _chance(criteria, figures, memberships, rules, draws, seed)
    looked_at = plan.looked_at
    assert looked_at is not None, "a plan with a species has a profile"
    typed = {criterion: each.layer for criterion, each in profile.criteria.items() if each.layer in by_layer}
    return SpotJudgement(
        plan=plan,
        purpose=purpose,
        suitability=float(suitability[0]),
        class_name=class_name(int(result.classes[0, 0])),
        held_by=held_by(suitability.astype(np.float64), means, rules, names, judged)[0],
        p=chance.p,
        sd=chance.sd,
        low=chance.low,
        high=chance.high,
        draws=draws,
        seed=seed,
        doubts=chance.doubts,
        criteria=tuple(
            JudgedCriterion(criterion, by_layer[criterion.layer], float(each), _side(criterion, float(value), each))
            for criterion, value, each in zip(criteria, values, memberships, strict=True)
        ),
        limiting=_limiting(int(result.weakest[0, 0]), memberships, rules, names),
        most_gainful=_named(int(result.gainful[0, 0]), names),
        gain=_gain(int(result.gainful[0, 0]), memberships, rules),
        potential=best,
        steps=tuple(step for step in steps if step is not None) if best is not None and len(best.by) > 1 else (),
        needs=tuple(need for each in remedied.amounts for need in needs_of(each, 0, math.nan, "", names)),
        looked_at=looked_at,
        not_used=tuple((each.name, each.reason) for each in plan.not_judged if each.name in typed),
    )


def _side(criterion: Criterion, value: float, of_value: np.float32) -> Side | None:
    if criterion.curve.kind == "table" or of_value >= 1.0:
        return None
    low, high = criterion.curve.full
    return Side.LOW if value < low else Side.HIGH if value > high else None


def _named(code: int, names: tuple[str, ...]) -> tuple[str | NoLimit, ...]:
    return (NoLimit.NOTHING,) if code == NOTHING_LIMITS else (names[code],)


def _limiting(code: int, memberships: Singles, rules: Rules, names: tuple[str, ...]) -> tuple[str | NoLimit, ...]:
    """Return the limiting criteria: all that tie, or the essential one that lowers the class."""
    ties = weakest(memberships.tolist(), rules.weights, rules.missing) or ()
    return tuple(names[k] for k in ties) if code in ties else _named(code, names)


def _gain(code: int, memberships: Singles, rules: Rules) -> float:
    if code == NOTHING_LIMITS:
        return 0.0
    raised = memberships.copy()
    raised[code] = 1.0
    settings = rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing
    return float(combine(raised, *settings)) - float(combine(memberships, *settings))


def _potential(
    remedied: Remedied, suitability: Singles, means: npt.NDArray[np.float64], rules: Rules, names: tuple[str, ...]
) -> Potential | None:
    """Return the spot after remedies; None where none of them helps."""
    helping = tuple(each.remedy.by for each in remedied.amounts if each.amount[0] > 0.0)
    if not helping:
        return None
    better = np.minimum(suitability.astype(np.float64) + remedied.gain, 1.0)
    raised = means + remedied.memberships
    (holding,) = held_by(better, raised, rules, names, np.ones(1, np.bool_))
    return Potential(helping, float(better[0]), classes_of(better, raised, rules)[0], holding)


class _Chance(NamedTuple):
    """Figures over the draws; None where nothing is drawn."""

    p: float | None = None
    sd: float | None = None
    low: float | None = None
    high: float | None = None
    doubts: tuple[Doubt, ...] = ()


def _chance(
    criteria: Sequence[Criterion], figures: Sequence[Figure], memberships: Singles, rules: Rules, draws: int, seed: int
) -> _Chance:
    """Return the probability of class S2 or better, and the spread of the suitability, over draws of the figures."""
    tables = {figure.layer: drawn_values(figure, draws, seed) for figure in figures if figure.error}
    one = SourceWeights(np.zeros(1, np.int64), np.ones(1, np.int32), np.zeros(1, np.int32), np.ones(1, np.float32))
    drawn = [
        DrawnCriterion(k, tables[criterion.layer], one, criterion.curve)
        for k, criterion in enumerate(criteria)
        if criterion.layer in tables
    ]
    if not drawn and not all(figure.error == 0.0 for figure in figures):
        return _Chance()

    def summary(some: Sequence[DrawnCriterion]) -> DrawSummary:
        return judge_draws(memberships[:, None], np.ones(1, np.bool_), some, draws, rules, levels=_LEVELS)

    every = summary(drawn)
    judged = {criterion.layer for criterion in criteria}
    doubts = [
        Doubt(layer, float(summary([each for each in drawn if each.table is not tables[layer]]).sd[0]))
        for layer in tables
        if layer in judged
    ]
    low, high = (float(level[0]) for level in every.quantiles)
    p = round(float(every.reached[0]) * draws) / draws
    return _Chance(p, float(every.sd[0]), low, high, tuple(sorted(doubts, key=lambda doubt: doubt.sd_without)))


def drawn_values(figure: Figure, draws: int, seed: int) -> Singles:
    """Return a figure's values in all draws, (1, draws), as those of a source cell of a layer of that name."""
    from underoak.uncertainty.draws import draw_kernels as kernels

    assert figure.sd is not None
    normals = draw(hash_seed(seed, figure.layer), Window(0, 0, 1, 1), draws)
    table = np.empty((1, draws), np.float32)
    value = np.array([[figure.value]], np.float32)
    kernels.normal_draws(
        value, figure.sd, figure.is_share, normals.z, normals.row_at, normals.col_at, *figure.limits, table
    )
    return table
