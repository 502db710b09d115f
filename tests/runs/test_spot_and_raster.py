"""A spot judged from figures is what a run makes of a raster with these values."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

import underoak as uo
from spots import some_criteria, values_near
from underoak.base.codes import NOTHING_LIMITS
from underoak.base.units import canonical_name
from underoak.places.answers.limits import NoLimit
from underoak.places.spot.figures import bounds_of
from underoak.plan.profiles.profile import load_profile

from noise import LEFT, write_raster, write_shapes

CELLS, DRAWS = 24, 64
TOP = 4_600_200.0  # a multiple of the cell, as LEFT is


def random_cells(species: str, rng: np.random.Generator) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    """Values of some of a profile's layers in every cell, around the ends of their curves, and an error of each."""
    profile, values, errors = load_profile(species), {}, {}
    for name in some_criteria(profile, rng, 7):
        drawn, span = values_near(profile, name, rng, CELLS)
        layer = profile.criteria[name].layer
        values[layer], errors[layer] = drawn.astype(np.float32), float(np.float32(0.1 * span))
    return values, errors


def plan_on(folder: Path, species: str, values: dict[str, np.ndarray], errors: dict[str, float]) -> dict[str, Any]:
    units = {c.layer: c.unit for c in load_profile(species).criteria.values()}
    layers = {}
    for name, row in values.items():
        write_raster(folder / f"{name}.tif", row[None], "EPSG:25831", (30, 0, LEFT, 0, -30, TOP))
        layers[name] = {
            "file": f"{name}.tif", "unit": units[name], "resample": "nearest", "sd": errors[name], "bias_share": 0,
            "valid": list(bounds_of(name, canonical_name(units[name]))),
        }  # fmt: skip
    return {
        "format": 1, "title": "a row of spots", "purpose": "region", "species": [species], "layers": layers,
        "region": {"bounds": [LEFT, TOP - 30, LEFT + 30 * CELLS, TOP], "crs": "EPSG:25831", "cell": "30 m"},
        "uncertainty": {"draws": DRAWS, "seed": 5, "correlation_range": "0 m"},
    }  # fmt: skip


def bands(run: uo.Run, name: str) -> np.ndarray:
    with rasterio.open(run.folder / name) as source:
        return source.read()[:, 0]


@pytest.mark.parametrize("species", ["tuber_melanosporum", "tuber_aestivum", "tuber_lyonii"])
def test_every_cell_of_a_run_is_the_spot_of_its_values(species: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(sum(map(ord, species)))
    values, errors = random_cells(species, rng)
    plan = uo.load_plan(plan_on(tmp_path, species, values, errors), base=tmp_path)
    run = uo.run(plan, out=tmp_path / "out")
    suitability, classes = bands(run, "suitability.tif")[0], bands(run, "class.tif")[0]
    memberships, (weakest, gainful) = bands(run, "memberships.tif") / 250.0, bands(run, "limiting.tif")
    mean, sd, p_s2 = bands(run, "spread.tif")
    names = [criterion.name for criterion in plan.criteria]
    off = 0
    for cell in range(CELLS):
        figures = {layer: f"{row[cell]!s} ± {errors[layer]!r}" for layer, row in values.items()}
        spot = uo.judge(species, figures, draws=DRAWS, seed=5)
        assert np.float32(spot.suitability) == suitability[cell]
        assert spot.class_name == f"S{classes[cell]}".replace("S4", "N")
        assert [c.name for c in spot.criteria] == names
        assert [c.weight for c in spot.criteria] == pytest.approx(plan.weights)
        np.testing.assert_allclose([c.membership for c in spot.criteria], memberships[:, cell], atol=0.0021)
        for code, limits in ((weakest[cell], spot.limiting), (gainful[cell], spot.most_gainful)):
            assert limits[0] == (NoLimit.NOTHING if code == NOTHING_LIMITS else names[code])
        if cell == 0:  # the draws of source cell (0, 0) are those of a spot
            assert spot.p == p_s2[cell]
        many = uo.judge(species, figures, draws=4000)
        assert many.p is not None
        error = math.sqrt(max(many.p * (1.0 - many.p), 0.02) / DRAWS)
        off += abs(float(p_s2[cell]) - many.p) > 3.0 * error
        assert many.low is not None
        assert many.high is not None
        assert many.low - 4.0 * sd[cell] <= mean[cell] <= many.high + 4.0 * sd[cell]
    assert off <= 1


def test_the_remedies_of_a_spot_are_those_of_a_parcel_of_one_value(tmp_path: Path) -> None:
    species = "tuber_melanosporum"
    profile = load_profile(species)
    low: dict[str, float] = {}
    for criterion in profile.criteria.values():
        x = criterion.curve.curve().x
        if criterion.remedy is not None:
            low[criterion.layer] = float(np.float32((x[0] + 2.0 * x[1]) / 3.0))
    low["clay"] = 20.0
    values = {layer: np.full(CELLS, value, np.float32) for layer, value in low.items()}
    import shapely

    write_shapes(
        tmp_path / "fields.gpkg", [shapely.box(LEFT, TOP - 30, LEFT + 30 * CELLS, TOP)], "EPSG:25831", name=["a"]
    )
    document = plan_on(tmp_path, species, values, dict.fromkeys(values, 0.3))
    document |= {"purpose": "buy", "parcels": {"file": "fields.gpkg", "id": "name"}}
    row = uo.run(uo.load_plan(document, base=tmp_path), out=tmp_path / "out").parcels.iloc[0]
    spot = uo.judge(species, low)
    assert spot.potential is not None
    assert spot.potential.suitability == pytest.approx(row["potential"], abs=1e-6)
    assert spot.potential.class_name == row["potential_class"]
    amounts = {type(need).__name__: need for need in spot.needs}
    assert amounts["LimeNeed"].t_ha == pytest.approx(row["lime_t_ha"], rel=1e-6)
    assert amounts["WaterNeed"].mm == pytest.approx(row["water_mm"], rel=1e-6)
    assert spot.looked_at.judged_weight == pytest.approx(row["judged_weight"])
