"""Registry of all indicators. To add one, declare it in a module of entries and name that module here."""

from __future__ import annotations

from underoak.base.errors import Fault, UnderoakError, did_you_mean
from underoak.indicators.climate import entries as climate
from underoak.indicators.declaration import Indicator
from underoak.indicators.soil import entries as soil
from underoak.indicators.terrain import entries as terrain

_ENTRIES = (*terrain.ENTRIES, *climate.ENTRIES, *soil.ENTRIES)
REGISTRY: dict[str, Indicator] = {indicator.id: indicator for indicator in _ENTRIES}


def get(id: str) -> Indicator:
    """Return the indicator of that name.

    >>> get("slope").unit, get("slope").halo
    ('degree', 1)

    Raises:
        UnderoakError: E350 when there is none.
    """
    if id not in REGISTRY:
        known = ", ".join(REGISTRY)
        raise UnderoakError(Fault("E350", f'indicator "{id}" is not known', fix=did_you_mean(id, REGISTRY, known)))
    return REGISTRY[id]
