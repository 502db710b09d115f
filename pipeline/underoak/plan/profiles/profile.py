"""Species profiles: what a truffle needs, who says so, and how sure that is."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, get_args

from pydantic import Field, model_validator

from underoak.base.errors import Fault, UnderoakError, did_you_mean
from underoak.plan.keys.curves import CurveSpec
from underoak.plan.keys.plan_keys import RemedySpec, Weight
from underoak.plan.keys.quantities import Name, Text, Unit
from underoak.plan.profiles.hosts import Tree, load_trees
from underoak.plan.profiles.season import Season
from underoak.plan.reading.spec import Spec, refusal
from underoak.plan.reading.validation import Check, checked
from underoak.plan.reading.yaml import read
from underoak.plan.shipped import shipped

Confidence = Literal["A", "B", "C"]
UncertaintyKind = Literal["ph", "chemistry", "texture", "rain", "temperature", "elevation"]

# How far a curve's corners may be off, by kind and confidence; shares of the value for chemistry and rain. Common
# practice, no source.
_HALF_WIDTHS: dict[str, tuple[float, float, float]] = {
    "ph": (0.15, 0.25, 0.40),
    "chemistry": (0.25, 0.40, 0.60),
    "texture": (5.0, 8.0, 12.0),
    "rain": (0.10, 0.15, 0.25),
    "temperature": (0.7, 1.2, 2.0),
    "elevation": (75.0, 120.0, 200.0),
}
_SHARES = ("chemistry", "rain")
# What a host counts by its strength, where species and hosts are matched. Common practice, no source.
STRENGTHS = {"primary": 1.0, "secondary": 0.8}


class HalfWidth(NamedTuple):
    """How far each corner of a curve may be off to either side."""

    amount: float
    is_share: bool
    """True: a share of the corner's value; False: in the criterion's unit."""


class ProfileCriterion(Spec):
    """One thing the species asks of the ground. No number stands without a source."""

    label: Text
    """What people call it."""
    layer: Name
    """The layer it judges, unless the plan names another."""
    unit: Unit
    """The unit of the curve."""
    curve: CurveSpec
    """Response curve."""
    source: Text
    """Where the curve's numbers come from."""
    confidence: Confidence
    """A: two independent readings agree; B: one fair or several weak ones; C: from memory only."""
    uncertainty_kind: UncertaintyKind | None = Field(None, alias="doubt")
    """Kind of value; with `confidence` it sets how uncertain the curve's corners are. Left out: not known."""
    weight: Weight
    """Weight beside the profile's other criteria."""
    weight_reason: Text
    """Why it weighs that much."""
    remedy: RemedySpec | None = None
    """What can be done about it."""
    remedy_source: Text | None = None
    """Where the remedy's numbers come from."""

    @model_validator(mode="after")
    def _remedy_has_a_source(self) -> Any:
        if (self.remedy is None) != (self.remedy_source is None):
            raise refusal("E304", "`remedy` and `remedy_source` go together", "give both, or neither")
        return self

    @property
    def half_width(self) -> HalfWidth | None:
        """How far the curve's corners may be off; None where nobody has said.

        >>> load_profile("tuber_brumale").criteria["ph"].half_width
        HalfWidth(amount=0.4, is_share=False)
        """
        if self.uncertainty_kind is None:
            return None
        amount = _HALF_WIDTHS[self.uncertainty_kind][get_args(Confidence).index(self.confidence)]
        return HalfWidth(amount, self.uncertainty_kind in _SHARES)


class Host(Spec):
    """A tree the species lives with."""

    name: Name
    """Latin name, as plans write it: quercus_ilex."""
    strength: Literal["primary", "secondary"]
    """Fruits regularly and is planted on purpose; or recorded, or works less often."""
    introduced: bool = False
    """True where tree and truffle are not native to the same ground: for orchards, never for wild ground."""
    source: Text
    """Who says so."""

    @model_validator(mode="after")
    def _is_known(self) -> Any:
        if self.name not in load_trees():
            fix = did_you_mean(self.name, load_trees(), "add it to configs/hosts.yaml")
            raise refusal("E332", f'there is no tree "{self.name}"', fix)
        return self

    @property
    def tree(self) -> Tree:
        """The tree's names and where it grows wild."""
        return load_trees()[self.name]

    @property
    def common(self) -> str:
        """Common name."""
        return self.tree.common

    @property
    def factor(self) -> float:
        """What it counts beside other hosts, 0..1, by its strength alone (common practice, no source).

        >>> [host.factor for host in load_profile("tuber_lyonii").hosts if host.name == "tilia_americana"]
        [0.8]
        """
        return STRENGTHS[self.strength]

    @property
    def latin(self) -> str:
        """Latin name, as people write it.

        >>> Host(name="quercus_ilex", strength="primary", source="from memory").latin
        'Quercus ilex'
        """
        return self.name.replace("_", " ").capitalize()


class Sourced(Spec):
    """Words, and who says so."""

    words: Text
    """What is so."""
    source: Text
    """Who says so."""


class Profile(Spec):
    """A species profile."""

    name: Name
    """Latin name, as plans write it: tuber_melanosporum."""
    common: Annotated[tuple[Text, ...], Field(min_length=1)]
    """Common names."""
    native: Sourced
    """Where it is native."""
    season: Season
    """When it fruits."""
    criteria: Annotated[dict[Name, ProfileCriterion], Field(min_length=1)]
    """What it asks of the ground."""
    hosts: Annotated[tuple[Host, ...], Field(min_length=1)]
    """The trees it lives with."""
    ruled_out: tuple[Sourced, ...] = ()
    """Ground that the trade rules out outright, where no number says how a layer would show it."""
    notes: tuple[Sourced, ...] = ()
    """What a reader of the results should know."""

    @property
    def latin(self) -> str:
        """Latin name, as people write it."""
        return self.name.replace("_", " ").capitalize()

    @property
    def title(self) -> str:
        """Latin name and first common name."""
        return f"{self.latin} ({self.common[0]})"


def profile_names() -> tuple[str, ...]:
    """Names of the profiles that come with the package.

    >>> profile_names()[:3]
    ('tuber_aestivum', 'tuber_borchii', 'tuber_brumale')
    """
    return tuple(sorted(path.stem for path in shipped("configs", "species").glob("*.yaml")))


@lru_cache(maxsize=32)
def load_profile(name: str) -> Profile:
    """The profile of a species.

    >>> load_profile("tuber_melanosporum").criteria["ph"].curve.at
    (7.0, 7.5, 8.3, 8.8)

    Raises:
        UnderoakError: E332 when there is none of that name.
    """
    known = profile_names()
    if name not in known:
        fix = did_you_mean(name, known, "known: " + ", ".join(known))
        raise UnderoakError(Fault("E332", f'there is no profile of the species "{name}"', fix=fix))
    return read_profile(shipped("configs", "species", f"{name}.yaml"))


def read_profile(path: Path) -> Profile:
    """Read a profile from a YAML file.

    Raises:
        UnderoakError: E3xx with every fault and its line.
    """
    check = Check(read(path))
    profile = checked(Profile, check)
    check.problems.stop_if_any()
    assert profile is not None
    if profile.name != path.stem:
        what = f'calls itself "{profile.name}" in a file named {path.name}'
        raise UnderoakError(Fault("E304", what, str(path), "let name and file name agree"))
    return profile
