"""Kernels for solar radiation on slopes. Float64 inside."""

from __future__ import annotations

import math

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.indicators.terrain.slope_kernels import Doubles, gradient

RADIANS = math.pi / 180.0
STEEPEST = math.tan(60.0 * RADIANS) * (1.0 + 1e-12)  # that equation 2 was fitted to
FURTHEST = 60.0  # degrees of latitude


@compiled
def _direct_radiation(steep: float, bearing: float, latitude: float, equation: int, warmest: float) -> float:
    """Return the radiation of a slope (rise per metre), bearing and latitude [degree]; NaN where not defined."""
    if not (abs(latitude) <= FURTHEST) or (equation == 2 and steep > STEEPEST):
        return np.nan
    if latitude < 0.0:
        bearing = (540.0 - bearing) % 360.0
    folded = abs(180.0 - abs(bearing - warmest)) * RADIANS
    lat, along = abs(latitude) * RADIANS, 1.0 / math.sqrt(1.0 + steep * steep)
    rise = steep * along
    sin_lat, cos_lat = math.sin(lat), math.cos(lat)
    sin_fold, cos_fold = math.sin(folded), math.cos(folded)
    if equation == 1:
        power = -1.467 + 1.582 * cos_lat * along - 1.5 * cos_fold * rise * sin_lat
        return math.exp(power - 0.262 * sin_lat * rise + 0.607 * sin_fold * rise)
    power = -1.236 + 1.35 * cos_lat * along - 1.376 * cos_fold * rise * sin_lat
    return math.exp(power - 0.331 * sin_lat * rise + 0.375 * sin_fold * rise)


@compiled
def of_angles(slope: Doubles, aspect: Doubles, latitude: Doubles, equation: int, warmest: float, out: Doubles) -> None:
    """Write the radiation of slopes, aspects and latitudes [degree] into `out`, all (n,)."""
    for i in range(len(slope)):
        if slope[i] != slope[i] or (aspect[i] != aspect[i] and slope[i] != 0.0):
            out[i] = np.nan
            continue
        bearing = aspect[i] % 360.0 if aspect[i] == aspect[i] else 0.0
        steep = math.tan(slope[i] * RADIANS) if slope[i] < 90.0 else 1e18
        out[i] = _direct_radiation(steep, bearing, latitude[i], equation, warmest)


@compiled
def of_heights(
    z: FloatArray, ground: Doubles, latitude: Doubles, equation: int, warmest: float, out: FloatArray
) -> None:
    """Write the radiation of heights into `out`, less the rim."""
    for row in range(1, z.shape[0] - 1):
        for col in range(1, z.shape[1] - 1):
            east, north = gradient(z, row, col, ground)
            steep = math.sqrt(east * east + north * north)
            if steep != steep:
                continue
            bearing = (math.atan2(-east, -north) / RADIANS) % 360.0
            out[row, col] = _direct_radiation(steep, bearing, latitude[row, col], equation, warmest)
