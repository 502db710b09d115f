"""The key `deal`: what has to be settled beside the ground before anyone signs or plants."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from underoak.plan.keys.quantities import File, Name, Share, Text, Whole
from underoak.plan.reading.faults import refusal, shown
from underoak.plan.reading.spec import Spec

State = Literal["clear", "blocks", "unknown"]
STALE_AFTER = 12  # months; common practice, no source
STATES: tuple[State, ...] = ("clear", "blocks", "unknown")


def _iso_date(value: object) -> object:
    """Return a date as text: YAML may have read it as a date."""
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()
    try:
        if isinstance(value, str) and len(value) == 10:
            return datetime.date.fromisoformat(value).isoformat()
    except ValueError:
        pass
    raise refusal("E304", f"should be a date, not {shown(value)}", "write year-month-day, such as 2026-01-31")


def _with_state_key(value: object) -> object:
    return {"state": value} if isinstance(value, str) else value


Date = Annotated[str, BeforeValidator(_iso_date, json_schema_input_type=str), Field(pattern=r"^\d{4}-\d\d-\d\d$")]


class EntrySpec(Spec):
    """What is known on one question of the deal."""

    state: State
    """`clear`: nothing stands against it, or the question does not arise. `blocks`: it ends the deal. `unknown`: nobody
    has asked, or there is no answer yet."""
    date: Date | None = None
    """Day of the answer, such as 2026-01-31."""
    source: Text | None = None
    """Who says so: an office, a letter, a page of a register."""
    note: Text | None = None
    """Anything else to remember."""


Entry = Annotated[EntrySpec, BeforeValidator(_with_state_key, json_schema_input_type=State | EntrySpec)]


class OwnQuestionSpec(EntrySpec):
    """A question of your own, such as the rights to what lies below the ground."""

    about: Annotated[Text, Field(max_length=80)]
    """The question in a few words, as screens print it."""
    why: Text | None = None
    """What it is for."""
    ask: Text | None = None
    """Who can answer it."""


class OverlaySpec(Spec):
    """A vector file of yours whose shapes block a question where they cover enough of a parcel."""

    question: Name
    """The question that the shapes answer, such as protected_ground."""
    file: File
    """A GeoPackage or GeoJSON file with polygons."""
    features: Text | None = None
    """Layer inside the file. Default: the only one."""
    blocks_at: Share = 0.05
    """Share of a parcel that the shapes must cover to block the deal. Default: 0.05."""
    otherwise: Literal["unknown", "clear"] = "unknown"
    """What a parcel is that the shapes do not cover; one that they cover in part is unknown. A map that shows nothing
    gives no permission, so `clear` is for files that you know to be complete. Default: unknown."""
    date: Date | None = None
    """Day of the file."""
    source: Text | None = None
    """Citation of the file."""
    note: Text | None = None
    """Anything else to remember."""

    @model_validator(mode="after")
    def _check_share(self) -> Self:
        if self.blocks_at == 0.0:
            raise refusal("E304", "`blocks_at` must be more than 0", "write for example 0.05")
        return self


class DealSpec(Spec):
    """The deal: one entry for each question, for all parcels. What is left out is unknown."""

    land_plan: Entry | None = None
    """Zone of the land plan: whether the land may be planted, fenced or built on."""
    protected_ground: Entry | None = None
    """Protected ground: what is barred there, or needs an assessment first."""
    clearing: Entry | None = None
    """Rules on clearing wood or ploughing grassland."""
    permit: Entry | None = None
    """Permit to farm or plant."""
    water_right: Entry | None = None
    """Right to water."""
    right_of_way: Entry | None = None
    """Rights of way and easements of others."""
    title: Entry | None = None
    """Title: owners, limits, mortgages."""
    lease: Entry | None = None
    """Leases, and rights to hunt or forage."""
    access: Entry | None = None
    """Access by law for a lorry."""
    past_use: Entry | None = None
    """Past use: old wood, chemicals, dumps."""
    also: Annotated[dict[Name, OwnQuestionSpec], Field(max_length=40, default_factory=dict)]
    """Questions of your own, by name."""
    file: File | None = None
    """A CSV file in UTF-8 with entries of single parcels: parcel, question, state; optionally date, source, note. They
    win over the entries of the plan and over `overlays`."""
    overlays: Annotated[tuple[OverlaySpec, ...], Field(max_length=20)] = ()
    """Vector files that block a question where they cover enough of a parcel. They win over entries of the plan."""
    stale_after: Annotated[Whole, Field(ge=1, le=600)] = STALE_AFTER
    """Months after which an entry is said to be old. Default: 12 (common practice, no source)."""

    @model_validator(mode="after")
    def _check_names(self) -> Self:
        taken = sorted(set(self.also) & set(QUESTIONS))
        if taken:
            what = f'"{taken[0]}" is a question of its own already'
            raise refusal("E304", what, f"write it beside `also`, as `{taken[0]}: unknown`, or choose another name")
        return self

    @property
    def entries(self) -> Mapping[str, EntrySpec]:
        """The entries that the plan gives, by question."""
        given = ((name, getattr(self, name)) for name in QUESTIONS)
        return {name: entry for name, entry in given if entry is not None} | dict(self.also)

    @property
    def questions(self) -> tuple[str, ...]:
        """The names of all questions, those of the plan's own last."""
        return (*QUESTIONS, *self.also)

    def files(self) -> Iterator[tuple[str, str]]:
        """Yield the keys that name files, and the files."""
        if self.file is not None:
            yield "deal", self.file
        for n, overlay in enumerate(self.overlays):
            yield f"deal.overlays.{n}", overlay.file


_SETTINGS = ("also", "file", "overlays", "stale_after")
QUESTIONS: tuple[str, ...] = tuple(name for name in DealSpec.model_fields if name not in _SETTINGS)
