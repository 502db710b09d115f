"""The catalogue: every data set by its name."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

from underoak.base.errors import Fault, UnderoakError, did_you_mean
from underoak.plan.reading.validation import read_as
from underoak.plan.shipped import shipped
from underoak.sources.catalogue.data_set import DataSet


def catalogue(folder: Path | None = None) -> Mapping[str, DataSet]:
    """Return every data set by name: those that come with the package, and those of a folder, which win.

    Raises:
        UnderoakError: E3xx with every fault of a file and its line; E305 a folder that is not there.
    """
    sets = dict(_shipped_sets())
    if folder is not None:
        if not folder.is_dir():
            raise UnderoakError(Fault("E305", "there is no such folder", str(folder), "name a folder of YAML files"))
        sets |= _read(folder)
    return MappingProxyType(dict(sorted(sets.items())))


def data_set(name: str, folder: Path | None = None, where: str = "") -> DataSet:
    """Return one data set.

    >>> data_set("soilgrids_2_0").licence.value
    'CC BY 4.0'

    Raises:
        UnderoakError: E380 if there is no such set.
    """
    sets = catalogue(folder)
    if name not in sets:
        fix = did_you_mean(name, sets, "`underoak sources` lists them")
        raise UnderoakError(Fault("E380", f'there is no data set "{name}"', where, fix))
    return sets[name]


@lru_cache(maxsize=1)
def _shipped_sets() -> Mapping[str, DataSet]:
    return MappingProxyType(_read(shipped("configs", "sources")))


def _read(folder: Path) -> dict[str, DataSet]:
    return {path.stem: read_as(DataSet, path) for path in sorted(folder.glob("*.yaml"))}
