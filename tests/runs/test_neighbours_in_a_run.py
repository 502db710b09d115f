"""Neighbours in a whole run: columns, explanation and inputs; no suitability or raster changes by them."""

import geopandas as gpd
import pandas as pd
import pytest
from shapely import box

import underoak as uo
from underoak.engine.write.checksums import sha256


@pytest.fixture
def runs(case, tmp_path):
    plan, data = case
    parcels = gpd.read_file(data / plan["parcels"]["file"])
    west, south, east, north = parcels.geometry.iloc[0].bounds
    wood = gpd.GeoDataFrame(geometry=[box(east, south, east + 4 * (east - west), north)], crs=parcels.crs)
    wood.to_file(data / "wood.gpkg", driver="GPKG")
    plain = uo.run(uo.load_plan(plan, base=data), out=tmp_path / "plain")
    more = plan | {"neighbours": {"oak_wood": {"file": "wood.gpkg", "kind": "wood", "within": "3 km"}}}
    return (
        plain,
        uo.run(uo.load_plan(more, base=data), out=tmp_path / "more"),
        str(parcels[plan["parcels"]["id"]].iloc[0]),
    )


def test_neighbours_are_told_and_change_nothing_else(runs):
    plain, more, id = runs
    for raster in plain.folder.glob("*.tif"):
        assert sha256(raster) == sha256(more.folder / raster.name), raster.name
    before, after = (pd.read_csv(run.folder / "parcels.csv", dtype={"id": str}) for run in (plain, more))
    pd.testing.assert_frame_equal(before, after[before.columns])
    row = after.set_index("id").loc[id]
    assert row["distance_m_oak_wood"] == 0
    assert row["edge_m_oak_wood"] > 0
    assert "neighbours.oak_wood" in {key for record in more.manifest.inputs for key in record.of}
    said = " ".join(more.explain(id).split())
    assert "What lies near it. - oak wood: along" in said
    assert "None of it changes a suitability or a verdict." in said
    assert "What lies near it" in (more.folder / "report.html").read_text(encoding="utf-8")
    assert "What lies near it" not in plain.explain(id)


def test_a_file_that_is_not_there_is_told_by_check_with_its_key(case):
    plan, data = case
    bad = plan | {"neighbours": {"roads": {"file": "nowhere.gpkg", "kind": "road"}}}
    with pytest.raises(uo.UnderoakError, match=r"neighbours\.roads") as told:
        uo.check(uo.load_plan(bad, base=data))
    assert told.value.exit_code == 4


@pytest.mark.parametrize("keys", [{"within": "51 km"}, {"within": "20 m", "touching": "30 m"}, {"kind": "boar"}])
def test_impossible_keys_are_refused(case, keys):
    plan, data = case
    with pytest.raises(uo.UnderoakError, match="E30"):
        uo.load_plan(plan | {"neighbours": {"roads": {"file": "r.gpkg"} | keys}}, base=data)
