"""Soil properties in the terms of the profiles: depths, organic matter, carbonate, stones, drainage."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray

VAN_BEMMELEN = 1.724  # organic matter for each part of organic carbon, the old convention of laboratories
MODERN = 2.0  # the same by newer reviews, which find 58 % of carbon too much

# From the driest to the wettest, in the seven words of the USDA Soil Survey Manual (from memory); codes 1 to 7.
DRAINAGE = (
    "excessive", "somewhat excessive", "well", "moderately well", "somewhat poor", "poor", "very poor",
)  # fmt: skip


def depth_mean(layers: Any, edges: Sequence[float], top: float, bottom: float) -> FloatArray:
    """Return the mean of soil layers over a depth, each weighted by how much of it lies within, (rows, cols).

    `layers` (n, ...), from the surface down, in any unit; `edges` [cm], the n + 1 depths between them; `top` and
    `bottom` [cm] of the depth. Missing where a layer within it is. Weights are thickness, not density.
    Source: common practice, no source.

    >>> ph = np.float32([7.2, 7.4, 7.8, 8.0])
    >>> round(float(depth_mean(ph, [0, 5, 15, 30, 60], 0, 30)), 4)
    7.5667

    Raises:
        ValueError: when edges do not fall in order, or the layers do not cover the depth.
    """
    values = np.asarray(layers, np.float32)
    bounds = np.asarray(edges, np.float64)
    if len(bounds) != len(values) + 1 or not (np.diff(bounds) > 0.0).all():
        raise ValueError(f"{len(values)} layers have {len(values) + 1} edges in order, got {list(edges)}")
    if not bounds[0] <= top < bottom <= bounds[-1]:
        raise ValueError(f"layers from {bounds[0]:g} to {bounds[-1]:g} cm do not cover {top:g} to {bottom:g} cm")
    shares = np.clip(np.minimum(bounds[1:], bottom) - np.maximum(bounds[:-1], top), 0.0, None) / (bottom - top)
    total = np.zeros(values.shape[1:])
    for layer, share in zip(values, shares, strict=True):  # one after the other: the order is part of the result
        if share > 0.0:
            total = total + share * layer.astype(np.float64)
    return np.asarray(total, np.float32)


def mean_0_30cm(cm_0_5: Any, cm_5_15: Any, cm_15_30: Any) -> FloatArray:
    """Return `depth_mean` of the three layers that world soil maps have down to 30 cm, in their own unit.

    >>> round(float(mean_0_30cm(7.2, 7.4, 7.8)), 4)
    7.5667
    """
    return depth_mean(np.stack([cm_0_5, cm_5_15, cm_15_30]), (0, 5, 15, 30), 0, 30)


def mean_0_60cm(cm_0_5: Any, cm_5_15: Any, cm_15_30: Any, cm_30_60: Any) -> FloatArray:
    """Return `depth_mean` of the four layers that world soil maps have down to 60 cm, in their own unit.

    >>> round(float(mean_0_60cm(7.2, 7.4, 7.8, 8.0)), 4)
    7.7833
    """
    return depth_mean(np.stack([cm_0_5, cm_5_15, cm_15_30, cm_30_60]), (0, 5, 15, 30, 60), 0, 60)


def organic_matter(carbon: Any, factor: float = VAN_BEMMELEN) -> FloatArray:
    """Return organic matter from organic carbon, in the same unit.

    The factor is a convention: `VAN_BEMMELEN` 1.724 (the one most tables and limits were made with) or `MODERN` 2.0.
    Source: van Bemmelen's factor, common practice; the modern one, from memory.

    >>> float(organic_matter(2.0)), float(organic_matter(2.0, MODERN))
    (3.447999954223633, 4.0)
    """
    return np.asarray(np.asarray(carbon, np.float64) * factor, np.float32)


def carbonate(inorganic_carbon: Any) -> FloatArray:
    """Return calcium carbonate from inorganic carbon, in the same unit: 100.087 of CaCO3 for 12.011 of C.

    It counts dolomite as if it were lime. Source: atomic weights.

    >>> round(float(carbonate(12.0)), 2)
    100.0
    """
    return np.asarray(np.asarray(inorganic_carbon, np.float64) * (100.087 / 12.011), np.float32)


def stock(percent: Any, depth: float, density: Any = 1.3) -> FloatArray:
    """Return the stock [t/ha] of a part of the soil's weight [percent], down to a depth [cm].

    `density` [g/cm3] of dry soil. Source: arithmetic.

    >>> float(stock(1.0, 20.0))
    26.0
    """
    return np.asarray(np.asarray(percent, np.float64) * depth * np.asarray(density, np.float64), np.float32)


def stones_by_volume(by_weight: Any, density: Any = 1.3, stone_density: float = 2.65) -> FloatArray:
    """Return coarse fragments [percent of volume] from their share of the weight [percent].

    `density` of the fine earth and `stone_density` of the stones [g/cm3]. Source: arithmetic; 2.65 that of quartz and
    near that of limestone, common practice.

    >>> round(float(stones_by_volume(30.0)), 2)
    17.37
    """
    share = np.asarray(by_weight, np.float64) / 100.0
    stones, earth = share / stone_density, (1.0 - share) / np.asarray(density, np.float64)
    return np.asarray(100.0 * stones / (stones + earth), np.float32)


def drainage_code(name: str) -> int:
    """Return code 1 (driest) to 7 (wettest) of a drainage class, by its word in `DRAINAGE`.

    >>> drainage_code("well"), DRAINAGE[7 - 1]
    (3, 'very poor')

    Raises:
        ValueError: for a word that is none of `DRAINAGE`.
    """
    if name not in DRAINAGE:
        raise ValueError(f"{name!r} is no drainage class; known: {', '.join(DRAINAGE)}")
    return DRAINAGE.index(name) + 1
