"""Reading parcels: every row, its id as text, its shape mended or missed, and every fault told."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import GeometryCollection, MultiPolygon, Point, Polygon, box

from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid
from underoak.layers.shapes.coverage import coverage
from underoak.places import read_parcels
from underoak.places.geometry.parcel_shapes import id_text

UTM = "EPSG:25831"


def save(path, shapes, ids=None, crs=UTM, **more):
    ids = ids if ids is not None else [f"F{i}" for i in range(len(shapes))]
    frame = gpd.GeoDataFrame({"field_id": ids, **more}, geometry=list(shapes), crs=crs)
    frame.to_file(path, engine="pyogrio")
    return path


def field(i, side=100.0):
    return box(4e5 + 200 * i, 4.6e6, 4e5 + 200 * i + side, 4.6e6 + side)


def codes(problems):
    return [fault.code for fault in problems.faults], [fault.code for fault in problems.warnings]


@pytest.mark.parametrize("name", ["fields.gpkg", "fields.geojson", "fields.shp"])
def test_each_format_gives_one_parcel_for_each_feature(tmp_path, name):
    problems = Problems()
    crs = "EPSG:4326" if name.endswith("json") else UTM
    frame = gpd.GeoSeries([field(0), field(1)], crs=UTM).to_crs(crs)
    path = save(tmp_path / name, frame, ["007", "8"], crs)
    parcels = read_parcels(path, "field_id", UTM, problems)
    assert parcels.ids == ("007", "8")
    assert len(parcels) == 2
    assert parcels.area_ha == pytest.approx(1.0, rel=1e-3)
    assert codes(problems) == ([], [])


def test_areas_are_those_of_the_ellipsoid_whatever_the_crs(tmp_path):
    shapes = gpd.GeoSeries([field(0)], crs=UTM)
    found = []
    for crs in (UTM, "EPSG:4258", "EPSG:3857", "EPSG:3035"):
        path = save(tmp_path / f"{crs[5:]}.gpkg", shapes.to_crs(crs), crs=crs)
        found.append(read_parcels(path, "field_id", UTM, Problems()).area_ha[0])
    geodesic = abs(shapes.to_crs("EPSG:4258").crs.get_geod().geometry_area_perimeter(shapes.to_crs("EPSG:4258")[0])[0])
    assert found == pytest.approx([geodesic / 1e4] * 4, rel=2e-6)


def test_ids_are_text_as_written(tmp_path):
    ids = ["007", "1e3", "é", "e\u0301", "=1+1", " x ", "-3.2"]
    parcels = read_parcels(save(tmp_path / "a.gpkg", map(field, range(7)), ids), "field_id", UTM, Problems())
    assert parcels.ids == tuple(ids)


@pytest.mark.parametrize(("raw", "shown"), [
    ("a\x1b[31mred", "a\\x1b[31mred"), ("b\u202egnp", "b\\u202egnp"), ("c\x85d", "c\\x85d"), ("e\nf", "e\\nf"),
    ("g\u2028h", "g\\u2028h"), ("i\u2066j", "i\\u2066j"), ("k l", "k l"), ("ä é", "ä é"),
])  # fmt: skip
def test_ids_are_escaped_once_for_every_file_and_screen(raw, shown):
    assert id_text(raw) == shown
    assert id_text(shown) == shown  # so that ids of other files join, escaped or not


def test_number_ids_become_whole_text(tmp_path):
    path = save(tmp_path / "a.gpkg", map(field, range(3)), [10, 9, 2**40])
    assert read_parcels(path, "field_id", UTM, Problems()).ids == ("10", "9", "1099511627776")
    path = save(tmp_path / "b.gpkg", map(field, range(2)), [1e3, 2.5])
    assert read_parcels(path, "field_id", UTM, Problems()).ids == ("1000", "2.5")


def test_ids_given_twice_name_both_rows(tmp_path):
    problems = Problems()
    path = save(tmp_path / "a.gpkg", map(field, range(5)), ["a", "b", "a", "c", "b"])
    assert read_parcels(path, "field_id", UTM, problems) is None
    assert codes(problems) == (["E403", "E403"], [])
    assert "rows 1 and 3" in problems.faults[0].what
    assert "rows 2 and 5" in problems.faults[1].what


def test_a_row_without_an_id_is_named(tmp_path):
    problems = Problems()
    assert (
        read_parcels(save(tmp_path / "a.gpkg", map(field, range(3)), ["a", None, " "]), "field_id", UTM, problems)
        is None
    )
    assert codes(problems) == (["E409", "E409"], [])
    assert ["row 2" in problems.faults[0].what, "row 3" in problems.faults[1].what] == [True, True]


def test_a_missing_id_field_lists_the_fields_there_are(tmp_path):
    problems = Problems()
    path = save(tmp_path / "a.gpkg", [field(0)], owner=["x"])
    assert read_parcels(path, "fieldid", UTM, problems) is None
    assert codes(problems) == (["E406"], [])
    assert "field_id, owner" in problems.faults[0].what
    assert '"field_id"' in problems.faults[0].fix


def test_an_empty_file_is_nothing_to_judge(tmp_path):
    problems = Problems()
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": []}))
    assert read_parcels(path, "field_id", UTM, problems) is None
    assert codes(problems)[0] == ["E401"]
    assert UnderoakError(*problems.faults).exit_code == 5


def test_a_file_that_is_not_there_or_not_what_it_says(tmp_path):
    problems = Problems()
    (tmp_path / "b.gpkg").write_text("<OGRVRTDataSource/>")
    for name in ("a.gpkg", "b.gpkg"):
        assert read_parcels(tmp_path / name, "field_id", UTM, problems) is None
    assert codes(problems)[0] == ["E246", "E420"]


def test_rows_without_ground_are_kept_without_a_shape(tmp_path):
    problems = Problems()
    rows = [
        {"type": "Polygon", "coordinates": [[[2, 42], [2.001, 42], [2.001, 42.001], [2, 42]]]},
        None,
        {"type": "Point", "coordinates": [2, 42]},
        {"type": "Polygon", "coordinates": []},
    ]
    features = [{"type": "Feature", "properties": {"field_id": str(i)}, "geometry": g} for i, g in enumerate(rows)]
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    parcels = read_parcels(path, "field_id", UTM, problems)
    assert parcels.ids == ("0", "1", "2", "3")
    assert [shape is None for shape in parcels.shapes] == [False, True, True, True]
    assert np.isnan(parcels.area_ha).tolist() == [False, True, True, True]
    assert "Point" in parcels.notes[2]
    assert codes(problems) == ([], ["W407"])
    assert parcels.on(Grid.north_up(UTM, 4e5, 4.7e6, 30.0, 9, 9)).polygons == 4


def test_a_slip_of_the_pen_is_mended_and_told(tmp_path):
    problems = Problems()
    x, y = 4e5, 4.6e6
    slip = Polygon([(x, y), (x + 100, y), (x + 100, y + 100), (x, y + 100), (x - 0.1, y + 99.9), (x + 0.1, y + 100.1)])
    assert not slip.is_valid
    parcels = read_parcels(save(tmp_path / "a.gpkg", [slip]), "field_id", UTM, problems)
    assert codes(problems) == ([], ["W402"])
    assert parcels.shapes[0].is_valid
    assert parcels.shapes[0].area == pytest.approx(10_000.0, rel=1e-3)
    assert "repaired" in parcels.notes[0]


def test_a_bow_tie_is_asked_about(tmp_path):
    problems = Problems()
    x, y = 4e5, 4.6e6
    bow_tie = Polygon([(x, y), (x + 100, y + 100), (x + 100, y), (x, y + 100)])
    assert read_parcels(save(tmp_path / "a.gpkg", [field(5), bow_tie]), "field_id", UTM, problems) is None
    assert codes(problems) == (["E402"], [])
    assert "row 2" in problems.faults[0].what


def test_heights_are_left_out(tmp_path):
    problems = Problems()
    parcels = read_parcels(save(tmp_path / "a.gpkg", [shapely.force_3d(field(0), 12.0)]), "field_id", UTM, problems)
    assert not shapely.has_z(parcels.shapes).any()
    assert codes(problems) == ([], ["W406"])


def test_several_parts_are_one_parcel_and_a_hole_is_no_ground(tmp_path):
    two = MultiPolygon([field(0), field(1)])
    donut = field(4).difference(box(4e5 + 820, 4.6e6 + 20, 4e5 + 860, 4.6e6 + 60))
    parcels = read_parcels(save(tmp_path / "a.gpkg", [two, donut]), "field_id", UTM, Problems())
    assert len(parcels) == 2
    grid = Grid.north_up(UTM, 4e5, 4.6e6 + 100, 20.0, 5, 50)
    cells = [coverage(parcels.on(grid).pick(i), grid.window).sum() for i in range(2)]
    assert cells == [50.0, 21.0]


def test_a_file_of_several_layers_asks_which(tmp_path):
    path = tmp_path / "a.gpkg"
    for layer in ("north", "south"):
        gpd.GeoDataFrame({"field_id": [layer]}, geometry=[field(0)], crs=UTM).to_file(path, layer=layer)
    problems = Problems()
    assert read_parcels(path, "field_id", UTM, problems) is None
    assert "north" in problems.faults[0].fix
    assert read_parcels(path, "field_id", UTM, Problems(), features="south").ids == ("south",)


def test_a_file_without_a_crs_is_refused(tmp_path):
    problems = Problems()
    with pytest.warns(UserWarning, match="crs"):
        path = save(tmp_path / "a.shp", [field(0)], crs=None)
    assert read_parcels(path, "field_id", UTM, problems) is None
    assert len(problems.faults) == 1
    assert "coordinate reference system" in problems.faults[0].what


def test_swapped_degrees_are_noticed(tmp_path):
    problems = Problems()
    path = tmp_path / "a.geojson"
    ring = [[42.0, 120.0], [42.0, 120.001], [42.001, 120.0], [42.0, 120.0]]
    feature = {"type": "Feature", "properties": {"id": 1}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    assert read_parcels(path, "id", UTM, problems) is None
    assert codes(problems)[0] == ["E203"]


def test_a_collection_is_not_taken_for_a_parcel_silently(tmp_path):
    problems = Problems()
    mixed = GeometryCollection([field(0), Point(4e5, 4.6e6)])
    parcels = read_parcels(save(tmp_path / "a.gpkg", [field(1), mixed]), "field_id", UTM, problems)
    assert parcels.shapes[1] is None
    assert "GeometryCollection" in parcels.notes[1]
    assert codes(problems) == ([], ["W407"])


def test_the_share_that_others_cover_is_that_of_their_union():
    from shapely import box

    from underoak.places.geometry.parcel_shapes import Parcels, overlap_shares

    side = float(np.random.default_rng(9).uniform(50, 400))
    shapes = [
        box(0, 0, side, side),  # half under the second, and the third lies in that half
        box(side / 2, 0, 2 * side, side),
        box(0.6 * side, 0, 0.8 * side, side),
        box(-side, 0, 0, side),  # touches the first
        None,
    ]
    array = np.array([*shapes, None], object)[:-1]
    parcels = Parcels(tuple("abcde"), array, "EPSG:25831", np.ones(5), ("",) * 5)
    np.testing.assert_allclose(overlap_shares(parcels), [0.5, 1 / 3, 1.0, 0.0, 0.0], atol=1e-9)
    apart = Parcels(tuple("ab"), array[[0, 3]], "EPSG:25831", np.ones(2), ("",) * 2)
    assert overlap_shares(apart).tolist() == [0.0, 0.0]
    assert overlap_shares(Parcels((), array[:0], "EPSG:25831", np.ones(0), ())).tolist() == []
