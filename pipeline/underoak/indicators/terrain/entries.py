"""Declarations of terrain indicators and of distances."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from underoak.base.units import QUANTITIES
from underoak.indicators.declaration import Indicator, Input, Parameter
from underoak.indicators.distance import distance
from underoak.indicators.terrain import gradient, relief, solar_radiation, sun_path, wetness

_HORN = "Horn 1981, from memory"
_PRACTICE = "common practice, no source"
_SUN = "McCune and Keon 2002, coefficients from memory"
_PATH = "Spencer 1971, Kasten and Young 1989, Meinel and Meinel 1976, all from memory"
_WEISS = "after Weiss 2001, from memory"
_CURVES = "Zevenbergen and Thorne 1987, from memory"

_EQUATION = Parameter("which equation: 2 is closer, 1 takes slopes beyond 60 degrees",
                      choices=solar_radiation.EQUATIONS, default=solar_radiation.EQUATIONS[0])  # fmt: skip
_RADIUS = Parameter("how far around a cell counts", "m", 0.1, 100_000.0)
_INNER = Parameter("how near is left out, for a ring", "m", 0.0, 100_000.0, default=0.0, below="radius")
_METHOD = Parameter("root of the summed squares, or mean", choices=relief.RUGGEDNESS, default=relief.RUGGEDNESS[0])


def _of_heights(
    compute: Callable[..., Any],
    title: str,
    unit: str,
    bounds: tuple[float, float],
    source: str,
    text: str,
    halo: int = 1,
    parameters: Mapping[str, Parameter] | None = None,
    **more: Any,
) -> Indicator:
    return Indicator(
        id=compute.__name__, title=title, inputs={"elevation": Input("m")}, unit=unit, low=bounds[0], high=bounds[1],
        source=source, text=text, compute=compute, halo=halo, parameters=parameters or {},
        **{"needs_cell_size": True, **more},
    )  # fmt: skip


_LAT: dict[str, Any] = {"needs_latitude": True, "most_latitude": solar_radiation.MOST_LATITUDE}
_RING = {"radius": _RADIUS, "inner": _INNER}
_DISTANCE = QUANTITIES["distance"]

ENTRIES = (
    _of_heights(gradient.slope, "slope", "degree", (0, 90), _HORN, "Steepness of the ground, in true metres."),
    _of_heights(gradient.aspect, "aspect", "degree", (0, 360), _HORN, "Downhill bearing, clockwise from true north."),
    _of_heights(gradient.northness, "northness", "", (-1, 1), _PRACTICE, "Cosine of the aspect; 0 where flat."),
    _of_heights(gradient.eastness, "eastness", "", (-1, 1), _PRACTICE, "Sine of the aspect; 0 where flat."),
    _of_heights(solar_radiation.direct_radiation, "direct sunshine", "MJ/cm^2/a", (0, 2), _SUN,
                "Direct sunshine of a year by a regression, highest 20 to 30 degrees beside the south; see the notes.",
                parameters={"equation": _EQUATION}, **_LAT),
    _of_heights(sun_path.sun_path_radiation, "direct sunshine of the year", "MJ/m^2/a", (0, 15000), _PATH,
                "Direct sunshine of a year on the slope, added up over the path of the sun, without clouds or cast "
                "shadows.", needs_latitude=True),
    _of_heights(solar_radiation.heat_load, "heat load", "", (0, 2), _SUN,
                "Direct sunshine with the south-west (in the south, the north-west) as the warmest side.",
                parameters={"equation": _EQUATION}, **_LAT),
    _of_heights(relief.topographic_position, "height above surroundings", "m", (-9000, 9000), _WEISS,
                "Height above the mean around: above 0 on ridges, below in hollows.", 0, _RING, reach="radius"),
    _of_heights(relief.topographic_position_standardised, "topographic position", "", (-100, 100), _WEISS,
                "Height above the mean around, in standard deviations of the heights there.", 0, _RING, reach="radius"),
    _of_heights(relief.ruggedness, "ruggedness", "m", (0, 30000),
                "Riley, DeGloria and Elliot 1999, from memory; the mean by common practice",
                "Differences in height from the eight neighbours; depends on the size of the cells.",
                parameters={"method": _METHOD}, needs_cell_size=False),
    _of_heights(relief.profile_curvature, "curvature downhill", "1/m", (-100, 100), _CURVES,
                "Curvature downhill: below 0 where the slope eases off; 0 where flat."),
    _of_heights(relief.plan_curvature, "curvature across", "1/m", (-100, 100), _CURVES,
                "Curvature across the slope: above 0 where water runs together; 0 where flat."),
    _of_heights(wetness.wetness_index, "wetness", "", (-5, 40),
                "Beven and Kirkby 1979, from memory; the least slope is common practice, no source",
                "ln(area drained per metre of width / tan slope), hollows filled, water to one of eight "
                "neighbours, slopes of 0.1 degree at least; needs all of the file of heights.", 0,
                needs_cell_size=False, is_whole=True, package="pyflwdir hydro"),
    Indicator(
        id="distance", title="distance", inputs={"classes": Input(kind="codes")}, unit="m", low=0.0,
        high=_DISTANCE.high, source="Euclid's distance",
        text="To the nearest cell of the codes, between centres, or the nearest shape; `within` where it is further.",
        compute=distance, reach="within", needs_cell_size=True, takes_shapes=True,
        parameters={"codes": Parameter("class codes it is the distance to", is_codes=True),
                    "within": Parameter("up to where it is measured", "m", 0.1, 100_000.0)},
    ),
)  # fmt: skip
