"""Whole runs over real data: through every room, on numbers that nobody made for us."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import exactextract
import geopandas as gpd
import numpy as np
import pytest
import yaml

import underoak as uo
from underoak.base import crs

pytestmark = pytest.mark.real

PLANS = Path(__file__).parents[2] / "configs" / "plans"


def run_of(name: str, beside: Path, out: str, change: Any = None) -> Any:
    """A run of a shipped plan whose data lie `beside` it; `change` alters the plan's plain values first."""
    plan = yaml.safe_load((PLANS / f"{name}.yaml").read_text(encoding="utf-8"))
    plan["outputs"] = {**plan.get("outputs", {}), "folder": out}
    if change:
        change(plan)
    path = beside / f"{out}.yaml"
    path.write_text(yaml.safe_dump(plan, sort_keys=False, allow_unicode=True), encoding="utf-8")
    shutil.rmtree(beside / out, ignore_errors=True)
    return uo.run(uo.load_plan(path))


@pytest.fixture(scope="module")
def jacksboro_run(real_folder, jacksboro):
    return run_of("jacksboro", real_folder, "jacksboro_out")


@pytest.fixture(scope="module")
def luxembourg_run(real_folder, luxembourg):
    return run_of("luxembourg", real_folder, "luxembourg_out")


@pytest.fixture(scope="module")
def carolina_run(real_folder, north_carolina):
    return run_of("north_carolina", real_folder, "carolina_out")


def suitability(run: Any) -> np.ndarray:
    return np.asarray(run.dataset["suitability"])


def classes(run: Any) -> np.ndarray:
    return np.asarray(run.dataset["class"])


@pytest.mark.parametrize("run", ["jacksboro_run", "luxembourg_run", "carolina_run"])
def test_suitability_is_between_0_and_1_and_fits_its_classes(run, request):
    done = request.getfixturevalue(run)
    values, codes = suitability(done), classes(done)
    judged = np.isfinite(values)
    assert judged.mean() > 0.4
    assert 0 <= values[judged].min() < values[judged].max() <= 1
    assert np.array_equal(judged, np.isin(codes, (1, 2, 3, 4)))
    assert set(np.unique(codes)) <= {1, 2, 3, 4, 250, 255}
    assert (values[codes == 1] >= 0.75 - 1e-6).all()


@pytest.mark.parametrize(
    ("run", "place", "file", "key"),
    [
        ("jacksboro_run", "jacksboro", "counties.gpkg", "fips"),
        ("luxembourg_run", "luxembourg", "lux.shp", "NAME_2"),
        ("carolina_run", "north_carolina", "nc.gpkg", "FIPS"),
    ],
)
def test_every_parcel_gets_a_row(run, place, file, key, request):
    done, folder = request.getfixturevalue(run), request.getfixturevalue(place)
    given = gpd.read_file(folder / file)
    assert sorted(done.parcels["id"]) == sorted(given[key].astype(str))
    judged = done.parcels[done.parcels["rank"].notna()]
    assert len(judged) > 0
    assert judged["suitability"].between(0, 1).all()


# Luxembourg: the published canton figure, through our own grid.


def by_height_alone(cell: str) -> Any:
    """Changes the plan so that suitability is height, 100 m at 0 and 600 m at 1."""

    def change(plan: dict[str, Any]) -> None:
        plan["region"]["cell"] = cell
        ramp = {"shape": "ramp_up", "at": [100, 600]}
        plan["criteria"] = {"height": {"layer": "elevation", "curve": ramp, "source": "illustration"}}
        del plan["layers"]["slope"]
        plan["weights"] = {"direct": {"height": 1}}
        del plan["zones"]

    return change


@pytest.mark.parametrize(("cell", "within"), [("1 km", 0.5), ("500 m", 0.5)])
def test_canton_mean_height_comes_through_the_pipeline(real_folder, luxembourg, cell, within):
    # 467.379 m is what exact coverage gives on the source grid (30 arc-seconds); other cantons from the same library.
    run = run_of("luxembourg", real_folder, f"height_{cell.replace(' ', '')}", by_height_alone(cell))
    cantons = gpd.read_file(luxembourg / "lux.shp")
    means = exactextract.exact_extract(str(luxembourg / "elev.tif"), cantons, ["mean"], output="pandas")["mean"]
    found = 100 + 500 * run.parcels.set_index("id")["suitability"].loc[cantons.NAME_2].to_numpy(float)
    assert found[0] == pytest.approx(467.379, abs=within)
    assert np.abs(found - means.to_numpy()).max() < 3 * within  # cantons at the rim of the data differ most
    assert np.corrcoef(found, means)[0, 1] > 0.9999


def test_canton_areas_are_true_areas(luxembourg_run, luxembourg):
    cantons = gpd.read_file(luxembourg / "lux.shp").set_index("NAME_2")
    square_km = cantons.geometry.map(lambda shape: abs(crs.geod().geometry_area_perimeter(shape)[0]) / 1e6)
    found = luxembourg_run.parcels.set_index("id")["area_ha"].loc[cantons.index].to_numpy(float) / 100
    assert found == pytest.approx(square_km.to_numpy(), rel=1e-3)


# Ranks hold when the cells change.


def ranks(run: Any) -> Any:
    table = run.parcels.set_index("id").sort_index()
    return table["rank"][table["rank"].notna()]


def agreement(a: Any, b: Any) -> float:
    """Correlation of ranks over the parcels both runs judged."""
    both = a.index.intersection(b.index)
    return float(a[both].astype(float).corr(b[both].astype(float), method="spearman"))


@pytest.mark.parametrize(
    ("name", "place", "run", "cell", "least"),
    [
        ("luxembourg", "luxembourg", "luxembourg_run", "500 m", 0.97),
        ("north_carolina", "north_carolina", "carolina_run", "2500 m", 0.999),
    ],
)
def test_rank_order_hardly_depends_on_the_cell_size(name, place, run, cell, least, real_folder, request):
    request.getfixturevalue(place)
    coarse = ranks(request.getfixturevalue(run))
    fine = ranks(run_of(name, real_folder, f"{name}_fine", lambda plan: plan["region"].update(cell=cell)))
    assert len(coarse) >= 12
    assert agreement(coarse, fine) > least


# Jacksboro


def test_soil_is_said_to_be_not_judged(real_folder, jacksboro):
    shutil.copyfile(PLANS / "jacksboro.yaml", real_folder / "jacksboro.yaml")
    plan = uo.load_plan(real_folder / "jacksboro.yaml")
    assert {"ph", "carbonate", "clay"} <= {idle.name for idle in plan.not_judged}
    assert {criterion.name for criterion in plan.criteria} >= {"slope", "water", "annual_rain", "summer_heat"}


def test_mountains_are_judged_steeper_than_the_valley(jacksboro_run):
    # Powell Valley lies south-east of the fault, the Cumberland Mountains west of it.
    gentle = np.asarray(jacksboro_run.dataset["membership"].sel(criterion="slope"))
    rows, cols = np.indices(gentle.shape) / np.array(gentle.shape)[:, None, None]
    valley, mountains = (cols > 0.7) & (rows > 0.3), (cols < 0.45) & (rows > 0.5)
    assert np.nanmean(gentle[valley]) > np.nanmean(gentle[mountains]) + 0.3


def test_ground_beyond_the_elevation_is_missing_not_unsuitable(jacksboro_run):
    # The grid is a little larger than the elevation, whose edges are not parallel to it.
    codes = classes(jacksboro_run)
    edge = np.concatenate([codes[0], codes[-1], codes[:, 0], codes[:, -1]])
    assert (edge == 255).all()
    assert 0.02 < (codes == 255).mean() < 0.15


# North Carolina


def test_sea_is_missing_and_never_judged(carolina_run):
    values = suitability(carolina_run)
    assert np.isnan(values[-10:, -20:]).all()  # the south-east corner is the Atlantic
    assert np.isfinite(values[values.shape[0] // 2, values.shape[1] // 2])


def test_mountain_counties_are_cooler_and_so_judged_otherwise(carolina_run):
    # Avery (Blue Ridge, 37011) against Robeson (coastal plain, 37155): summer heat is what tells them apart.
    table = carolina_run.parcels.set_index("id")
    assert table["suitability"]["37011"] > table["suitability"]["37155"] + 0.1


def test_same_plan_gives_the_same_bytes(real_folder, luxembourg):
    first = run_of("luxembourg", real_folder, "again_a")
    second = run_of("luxembourg", real_folder, "again_b")
    assert np.array_equal(suitability(first), suitability(second), equal_nan=True)
    for name in ("suitability.tif", "class.tif", "parcels.csv"):
        assert (real_folder / "again_a" / name).read_bytes() == (real_folder / "again_b" / name).read_bytes(), name
