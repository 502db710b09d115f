"""No stored code reads as a value: every raster, as other software reads it, with its own mask, scale and offset."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio.enums import ColorInterp

import underoak as uo
from underoak.base.codes import EXCLUDED, MISSING

from noise import small_country

CATEGORIES = {"class.tif", "limiting.tif"}


@pytest.fixture(scope="module", params=["float32", "uint16"])
def run(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> uo.Run:
    """A run with excluded and missing cells that writes every kind of raster."""
    folder = tmp_path_factory.mktemp("codes")
    plan: dict[str, Any] = small_country(folder, parcels=60)
    plan["layers"]["soil_ph"]["sd"] = "0.4 pH"
    plan["layers"]["slope"]["sd"] = "10 %"
    plan["combine"]["missing"] = "renormalise"
    plan["uncertainty"] = {"draws": 8, "ask": [{"name": "sour", "layer": "soil_ph", "at_most": 7.0}]}
    plan["outputs"] = {"folder": "out", "dtype": request.param, "quantiles": [0.1, 0.9]}
    return uo.run(uo.load_plan(plan, base=folder), out=folder / "out")


def read(path: Path) -> tuple[np.ma.MaskedArray, tuple[str | None, ...]]:
    """The bands of a raster with mask, scale and offset applied, (bands, rows, cols), and their units."""
    with rasterio.open(path) as source:
        cells = source.read(masked=True)
        scales, offsets = (np.array(part)[:, None, None] for part in (source.scales, source.offsets))
        return np.ma.masked_invalid(cells * scales + offsets), source.units


def test_what_has_a_unit_stays_within_0_and_1_and_is_masked_where_excluded(run: uo.Run) -> None:
    with rasterio.open(run.folder / "class.tif") as source:
        classes = source.read(1)
    excluded = classes == EXCLUDED
    assert excluded.any()
    assert (classes == MISSING).any()
    names = {path.name for path in run.folder.glob("*.tif")}
    assert {"suitability.tif", "memberships.tif", "spread.tif", "quantiles.tif", "missing_weight.tif"} <= names
    for name in names - CATEGORIES:
        values, units = read(run.folder / name)
        assert set(units) == {"1"}
        assert values.min() >= 0.0
        assert values.max() <= 1.0
        assert values.mask[:, excluded].all()
        assert (~values.mask).any()


def test_no_band_is_a_colour_or_an_opacity(run: uo.Run) -> None:
    for path in run.folder.glob("*.tif"):
        with rasterio.open(path) as source:
            kinds = set(source.colorinterp)
        assert kinds <= {ColorInterp.gray, ColorInterp.undefined, ColorInterp.palette}, path.name


def test_codes_are_plain_numbers_and_all_named_in_the_tags(run: uo.Run) -> None:
    for name in CATEGORIES:
        with rasterio.open(run.folder / name) as source:
            tags, codes = source.tags(), np.unique(source.read())
            assert source.nodata == MISSING
            assert source.scales == (1.0,) * source.count
            assert set(source.units) == {"1"}
        assert all(any(f"{kind}_{code}" in tags for kind in ("CLASS", "CODE", "CRITERION")) for code in codes.tolist())


def test_the_dataset_gives_memberships_and_no_codes(run: uo.Run) -> None:
    memberships, _ = read(run.folder / "memberships.tif")
    labelled = run.dataset["membership"].to_numpy()
    np.testing.assert_allclose(labelled, memberships.filled(np.nan), atol=1e-6)
