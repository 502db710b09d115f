"""Kernels for the path of the sun. One latitude at a time, so that no result depends on its neighbours."""

from __future__ import annotations

import math

from underoak.base.compiled import compiled
from underoak.indicators.year import Doubles

_SOLAR_CONSTANT = 0.0820  # MJ m-2 min-1
_PER_DAY = 24.0 * 60.0 / math.pi


@compiled
def _sunset(phi: float, declination: float) -> float:
    """Return the hour angle of sunset [radian]: pi on a polar day, 0 in a polar night."""
    cosine = -math.tan(phi) * math.tan(declination)
    if cosine <= -1.0:
        return math.pi
    if cosine >= 1.0:
        return 0.0
    return math.acos(cosine)  # NaN falls through both comparisons


@compiled
def _declination(day: float) -> float:
    return 0.409 * math.sin(2.0 * math.pi * day / 365.0 - 1.39)


@compiled
def radiation(latitude: Doubles, days: Doubles, out: Doubles) -> None:
    """Write daily extraterrestrial radiation [MJ m-2 d-1] into `out`, (days, latitudes)."""
    for n in range(days.size):
        declination = _declination(days[n])
        nearness = 1.0 + 0.033 * math.cos(2.0 * math.pi * days[n] / 365.0)
        for i in range(latitude.size):
            phi = latitude[i] * (math.pi / 180.0)
            sunset = _sunset(phi, declination)
            height = sunset * math.sin(phi) * math.sin(declination)
            height += math.cos(phi) * math.cos(declination) * math.sin(sunset)
            reaching = _PER_DAY * _SOLAR_CONSTANT * nearness * height
            out[n, i] = 0.0 if reaching < 0.0 else reaching


@compiled
def daylight(latitude: Doubles, days: Doubles, out: Doubles) -> None:
    """Write hours of daylight into `out`, (days, latitudes)."""
    for n in range(days.size):
        declination = _declination(days[n])
        for i in range(latitude.size):
            out[n, i] = 24.0 / math.pi * _sunset(latitude[i] * (math.pi / 180.0), declination)
