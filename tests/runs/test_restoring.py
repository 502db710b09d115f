"""Wild ground is held against the native range before anything is judged; crops get a notice."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

import underoak as uo
from underoak.base import crs
from underoak.places.answers.native import ZoneState
from underoak.places.wild.native_rules import CONSTRAINT

from noise import write_raster, write_shapes

CELL, ROWS, COLS = 100.0, 120, 120
CRS = "EPSG:32631"
X, Y = crs.transformer("EPSG:4326", CRS).transform(2.5, 47.0)  # black truffle's range ends at 47° N here
LEFT, TOP = round(X, -2) - 6000.0, round(Y, -2) + 4000.0  # the border runs through the northern third


def country(folder, **changes):
    """Four patches of good ground in bad: one each side of the border, one across it, and one far to the south."""
    ph = np.full((ROWS, COLS), 50, np.int16)
    ph[2:22, 10:40] = 79  # north of the border
    ph[30:55, 50:70] = 79  # across it
    ph[60:80, 5:35] = 79  # south of it
    ph[95:115, 70:110] = 79
    write_raster(folder / "ph.tif", ph, CRS, (CELL, 0, LEFT, 0, -CELL, TOP), nodata=-1)
    boxes = {"north": (10, 2, 40, 22), "across": (50, 30, 70, 55), "south": (5, 60, 35, 80)}
    shapes = [
        shapely.box(LEFT + a * CELL, TOP - d * CELL, LEFT + c * CELL, TOP - b * CELL) for a, b, c, d in boxes.values()
    ]
    write_shapes(folder / "fields.gpkg", shapes, CRS, name=list(boxes))
    plan = {
        "format": 1,
        "title": "at the border",
        "purpose": "restore",
        "species": ["tuber_melanosporum"],
        "region": {"bounds": [LEFT, TOP - ROWS * CELL, LEFT + COLS * CELL, TOP], "crs": CRS, "cell": "100 m"},
        "layers": {"soil_ph": {"file": "ph.tif", "unit": "pH*10", "resample": "nearest"}},
        "zones": {"at_least": "S2", "min_area": "1 ha", "max_area": "100 km2"},
        "parcels": {"file": "fields.gpkg", "id": "name"},
    }
    return {key: value for key, value in (plan | changes).items() if value is not None}


def done(folder, out, **changes):
    return uo.run(uo.load_plan(country(folder, **changes), base=folder), out=out)


def codes(run):
    return sorted({warning[:4] for warning in run.manifest.warnings})


@pytest.fixture(scope="module")
def restored(tmp_path_factory):
    folder = tmp_path_factory.mktemp("restored")
    return done(folder, folder / "out")


def test_ground_outside_is_excluded_and_has_no_suitability(restored):
    with (
        rasterio.open(restored.folder / "class.tif") as classes,
        rasterio.open(restored.folder / "suitability.tif") as suitability,
    ):
        code, score = classes.read(1), suitability.read(1, masked=True).filled(np.nan)
    to_degrees = crs.transformer(CRS, "EPSG:4326")
    cols, rows = np.meshgrid(np.arange(COLS) + 0.5, np.arange(ROWS) + 0.5)
    _, latitude = to_degrees.transform(LEFT + cols * CELL, TOP - rows * CELL)
    north, south = latitude > 47.0 + 1e-5, latitude < 47.0 - 1e-5
    assert north.any()
    assert (code[north] == 250).all()
    assert np.isnan(score[north]).all()
    assert (code[south] != 250).all()
    counted = restored.manifest.cases[0].counts.excluded[CONSTRAINT]
    assert counted == np.count_nonzero(code == 250)


def test_a_zone_that_the_border_cuts_is_refused_whole_and_stands_last_without_figures(restored):
    zones = restored.zones
    assert len(zones) == 3
    assert zones["native_range"].tolist() == ["native", "native", ZoneState.CUT]
    assert zones["rank"].iloc[:2].tolist() == [1, 2]
    refused = zones.iloc[-1]
    assert pd.isna(refused["rank"])
    assert pd.isna(refused["suitability"])
    assert pd.isna(refused["good_ha"])
    assert refused["area_ha"] > 0
    # the rank is by good ground, and the one that is refused is neither the smallest nor counted
    assert zones["good_ha"].iloc[0] > zones["good_ha"].iloc[1]


def test_all_parts_of_a_zone_that_the_border_cuts_are_refused(restored, tmp_path):
    cut = done(tmp_path, tmp_path / "out", zones={"at_least": "S2", "min_area": "1 ha"}).zones
    assert cut["area_ha"].max() <= 50.0 * (1.0 + 1e-6)  # the default on wild ground
    uncut = restored.zones.set_index("id")
    parts = cut.groupby(cut["id"].str.partition(".")[0])
    assert set(parts.groups) == set(uncut.index)
    for id, own in parts:
        assert len(own) > 1
        assert own["area_ha"].sum() == pytest.approx(uncut.loc[id, "area_ha"], rel=1e-9)
        assert set(own["native_range"]) == {uncut.loc[id, "native_range"]}
        assert own["rank"].isna().all() == (uncut.loc[id, "native_range"] == ZoneState.CUT)


def test_a_refused_zone_is_explained_as_such_and_not_counted(restored):
    refused = restored.explain_zone(str(restored.zones["id"].iloc[-1]))
    assert refused.startswith(f"Zone {restored.zones['id'].iloc[-1]}: {ZoneState.CUT}.\n")
    assert refused == restored.explain_zone("3")
    assert "nan" not in refused
    assert ": rank 1 of 2, suitability" in restored.explain_zone("1")


def test_parcels_outside_are_not_judged_and_say_why(restored):
    table = restored.parcels.set_index("id")
    assert table.loc["south", "class"] == "S1"
    for name in ("north", "across"):
        assert table.loc[name, "reason"] == "outside the native range"
        assert pd.isna(table.loc[name, "suitability"])
    assert "not native" in restored.explain("across") or "outside the native range" in restored.explain("across")


def test_what_is_refused_is_told(restored):
    assert codes(restored) == ["W432"]
    (told,) = (warning for warning in restored.manifest.warnings if warning.startswith("W432"))
    assert "33 % of the region lies outside the native range of Tuber melanosporum" in told
    report = (restored.folder / "report.html").read_text(encoding="utf-8")
    assert "outside the native range, so not judged" in report
    assert ZoneState.CUT in report


def test_a_region_that_lies_outside_altogether_stops_before_anything_is_made(tmp_path):
    with pytest.raises(uo.UnderoakError, match="E338 region: the whole region lies outside the native range") as caught:
        done(tmp_path, tmp_path / "out", species=["tuber_magnatum"])
    assert [fault.code for fault in caught.value.faults] == ["E338"]
    assert caught.value.exit_code == 3
    assert not (tmp_path / "out").exists()
    with pytest.raises(uo.UnderoakError, match="E338"):
        uo.check(uo.load_plan(country(tmp_path, species=["tuber_magnatum"]), base=tmp_path))


def test_no_option_gets_round_a_refusal(tmp_path):
    """Switching everything off that can be switched off, and drawing shapes over all of it, changes nothing."""
    everywhere = shapely.box(LEFT - 1e5, TOP - 1e5, LEFT + 1e5, TOP + 1e5)
    write_shapes(tmp_path / "everywhere.gpkg", [everywhere], CRS, name=["all"])
    wide = {"native": {"file": "everywhere.gpkg"}}
    run = done(tmp_path, tmp_path / "out", classes={"cap": "none"}, combine={"rule": "linear"}, **wide)
    assert run.manifest.cases[0].counts.excluded[CONSTRAINT] > 0
    with pytest.raises(uo.UnderoakError, match="E338"):
        done(tmp_path, tmp_path / "none", species=["tuber_magnatum"], **wide)


def test_a_plan_may_narrow_the_range(tmp_path):
    south = shapely.box(LEFT, TOP - 9000, LEFT + COLS * CELL, TOP - 5700)  # holds the third patch, not the fourth
    write_shapes(tmp_path / "ours.gpkg", [south], CRS, name=["ours"])
    run = done(tmp_path, tmp_path / "out", native={"file": "ours.gpkg"})
    assert len(run.zones) == 1
    assert run.zones["native_range"].tolist() == ["native"]
    assert {"native"} in [set(file.of) for file in run.manifest.inputs]


def test_ground_that_needs_evidence_is_marked_so(tmp_path):
    """Summer truffle's range goes on in the east, where it needs evidence."""
    x, y = crs.transformer("EPSG:4326", "EPSG:32637").transform(40.0, 50.0)
    left, top = round(x, -2) - 3000.0, round(y, -2) + 3000.0
    ph = np.full((60, 60), 76, np.int16)
    write_raster(tmp_path / "east.tif", ph, "EPSG:32637", (100, 0, left, 0, -100, top), nodata=-1)
    run = done(
        tmp_path, tmp_path / "out", species=["tuber_aestivum"], parcels=None,
        layers={"soil_ph": {"file": "east.tif", "unit": "pH*10", "resample": "nearest"}},
        region={"bounds": [left, top - 6000, left + 6000, top], "crs": "EPSG:32637", "cell": "100 m"},
    )  # fmt: skip
    assert codes(run) == ["W433", "W434", "W438"]  # one pH everywhere makes all of it S1
    assert run.zones["native_range"].tolist() == ["needs evidence"]
    assert run.zones["rank"].tolist() == [1]


def test_each_species_is_held_against_its_own_range(tmp_path):
    run = done(tmp_path, tmp_path / "out", species=["tuber_melanosporum", "tuber_aestivum"], parcels=None)
    black, summer = (run.cases[name] for name in ("tuber_melanosporum", "tuber_aestivum"))
    assert black.zones["native_range"].tolist().count(ZoneState.CUT) == 1
    assert set(summer.zones["native_range"]) == {"native"}
    assert len(summer.zones) == 4
    assert CONSTRAINT not in json.dumps({k: v for k, v in summer.manifest.cases[0].counts.excluded.items() if v})


@pytest.mark.parametrize("purpose", ["buy", "orchard"])
def test_growing_where_it_is_not_native_gets_a_notice_and_is_judged(tmp_path, purpose):
    run = done(tmp_path, tmp_path / "out", purpose=purpose, species=["tuber_magnatum"])
    assert codes(run) == ["W431"]
    (told,) = run.manifest.warnings
    assert "keep it away from wild truffle ground, and plant certified trees only" in told
    assert run.parcels["rank"].notna().all()
    assert "native_range" not in run.zones.columns


def test_a_region_is_only_looked_at(tmp_path):
    run = done(tmp_path, tmp_path / "out", purpose="region", species=["tuber_magnatum"])
    assert codes(run) == []


def test_crops_on_native_ground_get_no_notice(tmp_path):
    plan = country(tmp_path, purpose="buy")
    plan["region"] = {**plan["region"], "bounds": [LEFT, TOP - ROWS * CELL, LEFT + COLS * CELL, TOP - 6000]}
    run = uo.run(uo.load_plan(plan, base=tmp_path), out=tmp_path / "out")
    assert codes(run) == ["W422"]  # two parcels lie outside these bounds


def test_restoring_needs_a_species_and_only_restoring_takes_a_narrower_range(tmp_path):
    own = {"ph": {"layer": "soil_ph", "curve": {"shape": "ramp_up", "at": [6, 7]}, "source": "a test"}}
    with pytest.raises(uo.UnderoakError, match=r"E332 .*needs `species`"):
        uo.load_plan(country(tmp_path, species=None, criteria=own), base=tmp_path)
    with pytest.raises(uo.UnderoakError, match=r"E304 .*`native` is for purpose restore"):
        uo.load_plan(country(tmp_path, purpose="buy", native={"file": "x.gpkg"}), base=tmp_path)


def test_tiles_and_workers_change_nothing(restored, tmp_path):
    plan = uo.load_plan(country(tmp_path), base=tmp_path)
    other = uo.run(plan, out=tmp_path / "out", workers=2, tile=1)
    for name in ("class.tif", "suitability.tif", "zones.gpkg", "parcels.csv"):
        assert (other.folder / name).read_bytes() == (restored.folder / name).read_bytes(), name


def test_refused_zones_are_told_in_the_terminal(restored):
    from underoak.report import ranking

    text = ranking(restored.findings[0])
    assert "2 zones" in text
    assert "Refused: 1 more, which the border of the native range cuts." in text
    assert isinstance(restored.zones, gpd.GeoDataFrame)


def test_strict_stops_at_a_border_before_anything_is_judged(tmp_path):
    plan = uo.load_plan(country(tmp_path), base=tmp_path)
    with pytest.raises(uo.UnderoakError, match=r"^W432 region") as caught:
        uo.run(plan, out=tmp_path / "out", strict=True)
    assert caught.value.exit_code == 4
    assert not (tmp_path / "out").exists()


def test_what_strict_finds_when_all_is_judged_costs_no_tile(tmp_path):
    south = [LEFT, TOP - ROWS * CELL, LEFT + COLS * CELL, TOP - 60 * CELL]
    plan = country(tmp_path, purpose="orchard", zones=None, region={"bounds": south, "crs": CRS, "cell": "100 m"})
    ph = np.where(np.indices((ROWS, COLS)).sum(axis=0) % 2, 79, 74).astype(np.int16)  # S1 all over, and not all alike
    write_raster(tmp_path / "ph.tif", ph, CRS, (CELL, 0, LEFT, 0, -CELL, TOP))
    inside = shapely.box(LEFT + 5 * CELL, TOP - 80 * CELL, LEFT + 35 * CELL, TOP - 60 * CELL)
    write_shapes(tmp_path / "fields.gpkg", [inside], CRS, name=["south"])
    loaded = uo.load_plan(plan, base=tmp_path)
    with pytest.raises(uo.UnderoakError, match="W434 criteria"):
        uo.run(loaded, out=tmp_path / "out", strict=True)
    assert not (tmp_path / "out" / "run.json").exists()
    run = uo.run(loaded, out=tmp_path / "out")
    assert run.manifest.when.tiles_kept == 1
    assert "W434" in codes(run)
