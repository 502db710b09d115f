"""Plans that derive climate and soil from NetCDF months and GeoTIFF layers give the figures worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
import xarray as xr
import yaml
from click.testing import CliRunner

from underoak.cli import main
from underoak.indicators.climate.evapotranspiration import hargreaves_year

from noise import write_raster, write_shapes

TMIN = [-2, -1, 2, 5, 9, 13, 15, 15, 11, 7, 2, -1]
TMAX = [6, 8, 12, 15, 20, 24, 28, 27, 22, 16, 10, 7]
RAIN = [40, 35, 50, 60, 70, 65, 30, 40, 75, 90, 85, 60]
WEST, NORTH, STEP = 2.8, 45.2, 0.1
LEFT, TOP = 499_000.0, 4_984_000.0  # of the region; on the central meridian of its zone, at 45 N


def months(path, **variables):
    lat, lon = NORTH - STEP / 2 - STEP * np.arange(4), WEST + STEP / 2 + STEP * np.arange(4)
    fields = {
        name: (("time", "lat", "lon"), np.broadcast_to(np.float32(values)[:, None, None], (12, 4, 4)), {"units": unit})
        for name, (values, unit) in variables.items()
    }
    axes = {
        "time": ("time", np.arange(1, 13), {"units": "month"}),
        "lat": ("lat", lat, {"units": "degrees_north", "standard_name": "latitude"}),
        "lon": ("lon", lon, {"units": "degrees_east", "standard_name": "longitude"}),
    }
    xr.Dataset(fields, coords=axes).to_netcdf(path)


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("derived")
    kelvin = [degrees + 273.15 for degrees in TMIN]
    mean = [(a + b) / 2 for a, b in zip(TMIN, TMAX, strict=True)]
    months(folder / "tmin.nc", tasmin=(kelvin, "K"))
    months(folder / "tmax.nc", tasmax=(TMAX, "degC"))
    months(folder / "tas.nc", tas=(mean, "degC"))
    months(folder / "pr.nc", pr=(RAIN, "mm"))
    soil = (250.0, 0, LEFT - 1000, 0, -250.0, TOP + 1000)
    for name, left, right in (("sand", 400, 850), ("silt", 400, 150), ("clay", 200, 0)):  # g/kg
        cells = np.full((16, 16), left, np.int16)
        cells[:, 8:] = right
        write_raster(folder / f"{name}.tif", cells, "EPSG:32631", soil)
    for depth, tenths in (("0", 72), ("5", 74), ("15", 78)):
        write_raster(folder / f"ph_{depth}.tif", np.full((16, 16), tenths, np.int16), "EPSG:32631", soil)
        write_raster(folder / f"clay_{depth}.tif", np.full((16, 16), tenths, np.int16), "EPSG:32631", soil)
    write_raster(folder / "carbon.tif", np.full((16, 16), 200, np.int16), "EPSG:32631", soil)
    fields = [
        shapely.box(LEFT + 200, TOP - 1500, LEFT + 800, TOP - 500),
        shapely.box(LEFT + 1200, TOP - 1500, LEFT + 1800, TOP - 500),
    ]
    write_shapes(folder / "fields.gpkg", fields, "EPSG:32631", name=["loam", "loamy sand"])
    return folder


MONTHLY = {
    "tmin": {"file": "tmin.nc", "variable": "tasmin", "unit": "K"},
    "tmax": {"file": "tmax.nc", "variable": "tasmax", "unit": "degC"},
    "tas": {"file": "tas.nc", "variable": "tas", "unit": "degC"},
    "pr": {"file": "pr.nc", "variable": "pr", "unit": "mm"},
}
MINERAL = {name: {"file": f"{name}.tif", "unit": "g/kg", "resample": "nearest"} for name in ("sand", "silt", "clay")}
BOTH = {"tmin": "tmin", "tmax": "tmax"}


def plan_of(layers, derived, **criteria):
    return {
        "format": 1,
        "title": "derived",
        "purpose": "buy",
        "region": {"bounds": [LEFT, TOP - 2000, LEFT + 2000, TOP], "crs": "EPSG:32631", "cell": "50 m"},
        "layers": {**layers, **derived},
        "criteria": {
            name: {
                "layer": name,
                "curve": criteria.get(name, {"shape": "ramp_up", "at": [-2000, 6000]}),
                "source": "a test",
            }
            for name in derived
        },
        "weights": {"direct": dict.fromkeys(derived, 1 / len(derived))},
        "parcels": {"file": "fields.gpkg", "id": "name"},
    }


def judged(country, name, plan):
    path = country / f"{name}.yaml"
    path.write_text(yaml.safe_dump(plan, sort_keys=False), encoding="utf-8")
    out = country / name
    result = CliRunner().invoke(main, ["run", str(path), "--out", str(out), "--progress", "none"])
    assert result.exit_code == 0, result.output
    return pd.read_csv(out / "parcels.csv").set_index("id")


def test_climate_from_months(country):
    derived = {
        "bio4": {"from": "tas", "derive": "bio4"},
        "bio8": {"from": {"temperature": "tas", "rain": "pr"}, "derive": "bio8"},
        "bio15": {"from": "pr", "derive": "bio15"},
        "bio18": {"from": {"temperature": "tas", "rain": "pr"}, "derive": "bio18"},
        "hargreaves": {"from": BOTH, "derive": "hargreaves_year"},
        "thornthwaite": {"from": "tas", "derive": "thornthwaite_year"},
        "balance": {"from": {"rain": "pr", **BOTH}, "derive": "summer_balance_hargreaves"},
        "aridity": {"from": {"rain": "pr", **BOTH}, "derive": "aridity_hargreaves"},
        "warmth": {"from": "tas", "derive": "degree_days", "base": "10 degC"},
        "frost": {"from": "tmin", "derive": "frost_months", "below": "0.5 degC"},
    }
    made = judged(country, "climate", plan_of(MONTHLY, derived))
    exact = {"bio4": 708.2308, "bio8": 11.3333, "bio15": 33.1932, "bio18": 135.0, "warmth": 1333.5, "frost": 3.0}
    for name, expected in exact.items():
        assert made[f"value_{name}"].tolist() == pytest.approx([expected] * 2, rel=1e-4), name
    # The figures for 45 N; the parcels lie within a tenth of a degree of it.
    for name, expected, near in (
        ("hargreaves", 940.918, 0.5), ("thornthwaite", 679.775, 0.5), ("aridity", 0.74395, 5e-4),
        ("balance", 135 - 448.452, 0.3),
    ):  # fmt: skip
        assert made[f"value_{name}"].tolist() == pytest.approx([expected] * 2, abs=near), name


def test_the_latitude_is_that_of_the_source_cell(country):
    made = judged(
        country,
        "latitude",
        plan_of(
            {name: MONTHLY[name] for name in BOTH},
            {"taken": {"from": BOTH, "derive": "hargreaves_year", "resample": "nearest"}},
        ),
    )
    tmin, tmax = (np.float32(layer).reshape(12, 1, 1) for layer in (TMIN, TMAX))
    south, north = (float(hargreaves_year(tmin, tmax, lat)[0, 0]) for lat in (44.95, 45.05))
    assert south - north > 0.3
    # Two rows of the source meet at 45 N, and eleven of the twenty rows of cells on each parcel lie north of it.
    assert made["value_taken"].tolist() == pytest.approx([(11 * north + 9 * south) / 20] * 2, abs=1e-2)


def test_soil_from_fractions_depths_and_carbon(country):
    table = {"shape": "table", "of": {2: 0.25, 4: 1.0}}  # loamy sand, loam
    derived = {
        "texture": {"from": {name: name for name in MINERAL}, "derive": "texture_class"},
        "ph": {"from": {"cm_0_5": "ph_0", "cm_5_15": "ph_5", "cm_15_30": "ph_15"}, "derive": "mean_0_30cm"},
        "fines": {"from": {"cm_0_5": "clay_0", "cm_5_15": "clay_5", "cm_15_30": "clay_15"}, "derive": "mean_0_30cm"},
        "matter": {"from": "carbon", "derive": "organic_matter"},
        "by_kcl": {"from": "ph_0", "derive": "converted_ph", "conversion": "KCl 1:2.5 to water 1:5"},
    }
    layers = {
        **MINERAL,
        **{f"ph_{depth}": {"file": f"ph_{depth}.tif", "unit": "pH*10"} for depth in ("0", "5", "15")},
        "carbon": {"file": "carbon.tif", "unit": "dg/kg"},
        # two units for one thing: that of the first counts
        "clay_0": {"file": "clay_0.tif", "unit": "percent"},
        "clay_5": {"file": "clay_5.tif", "unit": "percent"},
        "clay_15": {"file": "clay_15.tif", "unit": "g/kg"},
    }
    made = judged(country, "soil", plan_of(layers, derived, texture=table))
    assert made["membership_texture"].to_dict() == {"loam": 1.0, "loamy sand": 0.25}
    assert made["value_ph"].tolist() == pytest.approx([7.56667] * 2, rel=1e-5)
    assert made["value_fines"].tolist() == pytest.approx([(5 * 72 + 10 * 74 + 15 * 7.8) / 30] * 2, rel=1e-5)
    assert made["value_matter"].tolist() == pytest.approx([2.0 * 1.724] * 2, rel=1e-5)
    assert made["value_by_kcl"].tolist() == pytest.approx([-1.95 + 11.58 * np.log10(7.2)] * 2, rel=1e-5)


def test_codes_are_never_averaged(country):
    plan = plan_of(
        MINERAL, {"texture": {"from": {name: name for name in MINERAL}, "derive": "texture_class", "resample": "mean"}}
    )
    path = country / "averaged.yaml"
    path.write_text(yaml.safe_dump(plan), encoding="utf-8")
    result = CliRunner().invoke(main, ["check", str(path)])
    assert result.exit_code != 0
    assert "E226" in result.output


def test_the_share_of_a_derived_class_can_be_asked_for(country):
    derived = {
        "loam": {
            "from": {name: name for name in MINERAL}, "derive": "texture_class", "resample": "share", "share_of": [4]
        },
    }  # fmt: skip
    made = judged(country, "share", plan_of(MINERAL, derived, loam={"shape": "ramp_up", "at": [0, 1]}))
    assert made["value_loam"].to_dict() == {"loam": 1.0, "loamy sand": 0.0}
