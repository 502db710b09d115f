"""A quantity at the parcels, month by month or day by day over several years."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class SeriesOfParcels:
    """One quantity over years in a row; several parcels may share a series."""

    first: int  # year
    values: Doubles  # (series, years, 12), or (series, years, 12, 31) by day; NaN missing
    series_of: Places  # of each parcel, in the file's order; -1 where none covers it, (parcels,)
    grain: str = ""  # how coarse a grid is, and how it is sampled

    @property
    def last(self) -> int:
        """The last year."""
        return self.first + int(self.values.shape[1]) - 1

    @property
    def is_daily(self) -> bool:
        """True where values are those of days."""
        return self.values.ndim == 4

    def within(self, first: int, last: int) -> SeriesOfParcels:
        """Return the series from one year to another; years beyond the file are missing."""
        years = np.arange(first, last + 1)
        inside = (years >= self.first) & (years <= self.last)
        values = np.full((len(self.values), len(years), *self.values.shape[2:]), np.nan)
        values[:, inside] = self.values[:, years[inside] - self.first]
        return SeriesOfParcels(first, values, self.series_of, self.grain)


@dataclass(frozen=True, slots=True, eq=False)
class YearsOfParcels:
    """Every series of a plan, over the same years."""

    series: Mapping[str, SeriesOfParcels]  # by quantity: rain, evapotranspiration, temperature, minimum
    first: int
    last: int
