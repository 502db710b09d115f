"""A share of S1 that no region is likely to have is told; small regions and plans without a species are left alone."""

import numpy as np
import pytest

import underoak as uo
from underoak.engine.prepare.prepare import prepare
from underoak.places.wild.share_warnings import FEWEST_CELLS, unusual_share

from noise import write_raster

TERUEL, WALES = ("EPSG:25830", 660_000, 4_470_000), ("EPSG:27700", 280_000, 260_000)


def plan_in(folder, place=TERUEL, side=40, heat=20.0, **more):
    """A plan on the warmth of the warmest month alone, the same everywhere; cells of a kilometre."""
    crs, left, top = place
    values = np.full((side + 4, side + 4), heat, np.float32)
    write_raster(folder / "heat.tif", values, crs, (1000, 0, left - 2000, 0, -1000, top + 2000))
    bounds = [left, top - side * 1000, left + side * 1000, top]
    plan = {
        "format": 1, "title": "Warmth", "purpose": "region", "species": ["tuber_melanosporum"],
        "region": {"bounds": bounds, "crs": crs, "cell": "1 km"},
        "layers": {"temp_warmest": {"file": "heat.tif", "unit": "degC"}},
    }  # fmt: skip
    return uo.load_plan(plan | more, base=folder)


def told(plan, **classes):
    counts = {int(name.removeprefix("class_")): count for name, count in classes.items()}
    return [(fault.code, fault.what) for fault in unusual_share(plan, counts, prepare(plan))]


def test_a_run_tells_too_much_s1_and_what_was_not_looked_at(tmp_path):
    run = uo.run(plan_in(tmp_path), out=tmp_path / "out")
    found = [line for line in run.manifest.warnings if line.startswith("W434")]
    assert len(found) == 1
    assert "100 % of the judged land is S1 for Tuber melanosporum" in found[0]
    assert "(total carbonate, soil pH in water, rain of the three summer months)" in found[0]
    assert "W434" in (run.folder / "report.html").read_text(encoding="utf-8")


def test_a_run_tells_that_native_ground_has_no_s1_at_all(tmp_path):
    run = uo.run(plan_in(tmp_path, heat=30.0), out=tmp_path / "out")
    found = [line for line in run.manifest.warnings if line.startswith("W434")]
    assert len(found) == 1
    assert "no judged land is S1" in found[0]


@pytest.mark.parametrize(("s1", "others", "codes"), [(40, 60, []), (41, 59, ["W434"]), (1, 99, []), (0, 100, ["W434"])])
def test_the_limits_are_40_percent_and_nothing_on_native_ground(tmp_path, s1, others, codes):
    found = told(plan_in(tmp_path), class_1=s1 * 100, class_4=others * 100, class_250=10**6, class_255=10**6)
    assert [code for code, _ in found] == codes


def test_small_regions_are_left_alone(tmp_path):
    plan = plan_in(tmp_path)
    assert told(plan, class_1=FEWEST_CELLS - 1, class_250=10**6) == []
    assert len(told(plan, class_1=FEWEST_CELLS)) == 1


def test_no_s1_is_no_news_where_the_truffle_is_not_native(tmp_path):
    plan = plan_in(tmp_path, WALES)
    assert told(plan, class_4=5000) == []
    assert len(told(plan, class_1=5000)) == 1


def test_a_plan_without_a_species_has_no_usual_share(tmp_path):
    own = {"heat": {"layer": "temp_warmest", "curve": {"shape": "ramp_up", "at": [0, 1]}, "source": "illustration"}}
    plan = plan_in(tmp_path, species=[], criteria=own, weights={"direct": {"heat": 1}})
    assert told(plan, class_1=5000) == []


def test_futures_may_be_as_they_are(tmp_path):
    plan = plan_in(tmp_path, heat=26.5, scenarios=[{"name": "cooler", "replace": {"temp_warmest": "cool.tif"}}])
    write_raster(tmp_path / "cool.tif", np.full((44, 44), 20, np.float32), "EPSG:25830",
                 (1000, 0, 658_000, 0, -1000, 4_472_000))  # fmt: skip
    run = uo.run(plan, out=tmp_path / "out")
    now, then = (case.counts.classes for case in run.manifest.cases)
    assert now.get(1, 0) == 0
    assert then[1] == 1600
    assert sum("W434" in line and "unusually much" in line for line in run.manifest.warnings) == 0
