"""Plans that derive terrain and distances, file to parcels: figures worked out by hand, and the same bytes."""

from __future__ import annotations

import hashlib
import json
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from click.testing import CliRunner

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.cli import main
from underoak.indicators import radiation_of

from noise import LEFT, TOP, noise_country, write_raster, write_shapes

CRS = "EPSG:32631"
WEST, NORTH = 499_000.0, 4_984_000.0  # 45 N, on the central meridian
SLOPE = 20.0


@pytest.fixture(scope="module")
def hillside(tmp_path_factory):
    """A plane that dips 20 degrees to the south, a wood along its western edge, a road along its northern one."""
    folder = tmp_path_factory.mktemp("hillside")
    rows = np.arange(240)[:, None] * np.ones((1, 240))
    metres = 25.0 / 0.9996  # a cell of 25 m of the grid is so long on the ground
    heights = 2000.0 - rows * metres * np.tan(np.radians(SLOPE))
    write_raster(folder / "dem.tif", heights.astype(np.float32), CRS, (25, 0, WEST - 2000, 0, -25, NORTH + 2000))
    cover = np.full((240, 240), 30, np.uint8)
    cover[:, :80] = 10
    write_raster(folder / "cover.tif", cover, CRS, (25, 0, WEST - 2000, 0, -25, NORTH + 2000))
    write_shapes(folder / "roads.gpkg", [shapely.LineString([(WEST - 9000, NORTH), (WEST + 9000, NORTH)])], CRS)
    field = shapely.box(WEST + 500, NORTH - 1000, WEST + 600, NORTH - 900)
    write_shapes(folder / "fields.gpkg", [field], CRS, name=["field"])
    return folder


def plan_of(derived):
    return {
        "format": 1,
        "title": "hillside",
        "purpose": "buy",
        "region": {"bounds": [WEST, NORTH - 2000, WEST + 2000, NORTH], "crs": CRS, "cell": "50 m"},
        "layers": {
            "elevation": {"file": "dem.tif", "unit": "m"},
            "cover": {"file": "cover.tif", "kind": "classes"},
            **derived,
        },
        "criteria": {
            name: {"layer": name, "curve": {"shape": "ramp_up", "at": [-100, 6000]}, "source": "a test"}
            for name in derived
        },
        "weights": {"direct": dict.fromkeys(derived, 1 / len(derived))},
        "parcels": {"file": "fields.gpkg", "id": "name"},
    }


def run(folder, name, derived, **options):
    plan = plan_of(derived)
    (folder / f"{name}.json").write_text(json.dumps(plan), encoding="utf-8")
    made = uo.run(uo.load_plan(plan, base=folder), out=folder / name, **options)
    return pd.read_csv(made.folder / "parcels.csv").set_index("id").loc["field"], made


DERIVED = {
    "sun": {"from": "elevation", "derive": "direct_radiation"},
    "heat": {"from": "elevation", "derive": "heat_load", "equation": 1},
    "tpi": {"from": "elevation", "derive": "topographic_position", "radius": "0.2 km"},
    "ring": {"from": "elevation", "derive": "topographic_position_standardised", "radius": "400 m", "inner": "100 m"},
    "rough": {"from": "elevation", "derive": "ruggedness"},
    "bend": {"from": "elevation", "derive": "plan_curvature"},
    "wood": {"from": "cover", "derive": "distance", "codes": [10], "within": "800 m"},
    "wood_too": {"file": "cover.tif", "derive": "distance", "codes": [10], "within": "0.8 km", "resample": "mean"},
    "road": {"file": "roads.gpkg", "derive": "distance", "within": "5 km"},
    "road_near": {"file": "roads.gpkg", "derive": "distance", "within": "200 m"},
    "road_km": {"file": "roads.gpkg", "derive": "distance", "within": "5 km", "to": "km"},
}


def test_figures_of_a_plane(hillside):
    field, made = run(hillside, "plane", DERIVED)
    value = {name: field[f"value_{name}"] for name in DERIVED}
    # 45.0 N to within a hundredth of a degree
    assert value["sun"] == pytest.approx(radiation_of(SLOPE, 180.0, 45.0, "2"), abs=1e-3)
    assert value["heat"] == pytest.approx(radiation_of(SLOPE, 180.0, 45.0, "1", 225.0), abs=1e-3)
    assert value["tpi"] == pytest.approx(0.0, abs=2e-3)
    assert value["ring"] == pytest.approx(0.0, abs=1e-3)
    assert value["rough"] == pytest.approx(np.sqrt(6) * 25.0 / 0.9996 * np.tan(np.radians(SLOPE)), rel=1e-3)
    assert value["bend"] == pytest.approx(0.0, abs=1e-6)
    # the field's middle lies 550 m east of the wood's last cell edge, whose last centre lies 12.5 m further west
    assert value["wood"] == pytest.approx(562.5 / 0.9996, rel=2e-4)
    assert value["wood_too"] == pytest.approx(562.5 / 0.9996, rel=2e-4)
    assert value["road"] == pytest.approx(950.0 / 0.9996, rel=2e-4)
    assert value["road_near"] == pytest.approx(200.0)
    assert value["road_km"] == pytest.approx(0.95 / 0.9996, rel=2e-4)
    manifest = json.loads((made.folder / "run.json").read_text(encoding="utf-8"))
    assert {"dem.tif", "cover.tif", "roads.gpkg"} <= {entry["path"].split("/")[-1] for entry in manifest["inputs"]}
    page = (made.folder / "report.html").read_text(encoding="utf-8")
    assert "topographic_position (radius 0.2 km) of elevation" in page


def test_a_distance_to_shapes_can_be_in_doubt(hillside):
    plan = plan_of({"road": {"file": "roads.gpkg", "derive": "distance", "within": "5 km", "to": "km", "sd": "100 m"}})
    plan["uncertainty"] = {"draws": 8, "seed": 1, "ask": [{"name": "far", "layer": "road", "at_least": "0.95 km"}]}
    made = uo.run(uo.load_plan(plan, base=hillside), out=hillside / "doubted")
    with rasterio.open(made.folder / "p_meets.far.tif") as rules:
        likely = rules.read(1)
    away = (np.arange(40) + 0.5) * 50.0 / 0.9996  # the road runs along the northern edge
    expected = [NormalDist(950.0, 100.0).cdf(metres) for metres in away]
    assert likely[:, 20] == pytest.approx(expected, abs=2e-3)


def test_wetness_of_a_plane_grows_downhill(hillside):
    pytest.importorskip("pyflwdir")
    wet = {"wet": {"from": "elevation", "derive": "wetness_index"}}
    field, made = run(hillside, "wet", wet)
    # 25 m cells of which n drain through the nth; the field's rows are 116 to 119 of the file, counted from 1
    metres = 25.0 / 0.9996
    expected = np.mean(np.log(np.arange(117, 121) * metres / np.tan(np.radians(SLOPE))))
    assert field["value_wet"] == pytest.approx(expected, abs=0.01)
    assert np.isfinite(made.dataset["suitability"].values).all()


def sums(folder):
    names = ("suitability.tif", "class.tif", "memberships.tif", "parcels.csv")
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in names}


def test_tiles_and_workers_change_no_byte_of_derived_layers(tmp_path):
    folder = tmp_path
    plan = noise_country(folder, 400, 1100, parcels=24)
    plan["region"] = {"bounds": [LEFT, TOP - 11_900, LEFT + 32_900, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    derived = {
        "heat": {"from": "elevation", "derive": "heat_load"},
        "tpi": {"from": "elevation", "derive": "topographic_position", "radius": "700 m"},
        "wood": {"from": "cover", "derive": "distance", "codes": [10], "within": "600 m"},
        "built": {"file": "built.gpkg", "derive": "distance", "within": "3 km"},
        "wet": {"from": "elevation", "derive": "wetness_index"},
    }
    pytest.importorskip("pyflwdir")
    plan["layers"] |= derived
    curves = {"heat": [0, 1], "tpi": [-30, 30], "wood": [0, 600], "built": [0, 3000], "wet": [3, 15]}
    plan["criteria"] = {
        name: {"layer": name, "curve": {"shape": "ramp_up", "at": curves[name]}, "source": "a test"} for name in derived
    }
    plan["weights"] = {"direct": dict.fromkeys(derived, 0.2)}
    first = uo.run(uo.load_plan(plan, base=folder), out=folder / "one", workers=1, tile=1024)
    assert np.nanstd(first.dataset["suitability"].values) > 0.01
    for tile, workers in ((1024, 2), (2048, 1)):
        again = uo.run(uo.load_plan(plan, base=folder), out=folder / f"{tile}", workers=workers, tile=tile)
        assert sums(first.folder) == sums(again.folder)


def faults(folder, derived):
    with pytest.raises(UnderoakError) as caught:
        run(folder, "faulty", derived)
    return {(fault.code, fault.where.split(" ")[0]) for fault in caught.value.faults}


def test_what_cannot_be_derived_is_told_together_before_anything_is_computed(hillside):
    write_raster(hillside / "other.tif", np.ones((50, 50), np.uint8), CRS, (90, 0, WEST, 0, -90, NORTH))
    derived = {
        "near": {"from": "elevation", "derive": "topographic_position", "radius": "10 m"},
        "gone": {"file": "no_such.gpkg", "derive": "distance", "within": "1 km"},
    }
    assert faults(hillside, derived) == {("E246", "gone"), ("E355", "layers.near")}
    del derived["gone"]
    assert faults(hillside, derived) == {("E355", "layers.near")}


def test_inputs_on_other_grids_are_refused_with_both_told(hillside):
    for name, cell in (("sand", 90), ("silt", 90), ("clay", 100)):
        cells = np.full((50, 50), 33, np.uint8)
        write_raster(hillside / f"{name}.tif", cells, CRS, (cell, 0, WEST - 100, 0, -cell, NORTH + 100))
    layers = {name: {"file": f"{name}.tif", "unit": "percent"} for name in ("sand", "silt", "clay")}
    plan = plan_of({"sort": {"from": {name: name for name in layers}, "derive": "texture_class"}})
    plan["layers"] |= layers
    plan["criteria"]["sort"]["curve"] = {"shape": "table", "of": dict.fromkeys(range(1, 13), 1.0)}
    with pytest.raises(UnderoakError) as caught:
        uo.run(uo.load_plan(plan, base=hillside), out=hillside / "grids")
    (fault,) = caught.value.faults
    assert fault.code == "E354"
    assert "sand.tif" in fault.what
    assert "clay.tif" in fault.what
    assert "90 x 90" in fault.what
    assert "one product" in fault.fix


def test_check_tells_of_a_distance_and_what_it_is_from(hillside):
    (hillside / "check.json").write_text(json.dumps(plan_of(DERIVED)), encoding="utf-8")
    made = CliRunner().invoke(main, ["check", str(hillside / "check.json")])
    assert made.exit_code == 0, made.output
    assert "roads.gpkg (shapes)" in made.output
    assert "nearest of 1 shape in reach" in made.output
