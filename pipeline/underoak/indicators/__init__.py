"""Indicators: what the ground and the climate are like, cell by cell. Arrays in, arrays out."""

from underoak.indicators.climate import (
    annual_mean,
    annual_sum,
    coldest_month_mean,
    months_max,
    months_mean,
    months_min,
    months_sum,
    warmest_month_mean,
)
from underoak.indicators.declaration import Indicator, Input, Parameter
from underoak.indicators.ground import cells_around, latitudes, on_grid
from underoak.indicators.metres import Strip, cell_areas, cell_metres
from underoak.indicators.nearness import distance
from underoak.indicators.registry import REGISTRY, get
from underoak.indicators.relief import (
    plan_curvature,
    profile_curvature,
    ruggedness,
    topographic_position,
    topographic_position_standardised,
)
from underoak.indicators.sunlit import direct_radiation, heat_load, radiation_of
from underoak.indicators.terrain import aspect, eastness, northness, slope
from underoak.indicators.wetness import wetness_index

__all__ = [
    "REGISTRY",
    "Indicator",
    "Input",
    "Parameter",
    "Strip",
    "annual_mean",
    "annual_sum",
    "aspect",
    "cell_areas",
    "cell_metres",
    "cells_around",
    "coldest_month_mean",
    "direct_radiation",
    "distance",
    "eastness",
    "get",
    "heat_load",
    "latitudes",
    "months_max",
    "months_mean",
    "months_min",
    "months_sum",
    "northness",
    "on_grid",
    "plan_curvature",
    "profile_curvature",
    "radiation_of",
    "ruggedness",
    "slope",
    "topographic_position",
    "topographic_position_standardised",
    "warmest_month_mean",
    "wetness_index",
]
