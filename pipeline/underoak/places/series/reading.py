"""The series of a plan's `years`, read and put on the same years."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from underoak.base.errors import Problems
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.series.gridded_series import read_gridded
from underoak.places.series.station_table import read_station
from underoak.places.series.values import SeriesOfParcels, YearsOfParcels

if TYPE_CHECKING:
    from underoak.plan.plan import Plan


def read_years(plan: Plan, parcels: Parcels, problems: Problems) -> YearsOfParcels | None:
    """Return the series of a plan at its parcels; None without `years`, and when a fault was added to `problems`.

    Faults: those of `read_station` and `read_gridded`; E452 no year that all series have between `first` and `last`, or
    a year still to come: counts are of past years.
    """
    spec = plan.spec.years
    if spec is None:
        return None
    n_before = len(problems.faults)
    by_quantity: dict[str, SeriesOfParcels] = {}
    for quantity, of_quantity in spec.series.items():
        if of_quantity.is_gridded:
            series = read_gridded(quantity, of_quantity, plan.base, plan.trust, parcels, spec.sample, problems)
        else:
            id_field = plan.parcels.id if plan.parcels else "parcel"
            series = read_station(quantity, of_quantity, plan.base, parcels.ids, id_field, problems)
        if series is not None:
            by_quantity[quantity] = series
    if len(problems.faults) > n_before:
        return None
    first = max(series.first for series in by_quantity.values()) if spec.first is None else spec.first
    last = min(series.last for series in by_quantity.values()) if spec.last is None else spec.last
    if last < first:
        spans = ", ".join(f"{name} {series.first} to {series.last}" for name, series in by_quantity.items())
        problems.add("E452", f"the series have no year in common ({spans})", "years", "give series of the same years")
        return None
    outside = [name for name, series in by_quantity.items() if series.last < first or series.first > last]
    if outside:
        what = f"{', '.join(outside)}: no year from {first} to {last} in the file"
        problems.add("E452", what, "years", "correct `first` and `last`")
        return None
    if last > datetime.date.today().year:
        what = f"the series have years still to come, up to {last}, and counts are of past years"
        problems.add("E452", what, "years", "correct the rows, or end with `last`")
        return None
    return YearsOfParcels({name: series.within(first, last) for name, series in by_quantity.items()}, first, last)
