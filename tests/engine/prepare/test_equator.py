"""A season means the months it has where the region lies; on the equator it means nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from underoak.base.errors import Problems, UnderoakError
from underoak.engine.prepare.prepare import prepare
from underoak.layers.shapes.region import read_region
from underoak.plan import load_plan
from underoak.plan.keys.region import RegionSpec

SIDES = {"north": (10.0, "EPSG:32631"), "south": (-36.0, "EPSG:32731"), "across": (-0.02, "EPSG:32631")}


def region_at(latitude: float, system: str) -> dict:
    from underoak.base import crs

    x, y = crs.transformer("EPSG:4326", system).transform(3.0, latitude)
    return {"bounds": [round(x), round(y), round(x) + 5000, round(y) + 5000], "crs": system, "cell": "1 km"}


def monthly(folder: Path, latitude: float) -> None:
    """Twelve months of rain, each as many millimetres as its number."""
    import pandas as pd
    import xarray as xr

    lat, lon = np.arange(latitude - 1, latitude + 1, 0.1), np.arange(2.0, 4.0, 0.1)
    values = np.broadcast_to(np.arange(1.0, 13.0)[:, None, None], (12, len(lat), len(lon))).astype(np.float32)
    made = xr.DataArray(
        values,
        {"time": pd.date_range("2001-01-01", periods=12, freq="MS"), "lat": lat, "lon": lon},
        ("time", "lat", "lon"),
        "pr",
        {"units": "mm"},
    )
    made["lat"].attrs["units"], made["lon"].attrs["units"] = "degrees_north", "degrees_east"
    made.to_netcdf(folder / "rain.nc", engine="h5netcdf")


def plan_of(folder: Path, side: str, **layer: object):
    latitude, system = SIDES[side]
    if not (folder / "rain.nc").exists():
        monthly(folder, latitude)
    rain = {"file": "rain.nc", "variable": "pr", "unit": "mm", "reduce": "sum", "crs": "EPSG:4326", **layer}
    return load_plan(
        {
            "format": 1,
            "title": side,
            "purpose": "region",
            "region": region_at(latitude, system),
            "layers": {"rain_summer": rain},
            "criteria": {
                "water": {"layer": "rain_summer", "curve": {"shape": "ramp_up", "at": [0, 90]}, "source": "a"}
            },
        },
        base=folder,
    )


@pytest.mark.parametrize(("side", "season", "months"), [
    ("north", "summer", (6, 7, 8)), ("south", "summer", (12, 1, 2)),
    ("north", "winter", (12, 1, 2)), ("south", "winter", (6, 7, 8)),
    ("north", "autumn", (9, 10, 11)), ("south", "autumn", (3, 4, 5)),
    ("south", "spring", (9, 10, 11)),
])  # fmt: skip
def test_a_season_follows_the_side_of_the_equator(tmp_path, side, season, months):
    prepared = prepare(plan_of(tmp_path, side, season=season))
    (layer,) = prepared.recipe.stack.layers
    assert layer.source_layer.selected_months == months
    assert prepared.cases[0].months == {"rain_summer": months}
    values = prepared.recipe.stack.read(prepared.grid.window, {"rain_summer"}).values["rain_summer"]
    assert values == pytest.approx(sum(months))


def test_across_the_equator_a_season_is_refused_and_the_mend_helps(tmp_path):
    with pytest.raises(UnderoakError, match=r"E337 layers.rain_summer: says `season: summer`.*both sides") as caught:
        prepare(plan_of(tmp_path, "across", season="summer"))
    assert caught.value.exit_code == 3
    prepared = prepare(plan_of(tmp_path, "across", months=[6, 7, 8]))
    assert prepared.recipe.stack.layers[0].source_layer.selected_months == (6, 7, 8)


def test_the_whole_year_is_the_same_on_either_side(tmp_path):
    assert prepare(plan_of(tmp_path, "across", season="year")).region.crosses_equator


@pytest.mark.parametrize(
    ("bottom", "top", "crosses"),
    [(0, 5000, False), (-5000, 0, False), (-1000, 1000, True), (5000, 9000, False)],
)
def test_a_region_that_ends_on_the_equator_does_not_cross_it(tmp_path, bottom, top, crosses):
    spec = RegionSpec.model_validate({"bounds": [500_000, bottom, 505_000, top], "crs": "EPSG:32631", "cell": "1 km"})
    problems = Problems()
    region = read_region(spec, tmp_path, 1e9, problems)
    assert problems.faults == []
    assert region is not None
    assert region.crosses_equator is crosses
