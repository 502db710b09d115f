"""Amounts of lime for pH and of water for a dry summer. Screening figures: a soil test decides.

Amounts are float64 and never below 0; missing in, missing out. Lime is given as pure calcium carbonate unless said.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np

from underoak.indicators.soil.texture import TEXTURES
from underoak.indicators.year import Doubles

HIGHEST_PH = 8.3  # lime raises pH no further: free carbonate holds the soil near it
FARM_TABLE_ENDS = 7.0  # pH; farm tables of lime say nothing beyond
CARBONATE_AS_OXIDE = 56.03  # percent CaO that makes up pure CaCO3, the unit of neutralising values
CUBIC_METRES = 10.0  # m3/ha in a millimetre of water

# t/ha of ground limestone for each pH of ploughed soil, 20 cm deep. RB209 names light, middle and heavy soils (in part
# read on an adviser's page, the whole from memory); loam, silt and the clays that it does not name are placed by us.
_LIGHT, _MIDDLE = ("sand", "loamy sand"), ("sandy loam", "silt loam", "loam", "silt")
LIME_FACTORS: Mapping[str, float] = MappingProxyType({
    name: 6.0 if name in _LIGHT else 7.0 if name in _MIDDLE else 8.0 for name in TEXTURES
} | {"organic": 8.0, "peat": 16.0})  # fmt: skip
# The same under grass, 15 cm deep.
LIME_FACTORS_GRASS: Mapping[str, float] = MappingProxyType({
    name: 4.0 if name in _LIGHT else 5.0 if name in _MIDDLE else 6.0 for name in TEXTURES
} | {"organic": 6.0, "peat": 12.0})  # fmt: skip


def lime_need(ph: Any, target: Any, depth_cm: Any, per_tenth: float = 1.0) -> Doubles:
    """Return the least lime [t/ha of CaCO3] from one pH to another over a depth: a lower bound, arrays that broadcast.

    `per_tenth` [t/ha] for each tenth of pH and each 10 cm; targets above `HIGHEST_PH` count as it. The soil holds back
    more above pH 7 and carbonate must outlast the years, so the true need is higher. 0 at or above the target: nothing
    here makes a soil more acid. Source: growers' pages from New Zealand give 1 t/ha or more, and not less than 2; a
    species profile holds the range.

    >>> round(float(lime_need(6.0, 7.9, 30)), 6), float(lime_need(8.0, 7.9, 30))
    (57.0, 0.0)

    Raises:
        ValueError: for a depth that is not above 0.
    """
    depth = np.asarray(depth_cm, np.float64)
    if not np.all(depth > 0.0):
        raise ValueError(f"a depth is above 0 cm, got {depth_cm}")
    return _rise(ph, np.minimum(np.asarray(target, np.float64), HIGHEST_PH)) / 0.1 * (depth / 10.0) * per_tenth


def lime_need_by_texture(ph: Any, target: Any, texture: str, grass: bool = False) -> Doubles:
    """Return lime [t/ha of ground limestone] by the farm tables: (target - pH) times the factor of the texture.

    `texture` is a name of `TEXTURES`, `organic` or `peat`; 20 cm of ploughed soil, or 15 cm under `grass`. The tables
    end at pH 7: for a target beyond it the figure is missing, not extrapolated; take `lime_need`.
    Source: RB209 (AHDB), form and three factors read on an adviser's page, the rest from memory.

    >>> round(float(lime_need_by_texture(5.8, 6.7, "sandy loam")), 6), float(lime_need_by_texture(5.8, 7.9, "clay"))
    (6.3, nan)

    Raises:
        ValueError: for a texture that is not known.
    """
    factors = LIME_FACTORS_GRASS if grass else LIME_FACTORS
    if texture not in factors:
        raise ValueError(f"{texture!r} is no texture; known: {', '.join(factors)}")
    wanted = np.asarray(target, np.float64)
    return _rise(ph, np.where(wanted <= FARM_TABLE_ENDS, wanted, np.nan)) * factors[texture]


def lime_product(carbonate: Any, neutralising_value: float) -> Doubles:
    """Return the weight of a product [t/ha] with the effect of so much pure calcium carbonate [t/ha].

    `neutralising_value` [percent CaO] stands on the product sheet: ground limestone and chalk 50 to 55, hydrated lime
    about 70, burnt lime about 80. Grinding and water in it count besides.
    Source: chemistry; the ranges were read on advisers' slides.

    >>> round(float(lime_product(57.0, 50.0)), 1), round(float(lime_product(57.0, 56.03)), 1)
    (63.9, 57.0)

    Raises:
        ValueError: for a value that is not above 0, or above what pure calcium oxide has.
    """
    if not 0.0 < neutralising_value <= 100.0:
        raise ValueError(f"a neutralising value is above 0 and at most 100 percent, got {neutralising_value}")
    return np.asarray(carbonate, np.float64) * (CARBONATE_AS_OXIDE / neutralising_value)


def water_deficit(rain: Any, target: Any, most: float = np.inf) -> Doubles:
    """Return the lacking water [mm]: target less rain over the same months, at most `most`; arrays that broadcast.

    Source: arithmetic.

    >>> water_deficit([100.0, 160.0], 145.0).tolist()
    [45.0, 0.0]
    """
    lack: Doubles = np.asarray(target, np.float64) - np.asarray(rain, np.float64)
    return np.clip(lack, 0.0, most)


def water_volume(depth: Any, area_ha: Any = 1.0) -> Doubles:
    """Return the volume [m3] of a depth of water [mm] over an area [ha]: 1 mm on 1 ha is 10 m3.

    >>> float(water_volume(45.0)), float(water_volume(45.0, 2.5))
    (450.0, 1125.0)
    """
    return np.asarray(depth, np.float64) * np.asarray(area_ha, np.float64) * CUBIC_METRES


def _rise(ph: Any, target: Doubles) -> Doubles:
    lack: Doubles = target - np.asarray(ph, np.float64)
    return np.maximum(lack, 0.0)  # which keeps what is missing
