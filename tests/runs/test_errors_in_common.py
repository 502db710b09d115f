"""Errors that layers, and whole maps, have in common: from the plan to the draws, the manifest and the report."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

import underoak as uo
from underoak.engine.prepare.prepare import prepare
from underoak.runs.check import check

from noise import LEFT, TOP, write_raster, write_shapes

CURVE = {"shape": "ramp_up", "at": [0.0, 100.0]}


@pytest.fixture(scope="module")
def land(tmp_path_factory):
    base = tmp_path_factory.mktemp("common")
    for name, side in (("rain", 250), ("cloud", 250), ("frost", 500)):
        values = np.full((3000 // side, 3000 // side), 60.0, np.float32)
        write_raster(base / f"{name}.tif", values, "EPSG:25831", (side, 0, LEFT, 0, -side, TOP))
    boxes = [
        shapely.box(LEFT + 1000 * i, TOP - 1000 * j - 900, LEFT + 1000 * i + 900, TOP - 1000 * j)
        for i in range(3) for j in range(3)
    ]  # fmt: skip
    write_shapes(base / "fields.gpkg", boxes, "EPSG:25831", name=[f"p{n}" for n in range(9)])
    return base


def plan(together=(), bias=0.3, **more):
    layers = {
        name: {"file": f"{name}.tif", "unit": "mm", "resample": "nearest", "sd": "8 mm", "bias_share": bias}
        for name in ("rain", "cloud", "frost")
    }
    return {
        "format": 1, "title": "in common", "purpose": "buy",
        "region": {"bounds": [LEFT, TOP - 3000, LEFT + 3000, TOP], "crs": "EPSG:25831", "cell": "50 m"},
        "layers": layers,
        "criteria": {name: {"layer": name, "curve": CURVE, "source": "a test"} for name in layers},
        "combine": {"rule": "linear"},
        "uncertainty": {"draws": 128, "correlation_range": "400 m", "together": list(together)},
        "parcels": {"file": "fields.gpkg", "id": "name"},
    } | more  # fmt: skip


def run_of(written, base, out):
    return uo.run(uo.load_plan(written, base=base), out=out)


def test_layers_on_one_grid_go_together_and_others_by_their_common_parts(land, tmp_path):
    alone = run_of(plan(), land, tmp_path / "alone").parcels["sd"]
    pairs = [{"layers": ["rain", "cloud"], "correlation": 0.7}, {"layers": ["cloud", "frost"], "correlation": 0.4}]
    run = run_of(plan(pairs), land, tmp_path / "both")
    bias, r = 0.3, 0.7
    realised = {each.is_local: each.realised for each in run.manifest.cases[0].uncertainty.together}
    assert realised == {True: pytest.approx(r), False: pytest.approx(bias * 0.4)}
    recipe = prepare(uo.load_plan(plan(pairs), base=land)).recipe.cases[0]
    models = {each.layer: each.errors for each in recipe.uncertainty.layers}
    assert dict(models["rain"].local)["cloud"] == pytest.approx(r)
    assert models["frost"].local == (("frost", 1.0),)
    assert dict(models["frost"].common)["cloud"] == pytest.approx(0.4)
    assert (run.parcels["sd"] > alone * 1.15).all()
    lines = "\n".join(check(uo.load_plan(plan(pairs), base=land)))
    assert "together  cloud and rain: correlation 0.7 of their errors" in lines
    assert "cloud and frost: correlation 0.4 of what each whole map has in common" in lines


def test_opposite_errors_cancel(land, tmp_path):
    pairs = [{"layers": ["rain", "cloud"], "correlation": -0.95}]
    layers = {name: each for name, each in plan()["layers"].items() if name != "frost"}
    criteria = {name: each for name, each in plan()["criteria"].items() if name != "frost"}
    alone = run_of(plan(layers=layers, criteria=criteria), land, tmp_path / "a").parcels["sd"].to_numpy()
    both = run_of(plan(pairs, layers=layers, criteria=criteria), land, tmp_path / "b").parcels["sd"].to_numpy()
    assert both / alone == pytest.approx(np.full(9, np.sqrt(1 - 0.95)), rel=0.35)


@pytest.mark.parametrize(
    ("together", "code", "says"),
    [
        ([{"layers": ["rain", "clouds"], "correlation": 0.2}], "E331", "clouds"),
        ([{"layers": ["rain", "cloud"], "correlation": 1.0}], "E304", "less than 1"),
        ([{"layers": ["rain"], "correlation": 0.2}], "E304", ""),
        (
            [{"layers": ["rain", "cloud", "frost"], "correlation": -0.7}], "E363", "the worst pair is",
        ),
        ([{"layers": ["rain", "cloud"], "correlation": 0.1}] * 2, "E363", '"cloud" and "rain" are given twice'),
    ],
)  # fmt: skip
def test_what_cannot_go_together_is_refused(land, together, code, says):
    with pytest.raises(uo.UnderoakError) as caught:
        uo.load_plan(plan(together), base=land)
    assert code in {fault.code for fault in caught.value.faults}
    assert says in " ".join(f"{fault.what} {fault.fix}" for fault in caught.value.faults)


def test_a_layer_without_an_error_cannot_go_together_with_another(land):
    written = plan([{"layers": ["rain", "cloud"], "correlation": 0.3}])
    del written["layers"]["cloud"]["sd"]
    written["uncertainty"]["assume"] = "none"
    with pytest.raises(uo.UnderoakError, match='"cloud" states no uncertainty'):
        uo.load_plan(written, base=land)


def test_parcels_with_a_yes_that_fail_together_are_counted(land, tmp_path):
    high = plan(bias=0.9, classes={"S1": 0.75, "S2": 0.5, "S3": 0.25, "cap": "none"})
    run = run_of(high, land, tmp_path)
    shared = run.manifest.cases[0].shared_failure
    assert (run.parcels["verdict"] == "yes").sum() == shared.parcels >= 3
    assert shared.failing > 2 * shared.if_independent
    assert f"In {shared.failing} of 128 draws at least a third of the {shared.parcels} parcels with a yes" in (
        run.folder / "report.html"
    ).read_text(encoding="utf-8")
