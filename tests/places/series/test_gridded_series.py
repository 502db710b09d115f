"""Gridded months at parcels: the cells of a parcel, the nearest cell, and the years of the time axis."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import xarray as xr

from underoak.base.errors import Problems
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.series.gridded_series import read_gridded
from underoak.plan.keys.decision.years import SeriesSpec
from underoak.plan.keys.region import TrustSpec

FIRST, YEARS = 1987, 3


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    """Months of three years on cells of half a degree: value = 100 row + 10 column + month, and a gap."""
    folder = tmp_path_factory.mktemp("grid")
    lat, lon = np.array([45.75, 45.25, 44.75]), np.array([1.25, 1.75, 2.25, 2.75])
    row, col = np.meshgrid(np.arange(3), np.arange(4), indexing="ij")
    months = np.tile(np.arange(1, 13), YEARS)
    values = (100 * row + 10 * col)[None] + months[:, None, None].astype(np.float64)
    values[14, 2, 3] = np.nan
    time = np.concatenate([[0], np.cumsum(np.tile([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], YEARS))[:-1]])
    dataset = xr.Dataset(
        {"pr": (("time", "lat", "lon"), values, {"units": "mm"})},
        coords={
            "time": ("time", time, {"units": f"days since {FIRST}-01-01", "calendar": "noleap"}),
            "lat": ("lat", lat, {"units": "degrees_north", "standard_name": "latitude"}),
            "lon": ("lon", lon, {"units": "degrees_east", "standard_name": "longitude"}),
        },
    )
    dataset.to_netcdf(folder / "pr.nc", engine="scipy")
    dataset.to_zarr(folder / "pr.zarr")
    return folder


def parcels_of(*boxes):
    shapes = np.array([shapely.box(*box) for box in boxes], object)
    ids = tuple(f"p{i}" for i in range(len(boxes)))
    return Parcels(ids, shapes, "EPSG:4326", np.ones(len(boxes)), ("",) * len(boxes))


def read(folder, parcels, sample="mean", **keys):
    problems = Problems()
    spec = SeriesSpec(file=keys.pop("file", "pr.nc"), unit=keys.pop("unit", "mm"), **keys)
    return read_gridded("rain", spec, folder, TrustSpec(), parcels, sample, problems), problems


def test_a_large_parcel_is_the_mean_of_its_cells_and_a_small_one_its_nearest(country):
    # the first holds the middles of row 0, columns 0 and 1; the second lies inside row 1, column 2
    parcels = parcels_of((1.1, 45.6, 1.9, 45.9), (2.1, 45.1, 2.2, 45.2))
    series, problems = read(country, parcels)
    assert not problems.faults
    assert (series.first, series.last) == (FIRST, FIRST + YEARS - 1)
    january = [series.values[series.series_of[i], 0, 0] for i in range(2)]
    assert january == pytest.approx([5.0 + 1.0, 120.0 + 1.0])
    nearest, _ = read(country, parcels, "nearest")
    assert nearest.values[nearest.series_of[0], 0, 0] in (1.0, 11.0)  # one cell, not their mean
    assert "nearest cell" in nearest.grain


def test_parcels_in_one_cell_share_a_series_and_a_gap_stays_a_gap(country):
    series, _ = read(country, parcels_of((2.6, 44.6, 2.7, 44.7), (2.8, 44.8, 2.85, 44.9)))
    assert series.series_of.tolist() == [0, 0]
    assert np.isnan(series.values[0, 1, 2])  # the 15th month
    assert int(np.isnan(series.values).sum()) == 1


def test_values_that_cannot_be_are_refused_and_not_taken_for_gaps(country):
    series, problems = read(country, parcels_of((1.1, 45.6, 1.9, 45.9)), unit="m")  # the file holds millimetres
    assert series is None
    assert "cannot be" in str(problems.faults[0])


def test_zarr_reads_like_netcdf(country):
    parcels = parcels_of((1.1, 45.6, 1.9, 45.9), (2.8, 44.8, 2.85, 44.9))
    (one, _), (other, problems) = read(country, parcels), read(country, parcels, file="pr.zarr")
    assert not problems.faults
    np.testing.assert_array_equal(one.values, other.values)


def test_a_parcel_without_a_shape_has_no_series(country):
    parcels = parcels_of((1.1, 45.6, 1.9, 45.9), (1.1, 45.6, 1.9, 45.9))
    parcels.shapes[1] = None
    series, _ = read(country, parcels)
    assert series.series_of.tolist() == [0, -1]


def test_a_parcel_off_the_grid_has_no_series(country):
    series, problems = read(country, parcels_of((1.1, 45.1, 1.2, 45.2), (9.0, 45.1, 9.1, 45.2)))
    assert not problems.faults
    assert series.series_of.tolist() == [0, -1]
    _, problems = read(country, parcels_of((9.0, 45.1, 9.1, 45.2)))
    assert [fault.code for fault in problems.faults] == ["E451"]


def test_a_file_of_no_year_is_refused(tmp_path):
    values = np.ones((12, 2, 2))
    xr.Dataset(
        {"pr": (("month", "lat", "lon"), values, {"units": "mm"})},
        coords={
            "month": ("month", np.arange(1, 13), {"axis": "T", "standard_name": "time"}),
            "lat": ("lat", [45.5, 45.0], {"units": "degrees_north"}),
            "lon": ("lon", [1.0, 1.5], {"units": "degrees_east"}),
        },
    ).to_netcdf(tmp_path / "pr.nc", engine="scipy")
    series, problems = read(tmp_path, parcels_of((1.1, 45.1, 1.2, 45.2)))
    assert series is None
    assert problems.faults
