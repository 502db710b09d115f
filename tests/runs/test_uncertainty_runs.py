"""Doubt from end to end: a run with draws, cut up in whatever way, and what it says of cells and parcels."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.features import rasterize
from rio_cogeo import cog_validate

import underoak as uo
from underoak.indicators import cell_areas
from underoak.places.wild.zone_draws import s2_shares
from underoak.runs.check import check

from noise import HOMOLOSINE, LEFT, TOP, small_country, tall_country, write_raster, write_shapes

FILES = [
    "spread.tif",
    "p_meets.sour.tif",
    "p_meets.high.tif",
    "quantiles.tif",
    "parcels.csv",
    "ranks.csv",
    "suitability.tif",
]
ASKED = {
    "draws": 16,
    "correlation_range": "800 m",
    "ask": [
        {"name": "sour", "layer": "soil_ph", "at_most": 7.0},
        {"name": "high", "layer": "elevation", "at_least": "0.5 km"},
    ],
}


def in_doubt(plan, **more):
    """The country with quantiles of its soil, and doubt about heights and slopes."""
    layers = {**plan["layers"]}
    layers["soil_ph"] = {**layers["soil_ph"], "quantiles": {0.05: "ph_low.tif", 0.95: "ph_high.tif"}}
    layers["elevation"] = {**layers["elevation"], "sd": "5 m"}
    layers["slope"] = {**layers["slope"], "sd": "10 %  of value"}
    outputs = {**plan["outputs"], "quantiles": [0.05, 0.5, 0.95]}
    return {**plan, "layers": layers, "uncertainty": ASKED, "outputs": outputs, **more}


def write_quantiles(base, low=-4, high=5):
    with rasterio.open(base / "ph.tif") as source:
        ph, profile = source.read(), source.profile
    for name, by in (("ph_low.tif", low), ("ph_high.tif", high)):
        with rasterio.open(base / name, "w", **profile) as made:
            made.write(np.where(ph == -32768, ph, ph + by).astype(np.int16))


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("country")
    return tall_country(folder), folder


@pytest.fixture(scope="module")
def land(country):
    plan, base = country
    write_quantiles(base)
    return in_doubt(plan), base


@pytest.fixture(scope="module")
def small_land(tmp_path_factory):
    """As `land`, of one block, for what needs no more."""
    folder = tmp_path_factory.mktemp("small")
    plan = small_country(folder)
    write_quantiles(folder)
    return in_doubt(plan), folder


@pytest.fixture(scope="module")
def first_small(small_land, tmp_path_factory):
    plan, base = small_land
    return uo.run(uo.load_plan(plan, base=base), out=tmp_path_factory.mktemp("small doubt"))


@pytest.fixture(scope="module")
def first(land, tmp_path_factory):
    plan, base = land
    return uo.run(uo.load_plan(plan, base=base), out=tmp_path_factory.mktemp("doubt"), workers=1)


def sums(folder):
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in FILES}


def bands(path):
    with rasterio.open(path) as source:
        return source.read()


@pytest.mark.parametrize(("tile", "workers"), [(1, 3), (5000, 1)])
def test_tile_size_and_workers_change_no_byte(land, first, tmp_path, tile, workers):
    plan, base = land
    again = uo.run(uo.load_plan(plan, base=base), out=tmp_path, tile=tile, workers=workers)
    assert sums(tmp_path) == sums(first.folder)
    assert again.manifest.model_dump(exclude={"when"}) == first.manifest.model_dump(exclude={"when"})


def test_a_seed_beside_the_plan_is_as_one_in_it(small_land, first_small, tmp_path):
    plan, base = small_land
    written = {**plan, "uncertainty": {**plan["uncertainty"], "seed": 5}}
    uo.run(uo.load_plan(written, base=base), out=tmp_path / "written")
    given = uo.run(uo.load_plan(plan, base=base), out=tmp_path / "given", seed=5)
    assert sums(given.folder) == sums(tmp_path / "written")
    assert sums(given.folder)["spread.tif"] != sums(first_small.folder)["spread.tif"]
    assert given.manifest.plan["uncertainty"]["seed"] == 5
    assert given.manifest.cases[0].uncertainty.seed == 5
    assert any("from seed 5" in line for line in uo.check(uo.load_plan(plan, base=base), seed=5))


@pytest.mark.parametrize(("seed", "says"), [(-1, "is out of range"), (2**53 + 1, "is out of range")])
def test_a_seed_that_cannot_be_is_refused(land, seed, says):
    plan, base = land
    with pytest.raises(uo.UnderoakError, match=says):
        uo.check(uo.load_plan(plan, base=base), seed=seed)


def test_a_seed_for_a_plan_that_draws_nothing_is_refused(country, tmp_path):
    plan, base = country
    for job in (uo.check, lambda plan, seed: uo.run(plan, out=tmp_path / "none", seed=seed)):
        with pytest.raises(uo.UnderoakError, match="there is nothing to draw") as told:
            job(uo.load_plan(plan, base=base), seed=3)
        assert told.value.faults[0].code == "E304"
    assert not (tmp_path / "none").exists()


def test_small_parts_of_blocks_change_no_byte(small_land, first_small, tmp_path, monkeypatch):
    from underoak.engine.judge import block_draws

    monkeypatch.setattr(block_draws, "_MOST_BYTES", 100_000)  # parts of a size that only large blocks have
    plan, base = small_land
    uo.run(uo.load_plan(plan, base=base), out=tmp_path)
    rasters = [name for name in FILES if name.endswith(".tif")]
    assert {name: sums(tmp_path)[name] for name in rasters} == {
        name: sums(first_small.folder)[name] for name in rasters
    }


def test_the_order_of_parcels_changes_no_figure(small_land, first_small, tmp_path):
    import geopandas as gpd

    plan, base = small_land
    gpd.read_file(base / "fields.gpkg").sample(frac=1.0, random_state=3).to_file(base / "mixed.gpkg", engine="pyogrio")
    changed = {**plan, "parcels": {"file": "mixed.gpkg", "id": "name"}}
    again = uo.run(uo.load_plan(changed, base=base), out=tmp_path)
    assert (again.folder / "parcels.csv").read_bytes() == (first_small.folder / "parcels.csv").read_bytes()


def test_everything_else_is_as_without_doubt(country, first, tmp_path):
    plan, base = country
    sure = uo.run(uo.load_plan(plan, base=base), out=tmp_path)
    for name in ("suitability.tif", "class.tif", "limiting.tif", "memberships.tif"):
        assert (sure.folder / name).read_bytes() == (first.folder / name).read_bytes()
    columns = list(sure.parcels.columns)
    added = [name for name in first.parcels.columns if name not in columns]
    deal = ["deal", "deal_blocks", "deal_unknown", "answer"]
    verdict = ["verdict", *deal, "decided_by", "verdict_reason", "best_test", "flip_chance", "worth", "tests"]
    order = ["first_share", "top3_share", "mean_rank"]
    assert added == ["p_s2", "sd", "low", "high", *verdict, *order]
    assert not (sure.folder / "ranks.csv").exists()
    assert not (sure.folder / "spread.tif").exists()
    assert sure.manifest.cases[0].uncertainty is None
    for name in columns:
        assert first.parcels[name].equals(sure.parcels[name])
    assert list(sure.zones.columns) == [name for name in first.zones.columns if name != "s2_share_drawn"]
    assert sure.zones.equals(first.zones[sure.zones.columns])
    assert "In the draws" not in sure.explain_zone("1")
    assert "better, drawn" not in (sure.folder / "report.html").read_text(encoding="utf-8")


def test_zones_tell_how_much_of_them_is_good_in_the_draws_and_give_no_verdict(first):
    zones, chances = first.zones, bands(first.folder / "spread.tif")[2].astype(float)
    areas = cell_areas(first.grid, first.grid.window)
    left, top, cell = first.grid.transform[2], first.grid.transform[5], first.grid.transform[0]
    squares = [
        shapely.box(left + c * cell, top - (r + 90) * cell, left + (c + 90) * cell, top - r * cell)
        for r, c in ((100, 300), (490, 480), (980, 250))
    ]  # two across the borders of blocks, one of tiles
    shapes = [*zones.geometry, *squares]
    plain = []
    for shape in shapes:
        inside = rasterize([shape], chances.shape, transform=rasterio.Affine(*first.grid.transform))
        there = (inside == 1) & ~np.isnan(chances)
        plain.append((chances * areas)[there].sum() / areas[there].sum())
    assert s2_shares(first.folder, first.grid, shapes) == pytest.approx(plain, abs=1e-6)
    assert zones["s2_share_drawn"].to_numpy() == pytest.approx(plain[: len(zones)], abs=1e-6)
    assert len({round(share, 5) for share in plain}) == len(shapes)
    assert np.isnan(s2_shares(first.folder, first.grid, [shapely.box(left - 900, top, left - 800, top + 100)]))
    assert "verdict" not in zones
    told, share = " ".join(first.explain_zone("1").split()), f"{zones['s2_share_drawn'].iloc[0] * 100:.0f} %"
    assert f"In the draws {share} of it is S2 or better, on average. That is no probability of the zone" in told
    page = (first.folder / "report.html").read_text(encoding="utf-8")
    assert "S2 or better, drawn" in page
    assert f'<td class="number">{share}</td>' in page


def test_missing_and_excluded_ground_stays_so(first):
    mean, sd, p = bands(first.folder / "spread.tif")
    suitability = bands(first.folder / "suitability.tif")[0]
    judged = ~np.isnan(suitability)
    for band in (mean, sd, p, *bands(first.folder / "quantiles.tif")):
        assert np.array_equal(~np.isnan(band), judged)
    assert ((p >= 0) & (p <= 1))[judged].all()
    assert sd[judged].max() < 0.5 < (sd[judged] > 0).mean() * 2


def test_rasters_are_valid_and_say_what_they_hold(first):
    for name in FILES[:4]:
        assert cog_validate(first.folder / name, quiet=True)[0], name
    with rasterio.open(first.folder / "spread.tif") as made:
        assert made.descriptions == ("mean", "sd", "p_s2")
        assert (made.tags()["DRAWS"], made.tags()["SEED"]) == ("16", "1")
        assert made.tags()["IN_DOUBT"] == "soil_ph, elevation, slope"
    with rasterio.open(first.folder / "p_meets.high.tif") as made:
        assert made.descriptions == ("probability that elevation >= 500",)
        assert made.units == ("1",)


def test_quantiles_over_draws_rise_and_hold_the_mean(first):
    low, middle, high = bands(first.folder / "quantiles.tif")
    mean = bands(first.folder / "spread.tif")[0]
    judged = ~np.isnan(mean)
    assert (low <= middle)[judged].all()
    assert (middle <= high)[judged].all()
    assert ((low - 1e-6 <= mean) & (mean <= high + 1e-6))[judged].mean() > 0.99


def test_rules_are_asked_wherever_the_layer_is_known(first, land):
    from scipy.special import ndtr

    plan, base = land
    codes = bands(first.folder / "class.tif")[0]
    high = bands(first.folder / "p_meets.high.tif")[0]
    assert np.isnan(high[codes == 250]).all()
    assert (~np.isnan(high[codes <= 4])).all()
    memberships = {**plan, "criteria": {"height": plan["criteria"]["height"]}, "weights": {"direct": {"height": 1}}}
    memberships = {k: v for k, v in memberships.items() if k not in ("uncertainty", "outputs")}
    del memberships["parcels"], memberships["constraints"]
    memberships |= {"purpose": "region", "outputs": {"folder": "h"}}
    memberships["criteria"]["height"] = {
        "layer": "elevation", "curve": {"shape": "ramp_up", "at": [400, 600]}, "source": "a test"
    }  # fmt: skip
    heights = 400 + 200 * bands(uo.run(uo.load_plan(memberships, base=base)).folder / "suitability.tif")[0]
    known = ~np.isnan(heights) & ~np.isnan(high) & (heights > 401) & (heights < 599)
    assert np.abs(high - ndtr((heights - 500) / 5))[known].max() < 1e-4
    assert known.mean() > 0.15


def test_the_manifest_tells_seed_draws_and_methods(first):
    told = first.manifest.cases[0].uncertainty
    assert (told.seed, told.draws, told.correlation_range_m) == (1, 16, 800.0)
    assert told.layers["soil_ph"] == "quantiles 0.05, 0.5, 0.95"
    assert told.drawn == ("soil_ph", "elevation", "slope")
    assert set(told.methods) >= {"draws", "quantiles", "correlation", "constraints"}
    assert {file.path for file in first.manifest.inputs} >= {"ph_low.tif", "ph_high.tif"}
    (of,) = [file.of for file in first.manifest.inputs if file.path == "ph_low.tif"]
    assert of == ("layers.soil_ph.quantiles.0.05",)


def test_check_says_what_is_drawn(land):
    plan, base = land
    lines = "\n".join(check(uo.load_plan(plan, base=base)))
    assert "uncertain soil_ph: quantiles 0.05, 0.5, 0.95" in lines
    assert "draws     16 from seed 1, correlated over 800 m; constraints are not drawn" in lines
    assert "rule      sour: soil_ph at most 7.0, in p_meets.sour.tif" in lines


def test_a_seed_changes_draws_and_nothing_else(small_land, first_small, tmp_path):
    plan, base = small_land
    other = uo.run(uo.load_plan({**plan, "uncertainty": {**ASKED, "seed": 2}}, base=base), out=tmp_path)
    for name in ("suitability.tif", "p_meets.sour.tif", "p_meets.high.tif"):
        assert (other.folder / name).read_bytes() == (first_small.folder / name).read_bytes()
    mean, again = (bands(each.folder / "spread.tif")[0] for each in (first_small, other))
    judged = ~np.isnan(mean)
    assert (mean != again)[judged].mean() > 0.9
    assert np.abs(mean - again)[judged].mean() < 0.02  # stratified: even sixteen draws come near


def test_a_lost_tile_is_drawn_again(land, first, tmp_path, monkeypatch):
    from underoak.engine.workers import tile as tiles

    plan, base = land
    calls, judge = [], tiles.draw_block

    def failing(*args, **more):
        calls.append(1)
        if len(calls) == 5:  # of six: the first tile is done
            raise KeyboardInterrupt
        return judge(*args, **more)

    monkeypatch.setattr(tiles, "draw_block", failing)
    with pytest.raises(KeyboardInterrupt):
        uo.run(uo.load_plan(plan, base=base), out=tmp_path, workers=1)
    monkeypatch.setattr(tiles, "draw_block", judge)
    again = uo.run(uo.load_plan(plan, base=base), out=tmp_path, workers=1, resume=True)
    assert again.manifest.when.tiles_kept > 0
    assert sums(tmp_path) == sums(first.folder)


CURVE = {"shape": "ramp_up", "at": [6.0, 9.0]}


def one_soil(
    base, cell, parcel, sd, spread_range="0 m", draws=512, region=None, values=None, resample="nearest", bias=0.0,
    side=250, **layer,
):  # fmt: skip
    """A region on one soil map of 250 m cells (or of another side), with a parcel "a", or those of a mapping."""
    soil = np.full((12 * 250 // side, 12 * 250 // side), 7.5, np.float32) if values is None else values
    write_raster(base / "soil.tif", soil, "EPSG:25831", (side, 0, LEFT, 0, -side, TOP))
    parcels = parcel if isinstance(parcel, dict) else {"a": parcel}
    write_shapes(base / "one.gpkg", [*parcels.values()], "EPSG:25831", name=[*parcels])
    return {
        "format": 1, "title": "one soil", "purpose": "buy",
        "region": {"bounds": region or [LEFT, TOP - 3000, LEFT + 3000, TOP], "crs": "EPSG:25831", "cell": cell,
                   "snap": [LEFT, TOP]},
        "layers": {"ph": {"file": "soil.tif", "unit": "pH", "resample": resample, "sd": sd, "bias_share": bias,
                          **layer}},
        "criteria": {"ph": {"layer": "ph", "curve": CURVE, "source": "a test"}},
        "combine": {"rule": "linear"},
        "uncertainty": {"draws": draws, "correlation_range": spread_range},
        "parcels": {"file": "one.gpkg", "id": "name"},
        "outputs": {"folder": "out"},
    }  # fmt: skip


def run_of(plan, base, out):
    return uo.run(uo.load_plan(plan, base=base), out=out)


INSIDE_ONE = shapely.box(LEFT + 1010, TOP - 1240, LEFT + 1240, TOP - 1010)
AROUND = [LEFT + 750, TOP - 1500, LEFT + 1500, TOP - 750]
OVER_TWO = shapely.box(LEFT + 1000, TOP - 1250, LEFT + 1500, TOP - 1000)


@pytest.mark.parametrize("cell", ["250 m", "50 m", "10 m"])
@pytest.mark.parametrize(("spread_range", "of_two"), [("0 m", 0.2828), ("800 m", 0.3722)], ids=["alone", "correlated"])
def test_finer_cells_shrink_no_doubt(tmp_path, cell, spread_range, of_two):
    # sd .4 of a membership that rises by a third for each unit of pH
    parcels = {"one": INSIDE_ONE, "two": OVER_TWO}
    plan = one_soil(tmp_path, cell, parcels, 0.3 * 0.4 * 3, spread_range)
    sd = run_of(plan, tmp_path, tmp_path / "run").parcels.set_index("id")["sd"] / 0.3
    assert sd["one"] == pytest.approx(0.4, rel=0.05)
    assert sd["two"] == pytest.approx(of_two, rel=0.05)


@pytest.mark.parametrize("spread_range", ["0 m", "800 m"])
@pytest.mark.parametrize("bias", [0.0, 0.37])
def test_a_layer_on_finer_cells_than_its_grain_keeps_its_doubt(tmp_path, spread_range, bias):
    found = {}
    for side, method in ((250, "nearest"), (25, "nearest"), (25, "bilinear"), (10, "nearest"), (10, "mean")):
        grain = {} if side == 250 else {"grain": "250 m"}
        plan = one_soil(
            tmp_path, "10 m", INSIDE_ONE, 0.36, spread_range, 64, AROUND, resample=method, bias=bias, side=side, **grain
        )
        found[side, method] = run_of(plan, tmp_path, tmp_path / f"{side}{method}").parcels["sd"][0]
    assert found[250, "nearest"] == pytest.approx(0.12, rel=0.02)
    for sd in found.values():
        assert sd == pytest.approx(found[250, "nearest"], rel=0.02)


def test_a_grain_is_anchored_to_the_source_and_need_not_fit_its_cells(tmp_path):
    plan = one_soil(tmp_path, "25 m", INSIDE_ONE, 0.3, "0 m", 64, side=25, grain="80 m")
    mean, _, _ = bands(run_of(plan, tmp_path, tmp_path / "run").folder / "spread.tif")
    p = bands(tmp_path / "run" / "spread.tif")[0]
    block = np.floor((np.arange(120) + 0.5) * 25 / 80).astype(int)  # by the centre of each cell
    for a in range(block[-1]):
        rows = np.flatnonzero(block == a)
        assert (p[rows] == p[rows[0]]).all()
        assert (p[:, rows] == p[:, rows[:1]]).all()
    assert len(np.unique(mean[:, 0])) > 0.8 * len(np.unique(block))


def test_a_bias_of_the_map_does_not_average_out(tmp_path):
    bias = 0.29
    whole = shapely.box(LEFT, TOP - 3000, LEFT + 3000, TOP)
    plan = one_soil(tmp_path, "50 m", whole, 0.3, "0 m", 256, bias=bias)
    sd = run_of(plan, tmp_path, tmp_path / "run").parcels["sd"][0]
    assert sd / 0.1 == pytest.approx(np.sqrt(bias + (1 - bias) / 144), rel=0.05)
    plan["layers"]["ph"].pop("bias_share")  # a fifth, where the plan says nothing
    sd = run_of(plan, tmp_path, tmp_path / "default").parcels["sd"][0]
    assert sd / 0.1 == pytest.approx(np.sqrt(0.2 + 0.8 / 144), rel=0.05)


def test_finer_cells_give_the_very_same_parcel(tmp_path):
    found = []
    for cell in ("250 m", "50 m", "10 m"):
        plan = one_soil(tmp_path, cell, OVER_TWO, 0.4, "800 m", 64)
        found.append(run_of(plan, tmp_path, tmp_path / cell.replace(" ", "")).parcels)
    for name in ("suitability", "p_s2", "sd", "low", "high"):
        assert found[1][name][0] == pytest.approx(found[0][name][0], abs=2e-6)
        assert found[2][name][0] == pytest.approx(found[0][name][0], abs=2e-6)


def test_moving_the_region_draws_the_same_soil(tmp_path):
    rng = np.random.default_rng(1)
    soil = rng.uniform(6.5, 8.5, (12, 12)).astype(np.float32)
    whole = one_soil(tmp_path, "50 m", OVER_TWO, 0.4, "800 m", 64, values=soil)
    bounds = [LEFT + 500, TOP - 2500, LEFT + 2500, TOP - 500]
    part = one_soil(tmp_path, "50 m", OVER_TWO, 0.4, "800 m", 64, region=bounds, values=soil)
    a, b = run_of(whole, tmp_path, tmp_path / "a"), run_of(part, tmp_path, tmp_path / "b")
    there = bands(a.folder / "spread.tif")[:, 10:50, 10:50]
    assert np.array_equal(there, bands(b.folder / "spread.tif"))
    for name in ("suitability", "p_s2", "sd", "low", "high"):
        assert a.parcels[name][0] == pytest.approx(b.parcels[name][0], abs=1e-12)


def test_draws_agree_with_the_expectation_in_closed_form(tmp_path):
    from underoak.overlay import Curve
    from underoak.uncertainty import expected_membership

    rng = np.random.default_rng(2)
    soil = rng.uniform(5.5, 9.5, (12, 12)).astype(np.float32)
    plan = one_soil(tmp_path, "250 m", OVER_TWO, 0.5, "800 m", 256, values=soil)
    mean, sd, p = bands(run_of(plan, tmp_path, tmp_path / "run").folder / "spread.tif")
    closed = expected_membership(Curve.ramp_up(6.0, 9.0), soil, 0.5)
    assert np.abs(mean - closed).max() < 2e-3
    from scipy.special import ndtr

    assert np.abs(p - ndtr((soil - 7.5) / 0.5)).max() < 1 / 128
    assert sd.max() < 0.5 / 3 + 1e-3


def test_bilinear_layers_are_drawn_before_they_are_resampled(tmp_path):
    plan = one_soil(tmp_path, "50 m", OVER_TWO, 0.3, "0 m", 512, resample="bilinear")
    _, sd, _ = bands(run_of(plan, tmp_path, tmp_path / "run").folder / "spread.tif")
    centre, corner = sd[22, 22], sd[25, 25]  # of source cell (4, 4) and, about, between four of them
    assert centre == pytest.approx(0.1, rel=0.04)
    # a cell .1 of a source cell from the point between four: weights .4 and .6 either way
    assert corner == pytest.approx(0.1 * (0.6**2 + 0.4**2), rel=0.08)


def test_two_species_share_draws_and_have_files_of_their_own(tmp_path):
    plan = one_soil(tmp_path, "250 m", OVER_TWO, 0.4, "800 m", 64)
    later = np.full((12, 12), 7.5, np.float32)
    write_raster(tmp_path / "later.tif", later, "EPSG:25831", (250, 0, LEFT, 0, -250, TOP))
    plan["scenarios"] = [{"name": "hot", "replace": {"ph": "later.tif"}}]
    run = run_of(plan, tmp_path, tmp_path / "run")
    now, then = run.folder / "present" / "spread.tif", run.folder / "scenarios" / "hot" / "spread.tif"
    assert np.array_equal(bands(now), bands(then))  # the same values, in another file: the same draws


def test_crossing_quantiles_are_refused_and_a_few_flagged(country, tmp_path):
    plan, base = country
    write_quantiles(base, low=5, high=-4)
    with pytest.raises(uo.UnderoakError) as error:
        check(uo.load_plan(in_doubt(plan), base=base))
    write_quantiles(base)
    assert [fault.code for fault in error.value.faults] == ["E216"]
    assert "swapped" in error.value.faults[0].fix
    assert " in 100 % of the cells" in error.value.faults[0].what
    with rasterio.open(base / "ph_low.tif", "r+") as made:
        values = made.read(1)
        at = tuple(np.argwhere(values[68:80, 86:90] > 0)[0] + (68, 86))
        values[at] = 110
        made.write(values, 1)
    run = uo.run(uo.load_plan(in_doubt(plan), base=base), out=tmp_path)
    write_quantiles(base)
    assert [text[:4] for text in run.manifest.warnings if "quantiles cross" in text] == ["W216"]
    sour, codes = bands(run.folder / "p_meets.sour.tif")[0], bands(run.folder / "class.tif")[0]
    lost = np.isnan(sour) & (codes <= 4)
    assert 30 < lost.sum() < 600  # about four source cells, as the layer is bilinear
    _, sd, _ = bands(run.folder / "spread.tif")
    assert not np.isnan(sd[lost]).any()


def test_quantiles_on_other_cells_are_refused(country):
    plan, base = country
    write_raster(base / "other.tif", np.full((9, 9), 70, np.int16), HOMOLOSINE, (250, 0, 0, 0, -250, 0))
    changed = in_doubt(plan)
    changed["layers"]["soil_ph"] = {**changed["layers"]["soil_ph"], "quantiles": {0.05: "other.tif"}}
    with pytest.raises(uo.UnderoakError) as error:
        check(uo.load_plan(changed, base=base))
    (fault,) = error.value.faults
    assert (fault.code, fault.fix) == ("E217", "take all quantiles from one product")
    assert fault.where == "soil_ph at 0.05 (other.tif)"


def test_quantiles_are_held_to_their_unit_like_any_layer(country):
    plan, base = country
    changed = in_doubt(plan)
    quantiles = {0.05: {"file": "ph_low.tif", "unit": "pH"}, 0.95: "ph_high.tif"}
    changed["layers"]["soil_ph"] = {**changed["layers"]["soil_ph"], "quantiles": quantiles}
    with pytest.raises(uo.UnderoakError) as error:
        check(uo.load_plan(changed, base=base))
    assert "E204" in {fault.code for fault in error.value.faults}
    assert any(fault.where.startswith("soil_ph at 0.05") for fault in error.value.faults)


def test_nothing_judged_in_doubt_is_told(country):
    plan, base = country
    # with the published errors, soil and slope would be drawn
    changed = {**plan, "uncertainty": {"draws": 16, "assume": "none"}}
    changed["layers"] = {**plan["layers"], "extra": {"file": "dem.tif", "unit": "m", "sd": "5 m"}}
    with pytest.raises(uo.UnderoakError) as error:
        check(uo.load_plan(changed, base=base))
    assert [fault.code for fault in error.value.faults] == ["E362"]


def test_whole_steps_when_the_plan_stores_them(tmp_path):
    plan = one_soil(tmp_path, "250 m", OVER_TWO, 0.4, "800 m", 64)
    plan["uncertainty"]["ask"] = [{"name": "sweet", "layer": "ph", "at_least": 7.5}]
    plan["outputs"]["dtype"] = "uint16"
    run = run_of(plan, tmp_path, tmp_path / "run")
    with rasterio.open(run.folder / "p_meets.sweet.tif") as made:
        assert (made.dtypes[0], made.nodata, made.scales[0]) == ("uint16", 65535, pytest.approx(1 / 60000))
        assert made.read(1)[4, 4] == 30000
    assert float(run.dataset["p_meets_sweet"][4, 4]) == pytest.approx(0.5)
    assert float(run.dataset["spread"].sel(figure="mean")[4, 4]) == pytest.approx(0.5, abs=0.01)
    chances = run.dataset["spread"].sel(figure="p_s2").to_numpy()
    assert 0.0 < np.nanmean(chances) < 1.0
    found = s2_shares(run.folder, run.grid, [shapely.box(*run.grid.bounds)])
    assert found == pytest.approx([np.nanmean(chances)], abs=1e-5)


def test_work_that_has_travelled_makes_the_same_blocks(land):
    import pickle

    from underoak.base.grid import Window
    from underoak.engine.progress import Progress
    from underoak.engine.workers.tile import judge_tile
    from underoak.runs.prepared_run import prepare_run

    plan, base = land
    work = prepare_run(uo.load_plan(plan, base=base), Progress("none")).job
    window = Window(512, 0, 512, 512)
    here, there = judge_tile(work, window), judge_tile(pickle.loads(pickle.dumps(work)), window)
    assert here.blocks == there.blocks
    assert here.parts == there.parts
    assert here.parts[work.cases[0].case, "spread"]
