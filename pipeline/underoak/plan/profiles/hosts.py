"""Host trees of truffles: their names, and where they are native."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Annotated, Self

from pydantic import Field, model_validator

from underoak.plan.keys.quantities import Name, Number, Text
from underoak.plan.reading.faults import refusal
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.validation import read_as
from underoak.plan.shipped import shipped


class Tree(Spec):
    """A tree or shrub, or a genus if sources name no species."""

    common: Text
    """Common name."""
    native: Text
    """Where it is native, in coarse words."""
    native_in: Annotated[tuple[Name, ...], Field(min_length=1)]
    """Regions of the file in which it is native."""
    planted_in: tuple[Name, ...] = ()
    """Further regions in which it is planted and grows."""
    source: Text
    """Citation."""
    caution: Text | None = None
    """What speaks against planting it, with its citation."""


Box = tuple[Number, Number, Number, Number]


class Trees(Spec):
    """The file of host trees."""

    regions: Annotated[dict[Name, tuple[Box, ...]], Field(min_length=1)]
    """Boxes of each region, in degrees: west, south, east, north."""
    trees: Annotated[dict[Name, Tree], Field(min_length=1)]
    """Trees by Latin name, as plans write it."""

    @model_validator(mode="after")
    def _check_regions(self) -> Self:
        named = {region for tree in self.trees.values() for region in (*tree.native_in, *tree.planted_in)}
        unknown = sorted(named - self.regions.keys())
        if unknown:
            raise refusal("E304", f'there is no region "{unknown[0]}"', "add it to `regions`")
        return self


def load_trees() -> Mapping[str, Tree]:
    """Load all trees that a profile may name as a host.

    >>> load_trees()["quercus_ilex"].common
    'holm oak'

    Raises:
        UnderoakError: E3xx with every fault of the file and its line.
    """
    return _file().trees


def grows_at(name: str, longitude: float, latitude: float, wild: bool = False) -> bool:
    """Return True where a tree is native, or planted and grows; on wild ground where it is native.

    `longitude`, `latitude` [degree]. Regions are coarse boxes. Source: from memory.

    >>> [grows_at("carya_illinoinensis", *place) for place in ((-84.2, 31.6), (1.2, 44.9), (116.1, -34.2))]
    [True, False, True]
    >>> grows_at("quercus_ilex", 116.1, -34.2), grows_at("quercus_ilex", 116.1, -34.2, wild=True)
    (True, False)

    Raises:
        KeyError: for a tree that is not in the file.
    """
    file = _file()
    tree = file.trees[name]
    regions = tree.native_in if wild else (*tree.native_in, *tree.planted_in)
    return any(
        west <= longitude <= east and south <= latitude <= north
        for region in regions
        for west, south, east, north in file.regions[region]
    )


@lru_cache(maxsize=1)
def _file() -> Trees:
    return read_as(Trees, shipped("configs", "hosts.yaml"))
