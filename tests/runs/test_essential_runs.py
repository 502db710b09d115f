"""Essential criteria from end to end: rasters, parcels and draws, cut up in whatever way."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

import underoak as uo
from underoak.overlay import classify

from noise import small_country, tall_country

FILES = ("suitability.tif", "class.tif", "limiting.tif", "memberships.tif", "spread.tif", "parcels.csv", "zones.gpkg")
MARK = {"essential": True, "essential_source": "a test"}


def marked(plan: dict[str, Any], *names: str, **more: Any) -> dict[str, Any]:
    """A copy of a plan with essential criteria and draws."""
    copy: dict[str, Any] = json.loads(json.dumps(plan))
    copy["layers"]["soil_ph"]["sd"] = "0.4 pH"
    copy["criteria"]["cover"]["curve"]["of"] = {int(k): v for k, v in copy["criteria"]["cover"]["curve"]["of"].items()}
    for name in names:
        copy["criteria"][name] |= MARK
    return copy | {"uncertainty": {"draws": 8}} | more


def sums(folder: Path) -> dict[str, str]:
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in FILES}


def bands(folder: Path, name: str) -> np.ndarray:
    with rasterio.open(folder / name) as source:
        return source.read()


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    folder = tmp_path_factory.mktemp("essential")
    return small_country(folder), folder


def go(plan: dict[str, Any], base: Path, out: Path, **options: Any) -> uo.Run:
    return uo.run(uo.load_plan(plan, base=base), out=out, **options)


def test_tiles_and_workers_change_no_byte(tmp_path: Path) -> None:
    essential = marked(tall_country(tmp_path), "ph", "height")
    first = go(essential, tmp_path, tmp_path / "a", workers=1, tile=5000)
    again = go(essential, tmp_path, tmp_path / "b", workers=3, tile=1)
    assert sums(first.folder) == sums(again.folder)


def test_classes_and_limits_of_a_run_follow_and_nothing_else_moves(
    small: tuple[dict[str, Any], Path], tmp_path: Path
) -> None:
    plan, base = small
    free = go(marked(plan), base, tmp_path / "free")
    held = go(marked(plan, "height"), base, tmp_path / "held")
    for name in ("suitability.tif", "memberships.tif"):
        assert bands(free.folder, name).tobytes() == bands(held.folder, name).tobytes()
    before, after = (bands(run.folder, "class.tif")[0] for run in (free, held))
    height = bands(held.folder, "memberships.tif")[1] / 250.0
    judged = before <= 4
    clear = judged & (np.abs(height[..., None] - np.array([0.75, 0.5, 0.25])).min(axis=2) > 0.003)
    np.testing.assert_array_equal(after[clear], np.maximum(before, classify(height))[clear])
    np.testing.assert_array_equal(after[~judged], before[~judged])
    lowered = after != before
    assert lowered.any()
    weakest, weakest_before = (bands(run.folder, "limiting.tif")[0] for run in (held, free))
    assert (weakest[lowered] == 1).all()
    np.testing.assert_array_equal(weakest[~lowered], weakest_before[~lowered])

    spread, spread_before = (bands(run.folder, "spread.tif") for run in (held, free))
    assert spread[:2].tobytes() == spread_before[:2].tobytes()
    with np.errstate(invalid="ignore"):
        assert not (spread[2] > spread_before[2]).any()
    assert (spread[2][clear & (height < 0.497)] == 0.0).all()  # height has no draws

    table, table_before = (run.parcels.set_index("id") for run in (held, free))
    assert (table["p_s2"].dropna() <= table_before["p_s2"].loc[table["p_s2"].dropna().index]).all()
    order = ["S1", "S2", "S3", "N"]
    for row in table[table["rank"].notna()].itertuples():
        alone = order[int(classify(row.membership_height)) - 1]
        for name in (row[table.columns.get_loc("class") + 1], row.potential_class):
            assert order.index(name) >= order.index(alone)


def test_a_criterion_that_is_at_its_best_everywhere_may_be_essential_without_effect(
    small: tuple[dict[str, Any], Path], tmp_path: Path
) -> None:
    plan, base = small
    flat = json.loads(json.dumps(plan))
    flat["criteria"]["height"]["curve"] = {"shape": "ramp_up", "at": [-2000, -1000]}
    a, b = (go(marked(flat, *names), base, tmp_path / f"{len(names)}") for names in ((), ("height",)))
    ours, theirs = sums(a.folder), sums(b.folder)
    assert ours == theirs


def test_the_manifest_and_the_report_name_it(small: tuple[dict[str, Any], Path], tmp_path: Path) -> None:
    plan, base = small
    run = go(marked(plan, "ph"), base, tmp_path / "out")
    (ph,) = [c for c in run.manifest.cases[0].criteria if c.is_essential]
    assert (ph.name, ph.essential_source) == ("ph", "a test")
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "No cell gets a class above that of an essential criterion alone: ph." in page
    assert "essential: a test" in page
    place = next(iter(run.parcels.loc[run.parcels["rank"].notna(), "id"]))
    assert "essential, so no class is above its own: a test" in run.explain(place)
    lines = uo.check(uo.load_plan(marked(plan, "ph"), base=base))
    assert any(line.startswith("criterion ph: ") and line.endswith(", essential") for line in lines)
