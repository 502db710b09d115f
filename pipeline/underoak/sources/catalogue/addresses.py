"""Addresses of the files of a band: the pattern of the data set, filled in."""

from __future__ import annotations

from dataclasses import dataclass
from string import Formatter

from underoak.base.errors import Fault, UnderoakError, did_you_mean
from underoak.sources.catalogue.data_set import Band, DataSet


@dataclass(frozen=True, slots=True)
class Map:
    """One map of a data set: a band with all its choices made."""

    set_name: str
    data_set: DataSet
    band: Band
    band_name: str
    fields: tuple[tuple[str, str], ...]  # of the address, save tile and month

    @property
    def name(self) -> str:
        """The band as a plan names it, such as `phh2o/5-15cm/mean`."""
        return "/".join([self.band_name, *(value for name, value in self.fields if name != "band")])


def chosen_map(set_name: str, data_set: DataSet, text: str, where: str) -> Map:
    """Return the map that a plan names, such as `phh2o/5-15cm/mean`: a band, then one value for each choice.

    Raises:
        UnderoakError: E380 for a band or a choice that the set does not have.
    """
    band_name, *values = text.split("/")
    band = data_set.bands.get(band_name)
    if band is None:
        fix = did_you_mean(band_name, data_set.bands, "known: " + ", ".join(data_set.bands))
        raise UnderoakError(Fault("E380", f'{set_name} has no band "{band_name}"', where, fix))
    pattern = "/".join([band_name, *(f"<{name}>" for name in data_set.choices)])
    if len(values) != len(data_set.choices):
        what = f'"{text}" does not say which map is meant'
        raise UnderoakError(Fault("E380", what, where, f"write {pattern}; `underoak sources {set_name}` lists them"))
    for value, (name, choice) in zip(values, data_set.choices.items(), strict=True):
        if value not in choice.value:
            fix = did_you_mean(value, choice.value, f"{name} is one of: " + ", ".join(choice.value))
            raise UnderoakError(Fault("E380", f'{set_name} has no {name} "{value}"', where, fix))
    fields = (("band", band.code or band_name), *zip(data_set.choices, values, strict=True))
    return Map(set_name, data_set, band, band_name, tuple(fields))


def address(chosen: Map, tile: str = "", month: int | None = None) -> str:
    """Return the address of a file of a map."""
    assert chosen.data_set.address is not None, "an open set has an address"
    return fill(chosen.data_set.address.value, chosen, tile, month)


def fill(pattern: str, chosen: Map, tile: str = "", month: int | None = None) -> str:
    """Return an address pattern with its fields filled in; `<field>_lower` is the field in lower case."""
    values = dict(chosen.fields) | {"tile": tile, "month": "" if month is None else f"{month:02d}"}
    values |= {f"{name}_lower": value.lower() for name, value in values.items()}
    return pattern.format_map(values)


def pattern_fields(pattern: str) -> set[str]:
    """Return the names of the fields of an address pattern.

    >>> sorted(pattern_fields("https://host/{band}/{tile}.tif"))
    ['band', 'tile']
    """
    return {name for _, name, _, _ in Formatter().parse(pattern) if name}
