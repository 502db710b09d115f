"""Direct solar radiation and heat load of a slope, from latitude, steepness and aspect.

Equations 1 and 2 of McCune and Keon (2002), a regression for 0 to 60 degrees north. South of the equator the aspect is
mirrored. Highest values lie 20 to 30 degrees beside the south, at folded aspects of 150 to 160 degrees at 45 degrees of
latitude, which no integration of the sun's path confirms: `sun_path` is closer. Coefficients from memory, as several
open programs quote them too; the third equation is left out, since its coefficients in common use disagree with such
an integration.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.cell_frame import Doubles, Size, on_ground
from underoak.indicators.year import latitude_by_cell

MOST_LATITUDE = 60.0
EQUATIONS = ("2", "1")  # the one that holds closer to the sun's path first


def direct_radiation(
    elevation: FloatArray,
    dx: Size,
    dy: Size,
    turn: Size = 0.0,
    corner: Size = 90.0,
    latitude: Size = 45.0,
    equation: str = "2",
) -> FloatArray:
    """Return the potential direct radiation of a year [MJ cm-2 a-1], without clouds or cast shadows, (rows, cols).

    Symmetric about the line from north to south. Sides as in `slope`; `latitude` [degree]: one number, (rows,)
    or (rows, cols). `equation` "1" takes any slope, "2" is closer and takes slopes up to 60 degrees. Missing beyond 60
    degrees of latitude. Source: McCune and Keon 2002, coefficients from memory.

    >>> import numpy as np
    >>> round(float(direct_radiation(np.zeros((3, 3)), 10, 10, latitude=45.0, equation="1")[1, 1]), 4)
    0.7058
    """
    return _sunlit(elevation, dx, dy, turn, corner, latitude, equation, 180.0)


def heat_load(
    elevation: FloatArray,
    dx: Size,
    dy: Size,
    turn: Size = 0.0,
    corner: Size = 90.0,
    latitude: Size = 45.0,
    equation: str = "2",
) -> FloatArray:
    """Return the heat load, an index of about 0 to 1.1, (rows, cols): as radiation, warmest to the south-west.

    The same equations with aspects folded about the line from north-east to south-west, since afternoons are warmer
    than mornings; in the south about the line from south-east to north-west. With equation 1 the index is highest
    beside the south-west, not in it. Arguments and source as in `direct_radiation`.

    >>> import numpy as np
    >>> round(float(heat_load(np.zeros((3, 3)), 10, 10, latitude=45.0)[1, 1]), 4)
    0.7547
    """
    return _sunlit(elevation, dx, dy, turn, corner, latitude, equation, 225.0)


def radiation_of(slope: Any, aspect: Any, latitude: Any, equation: str = "2", warmest: float = 180.0) -> Doubles:
    """Return radiation or heat load of slopes, aspects and latitudes [degree] that broadcast.

    `warmest` is the aspect about which aspects are folded: 180 for radiation, 225 for heat load.

    >>> radiation_of(30.0, [180.0, 0.0], 40.0, "1").round(4).tolist()
    [0.9806, 0.3739]
    """
    from underoak.indicators.terrain import solar_radiation_kernels as kernels

    _known(equation)
    angles = np.broadcast_arrays(*(np.asarray(v, np.float64) for v in (slope, aspect, latitude)))
    steep, bearing, lat = (np.ascontiguousarray(v).ravel() for v in angles)
    out = np.empty(steep.shape)
    kernels.of_angles(steep, bearing, lat, int(equation), warmest, out)
    return out.reshape(angles[0].shape)


def _sunlit(
    elevation: Any, dx: Size, dy: Size, turn: Size, corner: Size, latitude: Size, equation: str, warmest: float
) -> FloatArray:
    from underoak.indicators.terrain import solar_radiation_kernels as kernels

    _known(equation)
    z, ground, out = on_ground(elevation, dx, dy, turn, corner)
    lat = np.broadcast_to(latitude_by_cell(latitude, z.shape), z.shape)
    kernels.of_heights(z, ground, lat, int(equation), warmest, out)
    return out


def _known(equation: str) -> None:
    if equation not in EQUATIONS:
        raise ValueError(f'equation is "1" or "2", not "{equation}"')
