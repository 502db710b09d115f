"""Declarations of climate indicators: bioclimatic variables, evapotranspiration, dryness, warmth and frost."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import ModuleType

from underoak.base.arrays import FloatArray
from underoak.base.units import QUANTITIES
from underoak.indicators.climate import bioclim, evapotranspiration, monthly, temperature, water_balance
from underoak.indicators.declaration import Indicator, Input, Parameter

_PRACTICE = "common practice, no source"
_WORLDCLIM = "definition in the list of WorldClim, read"
_HARGREAVES = "Hargreaves as FAO-56 eq. 52 (Allen et al. 1998), from memory"
_THORNTHWAITE = "Thornthwaite 1948, from memory; above 26.5 degC Willmott, Rowe and Mintz 1985, as open code quotes it"
_UNEP = "UNEP 1992, from memory"

_YEAR = {
    "temperature": Input("degC", "months", is_year=True),
    "tmin": Input("degC", "months", is_year=True),
    "tmax": Input("degC", "months", is_year=True),
    "rain": Input("mm", "months", is_year=True),
}
_HEAT, _RAIN = QUANTITIES["temperature"], QUANTITIES["precipitation"]
_MOST = 4000.0  # mm that a year can evaporate


def _year(
    id: str,
    title: str,
    takes: str,
    unit: str,
    bounds: tuple[float, float],
    source: str,
    text: str,
    module: ModuleType = bioclim,
    parameters: Mapping[str, Parameter] | None = None,
) -> Indicator:
    names = takes.split()
    compute: Callable[..., FloatArray] = getattr(module, id)
    return Indicator(
        id=id, title=title, inputs={name: _YEAR[name] for name in names if name != "latitude"}, unit=unit,
        low=bounds[0], high=bounds[1], source=source, text=text, compute=compute, parameters=parameters or {},
        needs_latitude="latitude" in names,
    )  # fmt: skip


_DEGREES, _DEPTH = (_HEAT.low, _HEAT.high), (_RAIN.low, _RAIN.high)


def _bio(number: int, title: str, takes: str, unit: str, bounds: tuple[float, float], text: str) -> Indicator:
    return _year(f"bio{number}", title, takes, unit, bounds, _WORLDCLIM, text)


def _monthly(id: str, title: str, quantity: str, text: str, is_year: bool = False) -> Indicator:
    kind = QUANTITIES[quantity]
    return Indicator(
        id=id, title=title, inputs={"months": Input(kind.unit, "months", is_year=is_year)}, unit=kind.unit,
        low=kind.low, high=kind.high, source=_PRACTICE, text=text, compute=getattr(monthly, id),
    )  # fmt: skip


_MONTHS = (
    _monthly("months_sum", "sum of months", "any", "Sum over the months of the season."),
    _monthly("months_mean", "mean of months", "any", "Mean over the months of the season, each counted alike."),
    _monthly("months_min", "least month", "any", "Least of the months of the season."),
    _monthly("months_max", "greatest month", "any", "Greatest of the months of the season."),
    _monthly("warmest_month_mean", "warmest month", "temperature", "Mean temperature of the warmest month.", True),
    _monthly("coldest_month_mean", "coldest month", "temperature", "Mean temperature of the coldest month.", True),
    _monthly("annual_sum", "rain of the year", "precipitation", "Sum of the twelve months, each in mm.", True),
    _monthly("annual_mean", "mean of the year", "temperature", "Mean of the twelve months, each counted alike.", True),
)

_BASE = Parameter("temperature above which warmth counts", "degC", -20.0, 40.0, default=5.0)
_BIOCLIMATIC = (
    _bio(1, "mean temperature", "temperature", "degC", _DEGREES, "Mean temperature of the year."),
    _bio(2, "daily range", "tmin tmax", "delta_degC", (0, 70), "Mean of the months' daily ranges."),
    _bio(3, "isothermality", "tmin tmax", "percent", (0, 100), "Daily range as a share of the year's range."),
    _bio(4, "seasonality of temperature", "temperature", "cK", (0, 4000),
         "100 times the deviation (n - 1) of the months."),
    _bio(5, "warmest month's greatest", "tmax", "degC", _DEGREES, "Mean daily greatest of the warmest month."),
    _bio(6, "coldest month's least", "tmin", "degC", _DEGREES, "Mean daily least of the coldest month."),
    _bio(7, "range of the year", "tmin tmax", "delta_degC", (0, 100), "Greatest of the year less its least."),
    _bio(8, "mean of the wettest quarter", "temperature rain", "degC", _DEGREES,
         "Mean of the wettest three months in a row."),
    _bio(9, "mean of the driest quarter", "temperature rain", "degC", _DEGREES,
         "Mean of the driest three months in a row."),
    _bio(10, "mean of the warmest quarter", "temperature", "degC", _DEGREES,
         "Mean of the warmest three months in a row."),
    _bio(11, "mean of the coldest quarter", "temperature", "degC", _DEGREES,
         "Mean of the coldest three months in a row."),
    _bio(12, "rain of the year", "rain", "mm", _DEPTH, "Rain of the twelve months."),
    _bio(13, "wettest month", "rain", "mm", _DEPTH, "Rain of the wettest month."),
    _bio(14, "driest month", "rain", "mm", _DEPTH, "Rain of the driest month."),
    _bio(15, "seasonality of rain", "rain", "percent", (0, 350),
         "Deviation (n - 1) of the months over their mean plus 1 mm."),
    _bio(16, "rain of the wettest quarter", "rain", "mm", _DEPTH, "Rain of the wettest three months in a row."),
    _bio(17, "rain of the driest quarter", "rain", "mm", _DEPTH, "Rain of the driest three months in a row."),
    _bio(18, "rain of the warmest quarter", "temperature rain", "mm", _DEPTH,
         "Rain of the warmest three months in a row."),
    _bio(19, "rain of the coldest quarter", "temperature rain", "mm", _DEPTH,
         "Rain of the coldest three months in a row."),
)  # fmt: skip
_DRYNESS = (
    _year("hargreaves_year", "evapotranspiration (Hargreaves)", "tmin tmax latitude", "mm", (0, _MOST), _HARGREAVES,
          "Reference evapotranspiration of the year.", evapotranspiration),
    _year("thornthwaite_year", "evapotranspiration (Thornthwaite)", "temperature latitude", "mm", (0, _MOST),
          _THORNTHWAITE, "Potential evapotranspiration of the year.", evapotranspiration),
    _year("summer_balance_hargreaves", "summer's water (Hargreaves)", "rain tmin tmax latitude", "mm",
          (-_MOST, _RAIN.high), _HARGREAVES, "Rain less evapotranspiration over the hemisphere's summer.",
          water_balance),
    _year("summer_balance_thornthwaite", "summer's water (Thornthwaite)", "rain temperature latitude", "mm",
          (-_MOST, _RAIN.high), _THORNTHWAITE, "Rain less evapotranspiration over the hemisphere's summer.",
          water_balance),
    _year("warm_season_balance_thornthwaite", "water of May to August (Thornthwaite)", "rain temperature latitude",
          "mm", (-_MOST, _RAIN.high), f"months of Le Tacon et al. 2014 (abstract); {_THORNTHWAITE}",
          "Rain less evapotranspiration from May to August, in the south from November to February.", water_balance),
    _year("aridity_hargreaves", "aridity (Hargreaves)", "rain tmin tmax latitude", "", (0, float("inf")),
          f"{_UNEP}; {_HARGREAVES}", "Rain of the year over its evapotranspiration; below 0.65 is dry.",
          water_balance),
    _year("aridity_thornthwaite", "aridity (Thornthwaite)", "rain temperature latitude", "", (0, float("inf")),
          f"{_UNEP}; {_THORNTHWAITE}", "Rain of the year over its evapotranspiration; below 0.65 is dry.",
          water_balance),
)  # fmt: skip
_WARMTH = (
    _year("degree_days", "degree-days", "temperature", "d*K", (0, 25000), _PRACTICE,
          "Warmth above a base over the year, from monthly means.", temperature, {"base": _BASE}),
    _year("sine_degree_days", "degree-days of a sine", "tmin tmax", "d*K", (0, 25000),
          "Baskerville and Emin 1969, formula from memory", "Warmth above a base over the year, a sine for each day.",
          temperature, {"base": _BASE}),
    _year("frost_months", "months of frost", "tmin", "", (0, 12), _PRACTICE,
          "Months whose mean daily least temperature is below a threshold.", temperature,
          {"below": Parameter("threshold of frost", "degC", -60.0, 20.0, default=0.0)}),
    _year("frost_days", "days of hard frost", "tmin", "d", (0, 365), "common practice, no source; so is the deviation",
          "Days expected at or below a threshold, if nights scatter normally round the month's mean least.",
          temperature,
          {"at_most": Parameter("threshold of hard frost", "degC", -60.0, 20.0, default=-10.0),
           "deviation": Parameter("standard deviation of the nights of a month", "delta_degC", 0.1, 20.0,
                                  default=temperature.SPREAD_OF_NIGHTS)}),
)  # fmt: skip
ENTRIES = (*_MONTHS, *_BIOCLIMATIC, *_DRYNESS, *_WARMTH)
