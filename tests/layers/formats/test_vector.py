from __future__ import annotations

import os
import random
import sqlite3
import warnings

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from shapely import LineString, Point, Polygon, box, from_wkt
from shapely.geometry import MultiPolygon

from underoak.base.errors import Problems, UnderoakError
from underoak.layers.formats.vector import NOTE, read_features, vector_files

UTM = "EPSG:25831"
SQUARE = box(400_000, 4_600_000, 401_000, 4_601_000)


def write(path, geometries, crs=UTM, layer=None, **columns):
    frame = gpd.GeoDataFrame(columns or {"n": range(len(geometries))}, geometry=list(geometries), crs=crs)
    with warnings.catch_warnings(action="ignore"):  # a file without a CRS is meant
        pyogrio.write_dataframe(frame, path, layer=layer)
    return path


def read(path, features=None, to_crs=UTM, **options):
    problems = Problems()
    return read_features(path, features, to_crs, problems=problems, where="region.area", **options), problems


def codes(problems):
    return [f.code for f in (*problems.faults, *problems.warnings)]


def refused(path, features=None, to_crs=UTM, **options):
    with pytest.raises(UnderoakError) as caught:
        read(path, features, to_crs, **options)
    fault = caught.value.faults[0]
    assert fault.where == "region.area"
    assert fault.fix
    return fault


@pytest.mark.parametrize("name", ["a.gpkg", "a.shp", "a.geojson"])
def test_the_three_formats_give_the_same_shapes_in_the_analysis_crs(tmp_path, name):
    crs = "EPSG:4326" if name.endswith("json") else UTM
    source = gpd.GeoSeries([SQUARE], crs=UTM).to_crs(crs)
    write(tmp_path / name, source, crs, id=["007"])
    frame, problems = read(tmp_path / name)
    assert not codes(problems)
    assert frame.crs == UTM
    assert frame.index.tolist() == [1]
    assert frame["id"].tolist() == ["007"]
    assert frame[NOTE].tolist() == [""]
    np.testing.assert_allclose(frame.total_bounds, SQUARE.bounds, atol=1e-3)


def test_x_is_longitude_whatever_the_crs_puts_first(tmp_path):
    write(tmp_path / "a.gpkg", [box(2, 42, 2.01, 42.01)], "EPSG:4326")
    frame, _ = read(tmp_path / "a.gpkg")
    left, bottom, *_ = frame.total_bounds
    assert 400_000 < left < 430_000
    assert 4_640_000 < bottom < 4_660_000


def test_a_long_edge_stays_where_it_was_drawn(tmp_path):
    # the parallel of 60 degrees is far from a straight line in an equal-area projection
    write(tmp_path / "a.gpkg", [box(-10, 50, 30, 60)], "EPSG:4326")
    frame, _ = read(tmp_path / "a.gpkg", to_crs="EPSG:3035")
    on_top = gpd.GeoSeries([Point(9.97, 59.9999)], crs="EPSG:4326").to_crs("EPSG:3035").iloc[0]
    above = gpd.GeoSeries([Point(9.97, 60.0001)], crs="EPSG:4326").to_crs("EPSG:3035").iloc[0]
    assert frame.geometry.iloc[0].contains(on_top)
    assert not frame.geometry.iloc[0].contains(above)


def test_a_datum_shift_is_made(tmp_path):
    write(tmp_path / "a.gpkg", [box(-80, 35, -79.9, 35.1)], "EPSG:4267")
    frame, _ = read(tmp_path / "a.gpkg", to_crs="EPSG:26917")
    naive = gpd.GeoSeries([box(-80, 35, -79.9, 35.1)], crs="EPSG:4269").to_crs("EPSG:26917").total_bounds
    assert 5 < np.abs(frame.total_bounds - naive).max() < 300


def test_the_file_is_not_touched(tmp_path):
    path = write(tmp_path / "a.gpkg", [SQUARE])
    before = path.read_bytes()
    os.chmod(path, 0o444)
    read(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.gpkg"]


class TestCrs:
    def test_a_missing_one_is_never_assumed(self, tmp_path):
        write(tmp_path / "a.shp", [SQUARE], None)
        assert refused(tmp_path / "a.shp").code == "E201"
        frame, _ = read(tmp_path / "a.shp", crs=UTM)
        np.testing.assert_allclose(frame.total_bounds, SQUARE.bounds)

    def test_degrees_that_cannot_be_are_refused(self, tmp_path):
        write(tmp_path / "a.gpkg", [SQUARE], "EPSG:4326")
        assert refused(tmp_path / "a.gpkg").code == "E206"

    def test_latitude_first_is_seen_and_a_swap_proposed(self, tmp_path):
        write(tmp_path / "a.gpkg", [box(42, 121, 42.1, 121.1)], "EPSG:4326")
        fault = refused(tmp_path / "a.gpkg", to_crs="EPSG:32651")
        assert fault.code == "E203"
        assert "swap" in fault.fix


class TestLayers:
    def test_a_missing_layer_names_those_that_are_there(self, tmp_path):
        write(tmp_path / "a.gpkg", [SQUARE], layer="outline")
        write(tmp_path / "a.gpkg", [SQUARE], layer="fields")
        fault = refused(tmp_path / "a.gpkg", "outlin")
        assert fault.code == "E405"
        assert '"outline"' in fault.fix
        assert "fields" in fault.fix
        assert refused(tmp_path / "a.gpkg").code == "E405"
        frame, _ = read(tmp_path / "a.gpkg", "fields")
        assert len(frame) == 1

    def test_an_empty_layer_is_nothing_to_judge(self, tmp_path):
        write(tmp_path / "a.gpkg", [])
        fault = refused(tmp_path / "a.gpkg")
        assert (fault.code, fault.exit_code) == ("E401", 5)

    def test_a_layer_without_polygons_is_nothing_to_judge(self, tmp_path):
        write(tmp_path / "a.gpkg", [Point(400_000, 4_600_000)])
        assert refused(tmp_path / "a.gpkg").code == "E401"


class TestRows:
    MIXED = (SQUARE, None, Point(4e5, 4.6e6), LineString([(4e5, 4.6e6), (4.1e5, 4.6e6)]), Polygon(), SQUARE)

    def test_rows_without_a_polygon_are_left_out_and_told(self, tmp_path):
        write(tmp_path / "a.gpkg", self.MIXED)
        frame, problems = read(tmp_path / "a.gpkg")
        assert frame.index.tolist() == [1, 6]
        assert codes(problems) == ["W407"]
        assert "4 of 6 rows" in problems.warnings[0].what
        assert "2, 3, 4, 5" in problems.warnings[0].what

    def test_or_kept_without_a_shape(self, tmp_path):
        write(tmp_path / "a.gpkg", self.MIXED)
        frame, _ = read(tmp_path / "a.gpkg", keep_all=True)
        assert frame.index.tolist() == [1, 2, 3, 4, 5, 6]
        assert frame.geometry.isna().tolist() == [False, True, True, True, True, False]
        assert frame[NOTE].tolist() == [
            "",
            "no shape",
            "a Point, no polygon",
            "a LineString, no polygon",
            "no shape",
            "",
        ]
        assert frame["n"].tolist() == list(range(6))

    def test_heights_are_left_out_and_told(self, tmp_path):
        write(tmp_path / "a.gpkg", [from_wkt("POLYGON Z ((4e5 4.6e6 9, 4.1e5 4.6e6 9, 4.1e5 4.61e6 9, 4e5 4.6e6 9))")])
        frame, problems = read(tmp_path / "a.gpkg")
        assert codes(problems) == ["W406"]
        assert not frame.geometry.has_z.any()

    def test_parts_and_holes_stay(self, tmp_path):
        donut = SQUARE.difference(box(400_200, 4_600_200, 400_400, 4_600_400))
        both = MultiPolygon([donut, box(402_000, 4_600_000, 402_100, 4_600_100)])
        write(tmp_path / "a.gpkg", [both])
        frame, problems = read(tmp_path / "a.gpkg")
        assert not codes(problems)
        assert frame.geometry.iloc[0].equals(both)

    def test_a_bow_tie_is_repaired_and_refused_for_its_change_of_area(self, tmp_path):
        tie = Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
        write(tmp_path / "a.gpkg", [SQUARE, tie])
        frame, problems = read(tmp_path / "a.gpkg")
        assert codes(problems) == ["E402"]
        assert "row 2" in problems.faults[0].what
        assert frame.geometry.is_valid.all()

    def test_an_outline_that_touches_itself_is_repaired_and_told(self, tmp_path):
        # a ring that runs along its own edge into a hole
        ring = Polygon([(0, 0), (100, 0), (100, 100), (50, 100), (75, 50), (25, 50), (50, 100), (0, 100)])
        assert not ring.is_valid
        write(tmp_path / "a.gpkg", [ring])
        frame, problems = read(tmp_path / "a.gpkg")
        assert codes(problems) == ["W402"]
        assert "area changed by 0 %" in frame[NOTE].iloc[0]
        assert frame.geometry.iloc[0].is_valid
        assert frame.geometry.iloc[0].area == pytest.approx(ring.area)

    def test_shapes_on_ground_the_crs_cannot_hold_are_told(self, tmp_path):
        write(tmp_path / "a.gpkg", [box(2, 42, 3, 43), box(100, -1, 101, 1)], "EPSG:4326")
        frame, problems = read(tmp_path / "a.gpkg", to_crs="+proj=gnom +lat_0=42 +lon_0=2 +datum=WGS84 +type=crs")
        assert frame.index.tolist() == [1]
        assert codes(problems) == ["W407"]
        write(tmp_path / "b.gpkg", [box(2, 42, 150, 43)], "EPSG:4326")
        fault = refused(tmp_path / "b.gpkg", to_crs="+proj=gnom +lat_0=42 +lon_0=2 +datum=WGS84 +type=crs")
        assert fault.code == "E408"

    def test_too_many_points_are_refused(self, tmp_path):
        write(tmp_path / "a.gpkg", [SQUARE])
        assert refused(tmp_path / "a.gpkg", max_points=4).code == "E510"


class TestUntrusted:
    @pytest.mark.parametrize(
        ("name", "data"),
        [
            ("a.gpkg", b"no database"),
            ("a.geojson", b"<html>"),
            ("a.shp", b"x" * 200),
            ("a.gpkg", b"SQLite format 3\0" + b"x" * 500),
        ],
    )
    def test_other_bytes_are_told(self, tmp_path, name, data, capfd):
        (tmp_path / name).write_bytes(data)
        assert refused(tmp_path / name).code == "E420"
        assert capfd.readouterr().err == ""

    def test_a_file_cut_short_is_told(self, tmp_path):
        path = write(tmp_path / "a.gpkg", [SQUARE] * 500)
        path.write_bytes(path.read_bytes()[:40_000])
        assert refused(path).code == "E420"

    def test_a_json_that_holds_no_shapes_is_told(self, tmp_path):
        (tmp_path / "a.geojson").write_text('{"type": "Topology"}')
        assert refused(tmp_path / "a.geojson").code == "E420"

    def test_another_format_is_told(self, tmp_path):
        (tmp_path / "a.kml").write_text("<kml/>")
        assert refused(tmp_path / "a.kml").code == "E247"

    def test_a_view_is_refused_since_reading_it_would_run_it(self, tmp_path):
        path = write(tmp_path / "a.gpkg", [SQUARE], layer="true")
        with sqlite3.connect(path) as base:
            base.execute("CREATE VIEW evil AS SELECT fid, geom FROM true")
            base.execute(
                "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
                "SELECT 'evil', 'features', 'evil', srs_id FROM gpkg_contents"
            )
            base.execute(
                "INSERT INTO gpkg_geometry_columns SELECT 'evil', column_name, geometry_type_name, srs_id, z, m "
                "FROM gpkg_geometry_columns"
            )
        base.close()
        fault = refused(path, "evil")
        assert fault.code == "E420"
        assert "view" in fault.what

    def test_a_trigger_in_the_file_does_not_run(self, tmp_path):
        path = write(tmp_path / "a.gpkg", [SQUARE], layer="fields")
        with sqlite3.connect(path) as base:
            base.execute("CREATE TABLE witness (n)")
            base.execute("CREATE TRIGGER evil AFTER UPDATE ON gpkg_contents BEGIN INSERT INTO witness VALUES (1); END")
        base.close()
        before = path.read_bytes()
        assert len(read(path)[0]) == 1
        assert path.read_bytes() == before

    @pytest.mark.parametrize("name", ["gone.gpkg", "pipe.gpkg"])
    def test_a_missing_file_and_a_pipe_are_told(self, tmp_path, name):
        os.mkfifo(tmp_path / "pipe.gpkg")
        assert refused(tmp_path / name).code == {"gone.gpkg": "E246", "pipe.gpkg": "E245"}[name]

    def test_an_address_is_not_followed(self):
        assert refused("http://127.0.0.1:9/a.gpkg").code == "E242"
        assert refused("/vsicurl/http://127.0.0.1:9/a.gpkg").code == "E242"


def test_every_file_of_a_shapefile_is_known(tmp_path):
    write(tmp_path / "a.shp", [SQUARE])
    assert {os.path.basename(f) for f in vector_files(tmp_path / "a.shp")} == {
        "a.shp",
        "a.shx",
        "a.dbf",
        "a.prj",
        "a.cpg",
    }
    write(tmp_path / "b.gpkg", [SQUARE])
    assert vector_files(tmp_path / "b.gpkg") == (str(tmp_path / "b.gpkg"),)


@pytest.mark.parametrize("far", [3e8, -1e12, 1e300])
def test_a_shape_that_no_projection_can_place_on_earth_is_refused_with_its_row(tmp_path, far):
    write(tmp_path / "a.gpkg", [SQUARE, box(far, 4_600_000, far + 1000, 4_601_000)])
    fault = refused(tmp_path / "a.gpkg")
    assert fault.code == "E206"
    assert "row 2 of a.gpkg cannot be on Earth" in fault.what


@pytest.mark.parametrize("kind", ["gpkg", "geojson", "shp"])
def test_a_damaged_file_gives_shapes_or_faults_and_nothing_else(tmp_path, kind):
    rng = random.Random(kind)
    hole = Polygon(SQUARE.exterior, [box(400_100, 4_600_100, 400_200, 4_600_200).exterior])
    shapes = gpd.GeoSeries([SQUARE, hole, MultiPolygon([SQUARE, box(402_000, 4_600_000, 403_000, 4_601_000)])], crs=UTM)
    crs = "EPSG:4326" if kind == "geojson" else UTM
    path = write(tmp_path / f"a.{kind}", shapes.to_crs(crs), crs, id=["a", "b", "c"])
    good, codes = path.read_bytes(), set()
    for _ in range(150):
        data = bytearray(good)
        for _ in range(rng.choice([1, 2, 5, 20])):
            data[rng.randrange(len(data))] = rng.choice([0, 1, 127, 255, rng.randrange(256)])
        path.write_bytes(data[: rng.randrange(len(data))] if rng.random() < 0.1 else data)
        try:
            frame, problems = read(path, keep_all=True)
            assert len(frame)
            codes.update(fault.code for fault in problems.faults)
            codes.add("read")
        except UnderoakError as error:
            codes.update(fault.code for fault in error.faults)
    assert {"E420", "read"} <= codes <= {"E201", "E202", "E203", "E206", "E401", "E402", "E405", "E408", "E420", "read"}


BROKEN = [
    ('"geometry": null', "W407"),
    ('"geometry": {"type": "Polygon", "coordinates": []}', "W407"),
    ('"geometry": {"type": "Polygon", "coordinates": [[[2.1, 42.1]]]}', "W407"),
    ('"geometry": {"type": "Polygon", "coordinates": [[[2.1, 42.1], [2.1, 42.1], [2.1, 42.1], [2.1, 42.1]]]}', "W407"),
    ('"geometry": {"type": "LineString", "coordinates": [[2.1, 42.1], [2.2, 42.1]]}', "W407"),
    ('"geometry": {"type": "GeometryCollection", "geometries": []}', "W407"),
    (
        '"geometry": {"type": "Polygon", "coordinates": [[[2, 42, 9], [2.1, 42, 9], [2.1, 42.1, 9], [2, 42, 9]]]}',
        "W406",
    ),
]


@pytest.mark.parametrize(("geometry", "code"), BROKEN)
def test_a_broken_row_keeps_its_place_and_the_others_go_on(tmp_path, geometry, code):
    whole = '{"type": "Polygon", "coordinates": [[[2, 42], [2.1, 42], [2.1, 42.1], [2, 42]]]}'
    rows = [f'"geometry": {whole}', geometry, f'"geometry": {whole}']
    features = ", ".join(
        f'{{"type": "Feature", "properties": {{"id": "{n}"}}, {row}}}' for n, row in enumerate(rows, start=1)
    )
    (tmp_path / "a.geojson").write_text(f'{{"type": "FeatureCollection", "features": [{features}]}}')
    frame, problems = read(tmp_path / "a.geojson", keep_all=True)
    assert frame["id"].tolist() == ["1", "2", "3"]
    assert code in codes(problems)
    assert not problems.faults
    assert frame.geometry.isna().tolist() == [False, code == "W407", False]


class TestRoundTheEarth:
    FIJI = "EPSG:3460"

    def shapes(self, tmp_path, *shapes):
        frame = gpd.GeoDataFrame({"n": range(len(shapes))}, geometry=list(shapes), crs="EPSG:4326")
        frame.to_file(tmp_path / "fields.gpkg", engine="pyogrio")
        return read_features(
            tmp_path / "fields.gpkg", None, self.FIJI, problems=(problems := Problems()), where="x", keep_all=True
        ), problems

    def test_a_shape_across_the_antimeridian_that_is_not_split_is_left_out_and_told(self, tmp_path):
        unsplit = Polygon([(179.95, -17), (-179.95, -17), (-179.95, -16.9), (179.95, -16.9)])
        table, problems = self.shapes(tmp_path, box(179.0, -17, 179.1, -16.9), unsplit)
        assert table.geometry.isna().tolist() == [False, True]
        (warning,) = problems.warnings
        assert warning.code == "W407"
        assert "crosses the antimeridian and is not split there): row 2" in warning.what

    def test_one_that_is_split_or_goes_on_beyond_180_keeps_its_area(self, tmp_path):
        beyond = box(179.95, -17, 180.05, -16.9)
        split = MultiPolygon([box(179.95, -17, 180, -16.9), box(-180, -17, -179.95, -16.9)])
        table, problems = self.shapes(tmp_path, beyond, split)
        assert not problems.warnings
        first, second = table.geometry.area
        assert abs(first - second) < 1e-3 * first

    def test_a_shape_of_the_whole_earth_is_left_out_and_told(self, tmp_path):
        _, problems = self.shapes(tmp_path, box(-180, -90, 180, 90), box(179.0, -17, 179.1, -16.9))
        assert "covers the whole Earth" in problems.warnings[0].what

    def test_a_continent_that_spans_more_than_half_the_earth_stays(self, tmp_path):
        points = [(lon, -17.0) for lon in range(-100, 101, 10)] + [(lon, -16.0) for lon in range(100, -101, -10)]
        table, _ = self.shapes(tmp_path, Polygon(points))
        assert not table.geometry.isna().any()


def test_a_datum_without_a_known_shift_is_told(tmp_path):
    crs = "+proj=tmerc +lat_0=41 +lon_0=2.7 +ellps=intl +units=m"
    frame = gpd.GeoDataFrame(geometry=[box(0, 0, 900, 900)], crs=crs)
    frame.to_file(tmp_path / "fields.gpkg", engine="pyogrio")
    problems = Problems()
    read_features(tmp_path / "fields.gpkg", None, "EPSG:25831", problems=problems, where="x")
    assert [fault.code for fault in problems.warnings] == ["W208"]
