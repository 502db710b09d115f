"""Indicators of terrain, climate and soil, cell by cell. Arrays in, arrays out."""

from underoak.indicators.cell_size import CellSizes, cell_areas, cell_metres
from underoak.indicators.climate.monthly import (
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
from underoak.indicators.distance import distance
from underoak.indicators.on_grid import halo_cells, latitudes, on_grid
from underoak.indicators.registry import REGISTRY, get
from underoak.indicators.terrain.gradient import aspect, eastness, northness, slope
from underoak.indicators.terrain.relief import (
    plan_curvature,
    profile_curvature,
    ruggedness,
    topographic_position,
    topographic_position_standardised,
)
from underoak.indicators.terrain.solar_radiation import direct_radiation, heat_load, radiation_of
from underoak.indicators.terrain.sun_path import sun_path_radiation
from underoak.indicators.terrain.wetness import wetness_index

__all__ = [
    "REGISTRY",
    "CellSizes",
    "Indicator",
    "Input",
    "Parameter",
    "annual_mean",
    "annual_sum",
    "aspect",
    "cell_areas",
    "cell_metres",
    "coldest_month_mean",
    "direct_radiation",
    "distance",
    "eastness",
    "get",
    "halo_cells",
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
    "sun_path_radiation",
    "topographic_position",
    "topographic_position_standardised",
    "warmest_month_mean",
    "wetness_index",
]
