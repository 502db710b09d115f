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
from underoak.indicators.registry import REGISTRY, get
from underoak.indicators.terrain import aspect, eastness, northness, slope

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
    "eastness",
    "get",
    "latitudes",
    "months_max",
    "months_mean",
    "months_min",
    "months_sum",
    "northness",
    "on_grid",
    "slope",
    "warmest_month_mean",
]
