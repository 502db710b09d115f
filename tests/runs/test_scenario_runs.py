"""Futures of one run together: the raster of shares, the table of parcels, the page."""

import hashlib
import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from rio_cogeo.cogeo import cog_validate

import underoak as uo
from underoak.engine.prepare.prepare import prepare
from underoak.layers.shapes.coverage import coverage, polygon_edges
from underoak.overlay import combine

from noise import LEFT, TOP, noise_country, write_raster

FUTURES = ("a1", "a2", "b1")


def shifted(path, out, add):
    with rasterio.open(path) as source:
        values, profile = source.read(1), source.profile
    values = np.where(values == profile["nodata"], values, values + add).astype(values.dtype)
    write_raster(out, values, profile["crs"], tuple(profile["transform"])[:6], nodata=profile["nodata"])


@pytest.fixture(scope="module")
def futures(tmp_path_factory):
    """A run of the present and three futures of two families, in which pH and slope differ; more than one tile."""
    folder = tmp_path_factory.mktemp("futures")
    plan = noise_country(folder, 1100, 300, parcels=24)
    plan["region"] = {"bounds": [LEFT, TOP - 33000, LEFT + 9000, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    for name, add in zip(FUTURES, (-4, -8, 3), strict=True):
        shifted(folder / "ph.tif", folder / f"ph_{name}.tif", add)
    cover = np.full((800, 250), 20, np.uint8)
    write_raster(folder / "even.tif", cover, "EPSG:25831", (95, 0, LEFT - 300, 0, -95, TOP + 300), nodata=0)
    plan["scenarios"] = [
        {"name": "a1", "family": "a", "replace": {"soil_ph": "ph_a1.tif"}},
        {"name": "a2", "family": "a", "replace": {"soil_ph": "ph_a2.tif", "cover": "even.tif"}},
        {"name": "b1", "family": "b", "replace": {"soil_ph": "ph_b1.tif"}},
    ]
    plan["futures"] = {"weigh": "family", "at_least": "S3"}
    return plan, folder, uo.run(uo.load_plan(plan, base=folder), out=folder / "out", workers=2)


def raster(path, band=1):
    with rasterio.open(path) as source:
        return source.read(band)


def test_every_cell_has_what_plain_counting_gives(futures):
    run = futures[2]
    places = [run.folder / "scenarios" / name for name in FUTURES]
    values = np.array([raster(place / "suitability.tif") for place in places]).astype(float)
    excluded = np.array([raster(place / "class.tif") == 250 for place in places])
    values[excluded] = 0.0
    values[:, excluded.all(axis=0)] = np.nan
    share = np.tensordot([0.25, 0.25, 0.5], values >= 0.25, 1)
    share[np.isnan(values).any(axis=0)] = np.nan
    made = run.folder / "share_of_futures.tif"
    assert np.allclose(raster(made, 1), share, atol=1e-6, equal_nan=True)
    for band, plain in ((2, values.min(axis=0)), (4, values.max(axis=0))):
        assert np.allclose(raster(made, band), plain, atol=1e-7, equal_nan=True)
    middle = raster(made, 3)
    order = np.sort(values, axis=0)
    known = ~np.isnan(share)
    assert (middle[known] >= order[0][known] - 1e-7).all()
    assert (middle[known] <= order[2][known] + 1e-7).all()
    assert set(np.unique(share[known]).round(6)) == {0.0, 0.25, 0.5, 0.75, 1.0}


def test_the_raster_says_what_it_is_and_is_cloud_optimised(futures):
    made = futures[2].folder / "share_of_futures.tif"
    with rasterio.open(made) as source:
        assert source.descriptions[0] == "share of futures with S3 or better (suitability 0.25 or more)"
        assert source.overviews(1) == [2, 4]
        assert "probab" not in json.dumps(source.tags()) + json.dumps(source.descriptions)
        half = -(-source.height // 2), -(-source.width // 2)
        small = source.read(1, out_shape=half)
    valid, errors, _ = cog_validate(made, strict=True)
    assert valid, errors
    whole = raster(made).astype(float)
    padded = np.full((2 * half[0], 2 * half[1]), np.nan)
    padded[: whole.shape[0], : whole.shape[1]] = whole
    quads = padded.reshape(half[0], 2, half[1], 2)
    sums, counts = np.nansum(quads, axis=(1, 3)), (~np.isnan(quads)).sum(axis=(1, 3))
    known = ~np.isnan(small)
    assert known[counts == 4].all()
    assert np.allclose(small[known], sums[known] / counts[known], atol=1e-6)


def test_tiles_and_workers_change_no_byte(futures, tmp_path):
    plan, folder, run = futures
    again = uo.run(uo.load_plan(plan, base=folder), out=tmp_path, workers=1, tile=2048)
    for name in ("share_of_futures.tif", "futures.csv"):
        sums = {hashlib.sha256((where / name).read_bytes()).hexdigest() for where in (run.folder, again.folder)}
        assert len(sums) == 1, name


@pytest.fixture(scope="module")
def outside(futures):
    """Where pH leaves the present's range in each future, by plain comparison of whole arrays; and the region."""
    plan, folder, _ = futures
    recipe = prepare(uo.load_plan(plan, base=folder)).recipe
    values = recipe.stack.read(recipe.grid.window, frozenset({"soil_ph"})).values["soil_ph"].astype(float)
    low, high = np.nanmin(values), np.nanmax(values)
    then = [values + add / 10 for add in (-4, -8, 3)]
    return np.array([(v < low - 1e-5) | (v > high + 1e-5) for v in then]), ~np.isnan(values), recipe.grid


def test_novel_ground_is_what_plain_comparison_finds(futures, outside):
    novel, known, _ = outside
    path = futures[2].folder / "share_of_futures.tif"
    share, band = raster(path, 1), raster(path, 5)
    plain = np.tensordot([0.25, 0.25, 0.5], novel, 1)
    there = ~np.isnan(share)
    assert np.array_equal(np.isnan(band), ~there)
    assert (
        np.abs(band[there] - plain[there]) > 1e-6
    ).mean() < 1e-4  # those at the very edge are told apart by rounding
    assert 0.0 < plain[there].mean() < 0.5
    page = (futures[2].folder / "report.html").read_text(encoding="utf-8")
    whole = np.array([0.25, 0.25, 0.5]) @ [(n & known).sum() / known.sum() for n in novel]
    assert f"On average over 3 futures, {whole * 100:.0f} % of the land lies outside" in page
    worst = [(n & known).sum() / known.sum() for n in novel]
    assert int(np.argmax(worst)) == 1
    assert (
        f"in soil_ph ({whole * 100:.0f} %); most of all in a2 ({worst[1] * 100:.0f} %)." in page
    )  # cover has codes, and codes have no range


def test_parcels_say_how_much_of_them_is_novel_and_in_what(futures, outside):
    novel, known, grid = outside
    _, folder, run = futures
    table = pd.read_csv(run.folder / "futures.csv", dtype={"id": str}).set_index("id")
    shapes = gpd.read_file(folder / "fields.gpkg").set_index("name").geometry
    seen = 0
    for parcel, row in table.iterrows():
        part = coverage(polygon_edges([shapes[parcel]], grid), grid.window)
        whole = (part * known).sum()
        if not whole > 0.0:
            assert np.isnan(row["novel_share"])
            continue
        plain = np.array([0.25, 0.25, 0.5]) @ [(part * n).sum() / whole for n in novel]
        assert row["novel_share"] == pytest.approx(plain, abs=1e-3)
        assert (row["novel_drivers"] == "soil_ph") if plain > 0 else not isinstance(row["novel_drivers"], str)
        seen += plain > 0
    assert seen > 5


def test_a_future_like_the_present_is_nowhere_novel(futures, tmp_path):
    plan, folder, _ = futures
    same = {**plan, "scenarios": [{"name": "same", "replace": {"soil_ph": "ph_same.tif"}}]}
    shifted(folder / "ph.tif", folder / "ph_same.tif", 0)
    run = uo.run(uo.load_plan(same, base=folder), out=tmp_path)
    band = raster(run.folder / "share_of_futures.tif", 5)
    assert (band[~np.isnan(band)] == 0.0).all()
    table = pd.read_csv(run.folder / "futures.csv")
    assert table["novel_drivers"].isna().all()
    assert table["novel_share"].dropna().eq(0.0).all()
    assert "No future leaves the range" in (run.folder / "report.html").read_text(encoding="utf-8")


def test_the_manifest_lists_both_files(futures):
    listed = {file.path for file in futures[2].manifest.outputs}
    assert {"share_of_futures.tif", "futures.csv"} <= listed


def test_parcels_have_the_figures_of_their_own_tables(futures):
    run = futures[2]
    table = pd.read_csv(run.folder / "futures.csv", dtype={"id": str})
    now = pd.read_csv(run.folder / "parcels.csv", dtype={"id": str})
    assert len(table) == 24
    tables = [
        pd.read_csv(run.folder / "scenarios" / name / "parcels.csv", dtype={"id": str}).set_index("id").loc[table["id"]]
        for name in FUTURES
    ]
    values = np.array([t["suitability"] for t in tables])
    known = ~np.isnan(values).any(axis=0)
    assert known.sum() > 20
    share = np.array([0.25, 0.25, 0.5]) @ (values >= 0.25)
    assert table["share_of_futures"][known].to_numpy() == pytest.approx(share[known], abs=1e-6)
    assert table["least"][known].to_numpy() == pytest.approx(values.min(axis=0)[known], abs=2e-6)
    worst = np.array(FUTURES)[np.where(known, np.nan_to_num(values, nan=9).argmin(axis=0), 0)]
    assert (table["worst_future"][known] == worst[known]).all()
    worth = np.array([t["suitability"] * (1 - t["excluded_share"]) for t in tables])
    regret = (np.nanmax(worth, axis=1)[:, None] - worth).max(axis=0)
    assert table["regret"][known].to_numpy() == pytest.approx(regret[known], abs=3e-6)
    assert set(table["id"]) == set(now["id"])


def test_the_worst_driver_is_the_criterion_whose_change_alone_costs_most(futures, tmp_path):
    plan, folder, run = futures
    single = {key: value for key, value in plan.items() if key not in ("scenarios", "futures")}
    present = uo.run(uo.load_plan(single, base=folder), out=tmp_path)
    names, weights = ["ph", "height", "slope", "cover"], (0.4, 0.3, 0.2, 0.1)
    table = pd.read_csv(run.folder / "futures.csv", dtype={"id": str}).set_index("id")
    runs = [present, *(run.cases[f"scenarios/{name}"] for name in FUTURES)]
    cases = [each.parcels.set_index("id") for each in runs]
    drivers = set()
    for parcel, row in table.iterrows():
        now, *then = (case.loc[parcel, [f"membership_{name}" for name in names]].to_numpy(float) for case in cases)
        changes = np.zeros(4)
        for future, weight in zip(then, (0.25, 0.25, 0.5), strict=True):
            for k in range(4):
                swapped = now.copy()
                swapped[k] = future[k]
                changes[k] += weight * (combine(swapped, weights, "geometric") - combine(now, weights, "geometric"))
        if np.isnan(changes).any() or changes.min() > -1e-6:
            assert not isinstance(row["worst_driver"], str)
            continue
        assert row["worst_driver"] == names[int(changes.argmin())]
        assert row["worst_change"] == pytest.approx(changes.min(), abs=1e-6)
        drivers.add(row["worst_driver"])
    assert drivers == {"ph", "cover"} or drivers == {"ph"}


def test_the_page_tells_of_futures_without_calling_them_probable(futures):
    run = futures[2]
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    for words in (
        "or more, the cut of S",
        "every one of 3 futures",
        "keeps its class below",
        "Each model family has the same weight",
        "share_of_futures.tif",
        "Worst driver",
    ):
        assert words in page, words
    section = page[page.index("<h2>Futures") : page.index("<h2>Cautions")]
    assert "probab" not in section
    share = raster(run.folder / "share_of_futures.tif")
    known = share[~np.isnan(share)]
    every = f"{(known >= 1 - 1e-6).mean() * 100:.0f} %"
    assert every in section


def test_a_model_that_counts_for_more_is_told(tmp_path):
    from underoak.report.page.scenario_section import _weighed

    base = {
        "format": 1, "title": "t", "purpose": "region", "species": ["tuber_melanosporum"],
        "region": {"bounds": [0, 0, 300, 300], "crs": "EPSG:25831", "cell": "30 m"},
        "layers": {"soil_ph": {"file": "ph.tif", "unit": "pH*10"}},
    }  # fmt: skip
    twice = [{"name": n, "family": f, "replace": {"soil_ph": "x.tif"}} for n, f in (("p", "m"), ("q", "m"), ("r", "k"))]
    assert "several come from one model (m)" in _weighed(uo.load_plan({**base, "scenarios": twice}))
    assert _weighed(uo.load_plan({**base, "scenarios": twice[1:]})) == "Each future has the same weight."
    plan = uo.load_plan({**base, "scenarios": twice, "futures": {"weigh": "family"}})
    assert plan.scenario_weights == pytest.approx((0.25, 0.25, 0.5))
    with pytest.raises(uo.UnderoakError, match=r"E303|E304"):
        uo.load_plan({**base, "scenarios": twice, "futures": {"weigh": "money"}})
