"""Layers of a starter plan that open sets of the catalogue serve, by the names that species profiles use."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from underoak.sources.catalogue.catalogue import data_set


@dataclass(frozen=True, slots=True)
class OpenLayer:
    """A layer with a file from the catalogue: set, band, further keys, and a remark."""

    set_name: str
    band: str
    file: str
    keys: tuple[str, ...]
    remark: str = ""


_SOIL = ("resample: nearest", "grain: 250 m")
_TERRAIN = {
    "slope": "{from: elevation, derive: slope, resample: mean}",
    "northness": "{from: elevation, derive: northness, resample: mean}",
    "topographic_position": (
        "{from: elevation, derive: topographic_position_standardised, radius: 300 m, resample: mean}"
    ),
}


def _soil(band: str, *keys: str) -> OpenLayer:
    remark = "5-15 cm stands for 0-30 cm"
    return OpenLayer("soilgrids_2_0", f"{band}/5-15cm/mean", f"data/{band}.tif", (*keys, *_SOIL), remark)


def _rain(season: str) -> OpenLayer:
    keys = ("unit: kg m-2", f"season: {season}", "reduce: sum", "to: mm")
    return OpenLayer("chelsa_2_1", "pr", "data/rain.tif", keys, "twelve months in one file")


def _warmth(*keys: str) -> OpenLayer:
    return OpenLayer(
        "chelsa_2_1", "tas", "data/temperature.tif", ("unit: K", *keys, "to: degC"), "twelve months in one file"
    )


_OPEN = {
    "soil_ph": _soil("phh2o", "unit: pH*10", "method: water"),
    "clay": _soil("clay", "unit: g/kg"),
    "sand": _soil("sand", "unit: g/kg"),
    "organic_matter": _soil("soc", "unit: dg/kg", "derive: organic_matter", 'to: "%"'),
    "elevation": OpenLayer(
        "copernicus_glo30", "height", "data/elevation.tif", ("unit: m",), "trees and roofs included"
    ),
    "rain_summer": _rain("summer"),
    "rain_autumn": _rain("autumn"),
    "rain_annual": _rain("year"),
    "temp_annual": _warmth("season: year", "reduce: mean"),
    "temp_warmest": _warmth("derive: warmest_month_mean"),
    "temp_coldest": _warmth("derive: coldest_month_mean"),
}
_COVER = OpenLayer(
    "worldcover_2021", "cover", "data/land_cover.tif", ("kind: classes", "resample: mode"), "for constraints"
)


def open_layers(names: Iterable[str]) -> dict[str, OpenLayer]:
    """Return the layers that open sets serve among those a profile names, and land cover for constraints."""
    wanted = set(names) | {"elevation"}
    return {name: layer for name, layer in _OPEN.items() if name in wanted} | {"land_cover": _COVER}


def without_open_set(names: Iterable[str]) -> list[str]:
    """Return the layers that a profile names and no open set serves."""
    return [name for name in names if name not in _OPEN and name not in _TERRAIN]


def layer_lines(names: Iterable[str]) -> list[str]:
    """Return the lines of the key `layers` for the layers that a profile names."""
    names = list(names)
    lines = ["layers:                                       # with the names of the species profile, for its curves"]
    for name, layer in open_layers(names).items():
        each = data_set(layer.set_name)
        credit = f"{each.attribution.value}; " if each.attribution is not None else ""
        lines += [
            f"  {name}:" + (f"  # {layer.remark}" if layer.remark else ""),
            f"    file: {layer.file}",
            f"    gather: {{set: {layer.set_name}, band: {layer.band}}}",
            *(f"    {key}" for key in layer.keys),
            f'    source: "{credit}{each.title}, {each.licence.value}"',
        ]
    lines += [f"  {name}: {value}" for name, value in _TERRAIN.items() if name in names]
    missing = without_open_set(names)
    lines += [f"# No open set of the catalogue has {name}." for name in missing if name != "carbonate"]
    return lines
