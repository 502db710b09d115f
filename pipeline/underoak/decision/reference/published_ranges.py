"""Published figures about truffle orchards: yield, price, years, cost; with source, year, grade, trust."""

from __future__ import annotations

from enum import StrEnum
from functools import lru_cache
from typing import Annotated, Self

from pydantic import Field, model_validator

from underoak.plan.keys.quantities import Text
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.validation import read_as
from underoak.plan.shipped import shipped


class Item(StrEnum):
    """What a figure is of."""

    YIELD = "yield"
    YIELD_TREE = "yield_tree"
    FIRST_CROP = "first_crop"
    PRICE = "price"
    PRICE_RETAIL = "price_retail"
    TREES = "trees"
    TREE_PRICE = "tree_price"
    SET_UP = "set_up"
    WIRE = "wire"
    IRRIGATION = "irrigation"
    LIME = "lime"
    LIME_WAIT = "lime_wait"
    LIME_UPKEEP = "lime_upkeep"
    HOURS = "hours"
    FRESH = "fresh"
    LOSS = "loss"


class Kind(StrEnum):
    """How a figure came to be."""

    OBSERVED = "observed"  # counted, measured or paid
    HEARSAY = "hearsay"
    SELLER = "seller"


class SeenAs(StrEnum):
    """How far the source of a figure was seen when it was noted."""

    READ = "read"
    CALC = "calc"
    CITED = "cited"
    MEMORY = "memory"
    JUDGEMENT = "judgement"


class Trust(StrEnum):
    """How much a figure says."""

    GOOD = "good"
    FAIR = "fair"
    LOW = "low"
    WIDE = "wide"


_Figure = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class PublishedFigure(Spec):
    """A figure that somebody printed."""

    item: Item
    """What it is a figure of."""
    low: _Figure
    """Lower end."""
    high: _Figure
    """Upper end; the lower end again for a single number."""
    unit: Text
    """Unit; money keeps its currency."""
    text: Text
    """Whose figure it is."""
    kind: Kind
    """How it came to be."""
    year: Text
    """Year or season it is of."""
    source: Text
    """Where it was printed."""
    grade: SeenAs
    """How far the source was seen."""
    trust: Trust
    """How much it says."""

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.high < self.low:
            raise refusal("E304", "`high` is below `low`", "change the two")
        return self


class _PublishedFigures(Spec):
    figures: Annotated[tuple[PublishedFigure, ...], Field(min_length=1)]
    """Every figure on file."""


@lru_cache(maxsize=1)
def published_figures() -> tuple[PublishedFigure, ...]:
    """Return every figure on file, in the order of the file.

    >>> max(figure.high for figure in published_figures() if figure.item is Item.YIELD)
    100.0

    Raises:
        UnderoakError: E3xx with every fault of the file and its line.
    """
    return read_as(_PublishedFigures, shipped("configs", "decision", "published_ranges.yaml")).figures


def figures_of(*items: Item) -> tuple[PublishedFigure, ...]:
    """Return the figures of some items, those of each item in the order of the file."""
    return tuple(figure for item in items for figure in published_figures() if figure.item is item)
