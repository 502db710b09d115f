"""Host trees of truffles: their names, and where they are native."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Annotated

from pydantic import Field

from underoak.plan.keys.quantities import Name, Text
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.validation import read_as
from underoak.plan.shipped import shipped


class Tree(Spec):
    """A tree or shrub, or a genus if sources name no species."""

    common: Text
    """Common name."""
    native: Text
    """Where it is native, in coarse words."""
    source: Text
    """Citation."""
    caution: Text | None = None
    """What speaks against planting it, with its citation."""


class Trees(Spec):
    """The file of host trees."""

    trees: Annotated[dict[Name, Tree], Field(min_length=1)]
    """Trees by Latin name, as plans write it."""


@lru_cache(maxsize=1)
def load_trees() -> Mapping[str, Tree]:
    """Load all trees that a profile may name as a host.

    >>> load_trees()["quercus_ilex"].common
    'holm oak'

    Raises:
        UnderoakError: E3xx with every fault of the file and its line.
    """
    return read_as(Trees, shipped("configs", "hosts.yaml")).trees
