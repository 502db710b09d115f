"""Species profiles: criteria, hosts and season of a truffle, each with source and confidence."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal, NamedTuple, Self, get_args

from pydantic import Field, model_validator

from underoak.base.errors import Fault, UnderoakError, did_you_mean
from underoak.plan.keys.criteria import RemedySpec, Weight
from underoak.plan.keys.curves import CurveSpec
from underoak.plan.keys.layer import QuantityName
from underoak.plan.keys.quantities import Name, Text, Unit
from underoak.plan.profiles.hosts import Tree, load_trees
from underoak.plan.profiles.practice import Practice
from underoak.plan.profiles.season import Season
from underoak.plan.profiles.single_years import SingleYears
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.validation import read_as
from underoak.plan.shipped import shipped

Confidence = Literal["A", "B", "C"]
UncertaintyKind = Literal["ph", "chemistry", "texture", "rain", "water_balance", "temperature", "elevation"]

# Uncertainty of a curve's corners, by kind and confidence; shares of the value for chemistry and rain. Common practice,
# no source.
_HALF_WIDTHS: dict[str, tuple[float, float, float]] = {
    "ph": (0.15, 0.25, 0.40),
    "chemistry": (0.25, 0.40, 0.60),
    "texture": (5.0, 8.0, 12.0),
    "rain": (0.10, 0.15, 0.25),
    "water_balance": (25.0, 40.0, 60.0),
    "temperature": (0.7, 1.2, 2.0),
    "elevation": (75.0, 120.0, 200.0),
}
_SHARES = ("chemistry", "rain")
GRADES = {
    "A": "two independent readings agree",
    "B": "one fair reading or several weak ones",
    "C": "unsourced estimate, or only its direction in print",
}
# Factor of a host by its strength, where species and hosts are matched. Common practice, no source.
STRENGTHS = {"primary": 1.0, "secondary": 0.8}


class HalfWidth(NamedTuple):
    """The uncertainty of a curve's corners, to either side."""

    amount: float
    is_share: bool
    """True: `amount` is a share of the corner's value; False: it is in the criterion's unit."""


class ProfileCriterion(Spec):
    """A criterion of the species. Every number has a source."""

    label: Text
    """Name for people."""
    layer: Name
    """Layer it judges, unless the plan names another."""
    unit: Unit
    """Unit of the curve."""
    quantity: QuantityName | None = None
    """Measured quantity, where the unit does not tell which values are plausible: a water balance may be below 0."""
    is_soil: bool
    """True if it describes the soil, so that a laboratory or a spade can test it."""
    curve: CurveSpec
    """Response curve."""
    source: Text
    """Citation of the curve's numbers."""
    confidence: Confidence
    """Grade. A: two independent readings agree; B: one fair or several weak ones; C: an unsourced estimate."""
    uncertainty_kind: UncertaintyKind | None = Field(None, alias="doubt")
    """Kind of value; with `confidence` it sets how uncertain the curve's corners are. Left out: not known."""
    weight: Weight
    """Weight relative to the other criteria of the profile."""
    weight_reason: Text
    """Reason for the weight."""
    remedy: RemedySpec | None = None
    """Remedy."""
    remedy_source: Text | None = None
    """Citation of the remedy's numbers."""
    essential: bool = False
    """True if nothing can make it good: no class is then above the class of this criterion alone."""
    essential_source: Text | None = None
    """Citation for `essential`."""

    @model_validator(mode="after")
    def _check_sources(self) -> Self:
        if (self.remedy is None) != (self.remedy_source is None):
            raise refusal("E304", "`remedy` and `remedy_source` need each other", "give both or neither")
        if self.essential != (self.essential_source is not None):
            raise refusal("E304", "`essential` and `essential_source` need each other", "give both or neither")
        return self

    @property
    def half_width(self) -> HalfWidth | None:
        """Uncertainty of the curve's corners; None if it is not known.

        >>> load_profile("tuber_brumale").criteria["ph"].half_width
        HalfWidth(amount=0.4, is_share=False)
        """
        if self.uncertainty_kind is None:
            return None
        amount = _HALF_WIDTHS[self.uncertainty_kind][get_args(Confidence).index(self.confidence)]
        return HalfWidth(amount, self.uncertainty_kind in _SHARES)


class Host(Spec):
    """A host tree of the species."""

    name: Name
    """Latin name, as plans write it: quercus_ilex."""
    strength: Literal["primary", "secondary"]
    """`primary`: fruits regularly and is planted for it. `secondary`: is recorded, or works less often."""
    introduced: bool = False
    """True if tree and truffle are not native to the same region: for orchards, never for wild ground."""
    source: Text
    """Citation."""

    @model_validator(mode="after")
    def _check_tree(self) -> Self:
        if self.name not in load_trees():
            fix = did_you_mean(self.name, load_trees(), "add it to configs/hosts.yaml")
            raise refusal("E332", f'there is no tree "{self.name}"', fix)
        return self

    @property
    def tree(self) -> Tree:
        """The tree's common name, and where it is native."""
        return load_trees()[self.name]

    @property
    def common(self) -> str:
        """Common name."""
        return self.tree.common

    @property
    def factor(self) -> float:
        """Factor relative to other hosts, 0..1, by strength alone (common practice, no source).

        >>> [host.factor for host in load_profile("tuber_lyonii").hosts if host.name == "tilia_americana"]
        [0.8]
        """
        return STRENGTHS[self.strength]

    @property
    def latin(self) -> str:
        """Latin name, as people write it.

        >>> Host(name="quercus_ilex", strength="primary", source="unsourced").latin
        'Quercus ilex'
        """
        return self.name.replace("_", " ").capitalize()

    @property
    def genus(self) -> str:
        """The genus of its Latin name, in small letters."""
        return self.name.partition("_")[0]

    @property
    def is_genus(self) -> bool:
        """True where sources name a genus only: nobody can order such a tree.

        >>> [host.name for host in load_profile("tuber_lyonii").hosts if host.is_genus]
        ['carya', 'quercus']
        """
        return "_" not in self.name


class Sourced(Spec):
    """A statement with its citation."""

    words: Text
    """The statement."""
    source: Text
    """Citation."""


class MostLime(Spec):
    """The most lime that a potential counts."""

    t_ha: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    """Tonnes of pure calcium carbonate per hectare, over all years."""
    source: Text
    """Citation."""


DEFAULT_MOST_LIME = MostLime(t_ha=40.0, source="common practice, no source")  # of plans without a profile


class Profile(Spec):
    """A species profile."""

    name: Name
    """Latin name, as plans write it: tuber_melanosporum."""
    common: Annotated[tuple[Text, ...], Field(min_length=1)]
    """Common names."""
    reviewed: Annotated[str, Field(pattern=r"^\d{4}-(0[1-9]|1[0-2])$")]
    """Year and month in which all its rows were last held against their sources: 2026-11."""
    native: Sourced
    """Where it is native."""
    season: Season
    """When it fruits."""
    criteria: Annotated[dict[Name, ProfileCriterion], Field(min_length=1)]
    """Its criteria, by name."""
    most_lime: MostLime | None = None
    """The most lime that counts: where a cell takes more, its pH stays as it is in the potential. Required if a
    criterion is limed."""
    hosts: Annotated[tuple[Host, ...], Field(min_length=1)]
    """Its host trees."""
    ruled_out: tuple[Sourced, ...] = ()
    """Land that growers rule out, without a number that a layer could be tested against."""
    notes: tuple[Sourced, ...] = ()
    """Notes for readers of the results."""
    practice: Practice
    """What growers and restorers do with it."""
    single_years: SingleYears | None = None
    """Limits for the weather of one year. Without it no year is counted."""

    @model_validator(mode="after")
    def _check_lime(self) -> Self:
        is_limed = any(c.remedy is not None and c.remedy.by == "lime" for c in self.criteria.values())
        if is_limed and self.most_lime is None:
            raise refusal("E304", "a criterion is limed, and `most_lime` is missing", "add it, with its source")
        if is_limed and self.practice.lime is None:
            raise refusal("E304", "a criterion is limed, and `practice.lime` is missing", "add it, with its source")
        return self

    @property
    def latin(self) -> str:
        """Latin name, as people write it."""
        return self.name.replace("_", " ").capitalize()

    def is_called(self, name: str) -> bool:
        """Return True for a common or Latin name of the species, however it is written.

        >>> load_profile("tuber_melanosporum").is_called("Black-Truffle ")
        True
        """
        plain = [re.sub(r"[^a-z]+", "", each.casefold()) for each in (name, self.latin, *self.common)]
        return plain[0] in plain[1:]

    @property
    def title(self) -> str:
        """Latin name and first common name."""
        return f"{self.latin} ({self.common[0]})"


def grade_words() -> str:
    """Return what the grades of a profile's numbers mean, in one line.

    >>> grade_words()[:31]
    'A two independent readings agre'
    """
    return "; ".join(f"{letter} {text}" for letter, text in GRADES.items())


def profile_names() -> tuple[str, ...]:
    """Return the names of the shipped profiles.

    >>> profile_names()[:3]
    ('tuber_aestivum', 'tuber_borchii', 'tuber_brumale')
    """
    return tuple(sorted(path.stem for path in shipped("configs", "species").glob("*.yaml")))


@lru_cache(maxsize=32)
def load_profile(name: str) -> Profile:
    """Load the profile of a species.

    >>> load_profile("tuber_melanosporum").criteria["ph"].curve.at
    (7.0, 7.5, 8.5, 8.9)

    Raises:
        UnderoakError: E332 if there is no profile of that name.
    """
    known = profile_names()
    if name not in known:
        fix = did_you_mean(name, known, "known: " + ", ".join(known))
        printed = next((profile.name for profile in map(load_profile, known) if profile.is_called(name)), None)
        if printed is not None:
            fix = f'write "{printed}"'
        raise UnderoakError(Fault("E332", f'there is no profile of the species "{name}"', fix=fix))
    return read_profile(shipped("configs", "species", f"{name}.yaml"))


def read_profile(path: Path) -> Profile:
    """Read a profile from a YAML file.

    Raises:
        UnderoakError: E3xx with every fault and its line.
    """
    profile = read_as(Profile, path)
    if profile.name != path.stem:
        what = f'the profile is named "{profile.name}" and the file {path.name}'
        raise UnderoakError(Fault("E304", what, str(path), "give both the same name"))
    return profile
