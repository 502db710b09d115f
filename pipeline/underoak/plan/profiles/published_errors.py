"""Published errors of maps by kind of layer, assumed where a plan states none."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from underoak.base.units import quantity_of
from underoak.plan.keys.layer import LayerSpec, QuantityName
from underoak.plan.keys.quantities import Length, Name, Text, Unit
from underoak.plan.keys.uncertainty import Deviation, SdByCell
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.validation import read_as
from underoak.plan.shipped import shipped

Known = Literal["read", "abstract read", "worked out", "from memory", "common practice, no source"]
Grade = Literal["A", "B", "C"]


class LabError(Spec):
    """The error of one figure of a kind that a laboratory or a spade has measured."""

    sd: Deviation
    """Standard deviation with its unit, between laboratories or observers; without what one sample tells of a field."""
    cite: Text
    """Source in a few words."""
    source: Text
    """Citation of the figure."""
    known: Known
    """How the figure is known."""
    grade: Grade
    """As for a map."""


class PublishedError(Spec):
    """The published error of one kind of map, or the reason why there is none."""

    text: Text
    """The kind, for people."""
    layers: tuple[Name, ...] = ()
    """Names of the layers in species profiles that are of this kind."""
    indicators: tuple[Name, ...] = ()
    """Indicators whose values are of this kind."""
    quantities: tuple[QuantityName, ...] = ()
    """Quantities that only maps of this kind measure."""
    sd: SdByCell | None = None
    """Standard deviation with its unit; or one for each cell size."""
    grain: Length | None = None
    """True resolution of such maps, assumed with `sd`."""
    cite: Text | None = None
    """Source in a few words, for tables."""
    source: Text | None = None
    """Citation of the figures."""
    known: Known | None = None
    """How the figures are known."""
    grade: Grade | None = None
    """A: two readings agree; B: one fair reading; C: from memory, worked out from several steps, or common practice."""
    no_error: Text | None = None
    """Reason why no error is assumed; instead of the keys above from `sd` on."""
    lab: LabError | None = None
    """Error of a figure that a laboratory or a spade has measured, for figures in hand."""
    units: tuple[Unit, ...] = ()
    """Units of such maps where there is no `sd`; maps in units that convert to one of them are such maps, too."""

    @model_validator(mode="after")
    def _check_error(self) -> Self:
        if (self.sd is None) == (self.no_error is None):
            raise refusal("E304", "needs either `sd` or `no_error`", "give one of them")
        figures = (self.cite, self.source, self.known, self.grade)
        if self.sd is not None and None in figures:
            raise refusal("E304", "an `sd` needs `cite`, `source`, `known` and `grade`", "add them")
        if self.no_error is not None and any(value is not None for value in (*figures, self.grain)):
            fix = "remove `cite`, `source`, `known`, `grade` and `grain`"
            raise refusal("E304", "a kind without an error has no figures", fix)
        if bool(self.units) == (self.sd is not None):
            raise refusal("E304", "needs either `sd` or `units`", "give one of them")
        return self


class PublishedErrors(Spec):
    """A file of published errors."""

    errors: Annotated[dict[Name, PublishedError], Field(min_length=1)]
    """Published errors by kind."""


@lru_cache(maxsize=1)
def published_errors() -> Mapping[str, PublishedError]:
    """Return the published error of every kind, in alphabetical order of the files.

    >>> published_errors()["soil_ph"].sd, published_errors()["soil_ph"].grade
    ('0.67 pH', 'B')

    Raises:
        UnderoakError: E3xx with every fault of a file and its line.
    """
    kinds: dict[str, PublishedError] = {}
    for path in sorted(shipped("configs", "defaults").glob("*.yaml")):
        kinds |= read_published_errors(path)
    return MappingProxyType(kinds)


def read_published_errors(path: Path) -> dict[str, PublishedError]:
    """Read the published errors of one file.

    Raises:
        UnderoakError: E3xx with every fault and its line.
    """
    return read_as(PublishedErrors, path).errors


def kind_of(layer: LayerSpec, profile_layers: tuple[str, ...] = ()) -> str | None:
    """Return the kind of a layer: the plan's, that of the profile, of the indicator, or of the quantity; else None.

    `profile_layers` are the profile's own names of the layers of the criteria that the layer is judged by.

    >>> kind_of(LayerSpec.model_validate({"from": "dem", "derive": "slope"}))
    'slope'
    >>> kind_of(LayerSpec.model_validate({"file": "a.tif"}), ("clay",))
    'clay'
    >>> kind_of(LayerSpec.model_validate({"file": "a.tif", "unit": "pH*10"}))
    'soil_ph'
    """
    if layer.kind_of is not None:
        return layer.kind_of
    kinds = published_errors()
    for name in profile_layers:
        for kind, error in kinds.items():
            if name in error.layers:
                return kind
    if layer.derive is not None:
        of_indicator = next((kind for kind, error in kinds.items() if layer.derive in error.indicators), None)
        if of_indicator is not None:
            return of_indicator
    quantity = _quantity(layer)
    return next((kind for kind, error in kinds.items() if quantity in error.quantities), None)


def _quantity(layer: LayerSpec) -> str | None:
    """Return the quantity that a layer measures; None if only its file tells."""
    unit = layer.unit_in_use
    return None if unit is None else quantity_of(unit, layer.quantity)
