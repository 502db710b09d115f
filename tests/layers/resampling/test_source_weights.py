"""Taps are what resampling adds up: the same cells, the same weights, missing where it is missing."""

import numpy as np
import pytest

from underoak.base.grid import Grid, Window
from underoak.layers.resampling.mesh import Mesh
from underoak.layers.resampling.resample import resample
from underoak.layers.resampling.source_weights import merge_weights, source_positions, source_weights, source_windows

HOMOLOSINE = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"
TARGET = Grid.north_up("EPSG:25831", 417_000, 4_600_000, 30, 300, 260)
COARSE = Grid.north_up("EPSG:25831", 417_000, 4_600_000, 250, 36, 31)
SOURCES = {
    "coarse soil": Grid.north_up(HOMOLOSINE, 985_000, 4_632_000, 250, 160, 160),
    "elevation in degrees": Grid("EPSG:4326", (1 / 3600, 0, 1.95, 0, -1 / 3600, 41.6), 1200, 1500),
    "turned": Grid("EPSG:25831", (60.0, 25.0, 415_000.0, 20.0, -70.0, 4_600_000.0), 200, 200),
    "the same cells": TARGET,
}


def field(grid, seed=0):
    rng = np.random.default_rng(seed)
    values = rng.random(grid.shape).astype(np.float32)
    values[rng.random(grid.shape) < 0.15] = np.nan
    return values


def summed(found, values, shape):
    flat = np.nan_to_num(values.ravel()).astype(np.float64)
    out = np.full(found.count.size, np.nan)
    for i in np.flatnonzero(found.count):
        at = slice(found.start[i], found.start[i] + found.count[i])
        out[i] = (found.weight[at] * flat[found.index[at]]).sum()
    return out.reshape(shape)


@pytest.mark.parametrize("method", ["nearest", "bilinear", "mean"])
@pytest.mark.parametrize("target", [TARGET, COARSE], ids=["30 m", "250 m"])
@pytest.mark.parametrize("name", SOURCES)
def test_weighted_sums_are_the_resampled_values(name, target, method):
    source = SOURCES[name]
    mesh = Mesh.between(target, source)
    window = Window(5, 3, min(target.rows - 5, 120), min(target.cols - 7, 70))
    at = mesh.coordinates(window)
    u, v = source_positions(mesh, at, window)
    (there,) = source_windows(mesh, method, u, v)
    there = there.clip(*source.shape)
    values = field(source)[there.slices]
    expected = resample(values, there, mesh, at, window, method)
    found = summed(source_weights(values, there, mesh, at, window, method), values, window.shape)
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    assert np.nanmax(np.abs(found - expected), initial=0.0) < 2e-6
    assert np.isfinite(expected).mean() > 0.3


def test_places_are_those_of_the_projection():
    source = SOURCES["coarse soil"]
    mesh, window = Mesh.between(TARGET, source), Window(10, 20, 70, 90)
    u, v = source_positions(mesh, mesh.coordinates(window), window)
    cols, rows = np.meshgrid(np.arange(20, 110) + 0.5, np.arange(10, 80) + 0.5)
    true_u, true_v = mesh.project(cols.ravel(), rows.ravel())
    assert np.abs(u.ravel() - true_u).max() < 0.01
    assert np.abs(v.ravel() - true_v).max() < 0.01


def test_ground_torn_apart_draws_on_several_windows_and_misses_nothing():
    target = Grid.north_up("EPSG:3857", -4_470_000, 3_000_000, 500, 64, 128)  # across 40 degrees west
    source = Grid.north_up(HOMOLOSINE, -20_000_000, 8_700_000, 1000, 17_400, 40_000)
    mesh = Mesh.between(target, source)
    window = target.window
    at = mesh.coordinates(window)
    u, v = source_positions(mesh, at, window)
    windows = source_windows(mesh, "bilinear", u, v)
    assert len(windows) > 1
    assert sum(w.rows * w.cols for w in windows) < 60_000
    parts, offset = [], 0
    for there in windows:
        parts.append(source_weights(np.ones(there.shape, np.float32), there, mesh, at, window, "bilinear", offset))
        offset += there.rows * there.cols
    whole = merge_weights(parts)
    assert (whole.count > 0).mean() > 0.99
    assert whole.index.max() < offset
    every = summed(whole, np.ones(offset, np.float32), window.shape)
    assert np.nanmax(np.abs(every - 1.0)) < 1e-6


def test_nothing_is_taken_where_nothing_lies():
    source = Grid.north_up("EPSG:25831", 900_000, 4_600_000, 250, 10, 10)
    mesh = Mesh.between(TARGET, source)
    at = mesh.coordinates(Window(0, 0, 20, 20))
    found = source_weights(np.ones((10, 10), np.float32), source.window, mesh, at, Window(0, 0, 20, 20), "nearest")
    assert found.count.sum() == 0
