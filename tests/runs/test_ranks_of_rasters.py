"""Ranks under every rule against a plain Monte Carlo of whole rasters, with errors and weights of its own."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

import underoak as uo

from noise import LEFT, TOP, write_raster, write_shapes

ROWS, COLS, SIDE = 56, 84, 50.0
RANGE, BIAS = 130.0, {"ph": 0.2, "rain": 0.45}
MANY, AT_ONCE = 6000, 50
SD = {"ph": 0.31, "rain": 21.0}
STRENGTH = 17.0
WEIGHTS = {"ph": 0.47, "water": 0.31, "clay": 0.22}
# rows and columns of each parcel: 2, 6, 80, 620 and 2000 cells
BOXES = {
    "two": (1, 2, 1, 3),
    "six": (4, 6, 2, 5),
    "field": (10, 18, 4, 14),
    "wide": (2, 22, 40, 71),
    "estate": (25, 50, 2, 82),
}
RULES = {
    "geometric": {"rule": "geometric"},
    "minimum": {"rule": "minimum"},
    "ordered": {"rule": "ordered", "alpha": 1.7},
    "linear": {"rule": "linear", "missing": "renormalise"},
}
PH_CURVE, WATER_CURVE, CLAY_CURVE = ([6.1, 7.3, 7.9, 8.6], [80.0, 190.0], [12.0, 37.0])


def maps():
    rng = np.random.default_rng(12)
    ph = rng.normal(7.0, 0.35, (ROWS, COLS))
    rain = rng.normal(132.0, 16.0, (ROWS, COLS))
    clay = rng.uniform(10.0, 36.0, (ROWS, COLS))
    clay[rng.random(clay.shape) < 0.15] = np.nan
    for n, (top, bottom, left, right) in enumerate(BOXES.values()):  # so that each parcel is first now and then
        ph[top:bottom, left:right] += (0.02, -0.05, 0.06, 0.0, 0.03)[n] - ph[top:bottom, left:right].mean() + 7.0
        rain[top:bottom, left:right] += (-4.0, 5.0, 1.0, 3.0, 0.0)[n] - rain[top:bottom, left:right].mean() + 132.0
    clay[1, 1], clay[1, 2] = 21.0, 24.0
    return {"ph": ph.astype(np.float32), "rain": rain.astype(np.float32), "clay": clay.astype(np.float32)}


@pytest.fixture(scope="module")
def land(tmp_path_factory):
    """The folder, and a function that returns the plan of a rule."""
    base = tmp_path_factory.mktemp("ranks")
    for name, values in maps().items():
        write_raster(base / f"{name}.tif", values, "EPSG:25831", (SIDE, 0, LEFT, 0, -SIDE, TOP), nodata=float("nan"))
    boxes = [
        shapely.box(LEFT + left * SIDE, TOP - bottom * SIDE, LEFT + right * SIDE, TOP - top * SIDE)
        for top, bottom, left, right in BOXES.values()
    ]
    write_shapes(base / "fields.gpkg", boxes, "EPSG:25831", name=list(BOXES))

    def plan(rule, draws=512, rank_draws=2048, seed=1, names=("ph", "water", "clay")):
        criteria = {
            "ph": {"layer": "ph", "curve": {"shape": "hump", "at": PH_CURVE}, "source": "a test"},
            "water": {"layer": "rain", "curve": {"shape": "ramp_up", "at": WATER_CURVE}, "source": "a test"},
            "clay": {"layer": "clay", "curve": {"shape": "ramp_down", "at": CLAY_CURVE}, "source": "a test"},
        }
        layers = {
            "ph": {"file": "ph.tif", "unit": "pH", "sd": SD["ph"], "bias_share": BIAS["ph"]},
            "rain": {"file": "rain.tif", "unit": "mm", "sd": f"{SD['rain']} mm", "bias_share": BIAS["rain"]},
            "clay": {"file": "clay.tif", "unit": "%"},
        }
        return {
            "format": 1, "title": "ranks", "purpose": "buy",
            "region": {"bounds": [LEFT, TOP - ROWS * SIDE, LEFT + COLS * SIDE, TOP], "crs": "EPSG:25831",
                       "cell": "50 m", "snap": [LEFT, TOP]},
            "layers": {name: {**layer, "resample": "nearest"} for name, layer in layers.items()},
            "criteria": {name: criteria[name] for name in names},
            "weights": {"direct": {name: WEIGHTS[name] for name in names},
                        "spread": {"kind": "dirichlet", "strength": STRENGTH}},
            "combine": {"missing": "stop", **RULES[rule]} if rule != "linear" else RULES[rule],
            "uncertainty": {"draws": draws, "rank_draws": rank_draws, "seed": seed,
                            "correlation_range": f"{RANGE} m"},
            "parcels": {"file": "fields.gpkg", "id": "name"},
        }  # fmt: skip

    return base, plan


def ranks_of(land, out, *args, tile=512, workers=1, **more):
    base, plan = land
    uo.run(uo.load_plan(plan(*args, **more), base=base), out=out, tile=tile, workers=workers)
    return pd.read_csv(out / "ranks.csv", index_col="id")


def plain_fields(rng, bias):
    """Errors of whole maps: exponential along rows, then along columns, and one number for all of a map."""
    r = np.exp(-SIDE / RANGE)
    z = rng.standard_normal((AT_ONCE, ROWS, COLS))
    for i in range(1, ROWS):
        z[:, i] = r * z[:, i - 1] + np.sqrt(1 - r * r) * z[:, i]
    for j in range(1, COLS):
        z[:, :, j] = r * z[:, :, j - 1] + np.sqrt(1 - r * r) * z[:, :, j]
    return np.sqrt(bias) * rng.standard_normal((AT_ONCE, 1, 1)) + np.sqrt(1 - bias) * z


def plain_score(rule, m, w):
    """Suitability of each cell for memberships (3, draws, rows, cols) and weights alike; NaN where it is missing."""
    if rule == "linear":
        return (np.nan_to_num(m) * w).sum(axis=0) / (~np.isnan(m) * w).sum(axis=0)
    if rule == "geometric":
        return np.prod(m**w, axis=0)
    if rule == "minimum":
        return m.min(axis=0)
    order = np.argsort(-m, axis=0)
    falling = np.take_along_axis(m, order, axis=0)
    run = np.cumsum(np.take_along_axis(np.broadcast_to(w, m.shape), order, axis=0), axis=0)
    shares = np.diff(np.concatenate([np.zeros((1, *m.shape[1:])), run**1.7]), axis=0)
    return (shares * falling).sum(axis=0)


@pytest.fixture(scope="module")
def plain():
    """The share of first ranks by rule, by a Monte Carlo of whole rasters."""
    rng, given = np.random.default_rng(99), {name: each.astype(float) for name, each in maps().items()}
    first = {rule: np.zeros(len(BOXES)) for rule in RULES}
    clay = np.interp(given["clay"], CLAY_CURVE, [1, 0])
    clay[np.isnan(given["clay"])] = np.nan
    for _ in range(MANY // AT_ONCE):
        ph = np.interp(given["ph"] + SD["ph"] * plain_fields(rng, BIAS["ph"]), PH_CURVE, [0, 1, 1, 0])
        rain = np.interp(given["rain"] + SD["rain"] * plain_fields(rng, BIAS["rain"]), WATER_CURVE, [0, 1])
        m = np.stack([ph, rain, np.broadcast_to(clay, ph.shape)])
        w = rng.dirichlet(STRENGTH * np.array(list(WEIGHTS.values())), AT_ONCE).T[:, :, None, None]
        for rule in RULES:
            score = plain_score(rule, m, w)
            means = [
                np.nanmean(score[:, top:bottom, left:right], axis=(1, 2)) for top, bottom, left, right in BOXES.values()
            ]
            first[rule] += np.bincount(np.argmax(means, axis=0), minlength=len(BOXES)) / MANY
    return first


@pytest.mark.parametrize("rule", RULES)
def test_first_ranks_agree_with_a_monte_carlo_of_whole_rasters(land, plain, tmp_path, rule):
    ranks = ranks_of(land, tmp_path, rule)
    shares, errors = (ranks.loc[list(BOXES), name].to_numpy() for name in ("rank_1", "first_error"))
    off = (shares - plain[rule]) / np.hypot(errors, np.sqrt(plain[rule] * (1 - plain[rule]) / MANY))
    assert errors.max() < 0.025
    assert np.abs(off).max() < 3.5
    assert np.abs(shares - plain[rule]).max() < 0.06
    assert (plain[rule] > 0.02).sum() >= 3  # the order is open, so that the test can fail


def test_the_stated_error_is_that_of_other_seeds(land, plain, tmp_path):
    off, errors = [], []
    for seed in range(8):
        ranks = ranks_of(land, tmp_path / str(seed), "geometric", 64, 256, seed)
        shares, error = (ranks.loc[list(BOXES), name].to_numpy() for name in ("rank_1", "first_error"))
        off.append(shares - plain["geometric"])
        errors.append(error)
    assert 0.5 < np.sqrt(np.mean(np.square(off)) / np.mean(np.square(errors))) < 1.5
    assert np.abs(np.mean(off, axis=0)).max() < 3.5 * np.sqrt(np.mean(np.square(errors), axis=0).max() / 8)


@pytest.mark.parametrize("rule", RULES)
def test_the_order_of_the_criteria_changes_no_byte_of_the_ranks(land, tmp_path, rule):
    first = ranks_of(land, tmp_path / "a", rule, 32, 100)
    assert first["rank_1"].gt(0).sum() > 1
    for names in (("clay", "ph", "water"), ("water", "clay", "ph")):
        again = ranks_of(land, tmp_path / names[0], rule, 32, 100, names=names)
        texts = [pd.read_csv(tmp_path / folder / "ranks.csv", dtype=str) for folder in ("a", names[0])]
        assert texts[1][texts[0].columns].equals(texts[0])
        assert (tmp_path / names[0] / "wins.csv").read_bytes() == (tmp_path / "a" / "wins.csv").read_bytes()
        assert list(again.columns) != list(first.columns)


def test_a_plan_without_parcels_sums_nothing_for_ranks(land):
    from underoak.engine.prepare.prepare import prepare

    base, plan = land
    with_parcels = plan("geometric", 32, 100)
    for changed, expected in (
        (with_parcels, 128),  # 100 rounded up: each of the 32 draws of data is used as often as the others
        ({**with_parcels, "combine": {"rule": "linear"}}, 0),
        ({name: part for name, part in with_parcels.items() if name != "parcels"} | {"purpose": "region"}, 0),
    ):
        (recipe,) = prepare(uo.load_plan(changed, base=base)).recipe.cases
        assert recipe.uncertainty.rank_draws == expected
