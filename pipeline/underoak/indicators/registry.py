"""The indicators there are, each declared once. To add one, declare it in a module of entries and name that here."""

from __future__ import annotations

from underoak.errors import Fault, UnderoakError, did_you_mean
from underoak.indicators import climate_entries, month_entries, soil_entries, terrain_entries
from underoak.indicators.declaration import Indicator

_ENTRIES = (*terrain_entries.ENTRIES, *month_entries.ENTRIES, *climate_entries.ENTRIES, *soil_entries.ENTRIES)
REGISTRY: dict[str, Indicator] = {indicator.id: indicator for indicator in _ENTRIES}


def get(id: str) -> Indicator:
    """The indicator of that name.

    >>> get("slope").unit, get("slope").halo
    ('degree', 1)

    Raises:
        UnderoakError: E350 when there is none.
    """
    if id not in REGISTRY:
        known = ", ".join(REGISTRY)
        raise UnderoakError(Fault("E350", f'indicator "{id}" is not known', mend=did_you_mean(id, REGISTRY, known)))
    return REGISTRY[id]
