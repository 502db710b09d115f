"""The trees that truffles live with: names, and where they grow wild."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Annotated

from pydantic import Field

from underoak.plan.keys.quantities import Name, Text
from underoak.plan.reading.spec import Spec
from underoak.plan.reading.validation import Check, checked
from underoak.plan.reading.yaml import read
from underoak.plan.shipped import shipped


class Tree(Spec):
    """A tree or shrub; or a genus, where sources name no more than that."""

    common: Text
    """Common name."""
    native: Text
    """Where it grows wild, in coarse words."""
    source: Text
    """Who says so."""


class Trees(Spec):
    """All trees of the profiles."""

    trees: Annotated[dict[Name, Tree], Field(min_length=1)]
    """Trees by Latin name, as plans write it."""


@lru_cache(maxsize=1)
def load_trees() -> Mapping[str, Tree]:
    """Every tree that a profile may name as a host.

    >>> load_trees()["quercus_ilex"].common
    'holm oak'

    Raises:
        UnderoakError: E3xx with every fault of the file and its line.
    """
    check = Check(read(shipped("configs", "hosts.yaml")))
    made = checked(Trees, check)
    check.problems.stop_if_any()
    assert made is not None
    return made.trees
