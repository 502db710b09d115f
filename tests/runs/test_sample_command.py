"""`underoak sample`: points of a run's parcel as files, and the request to the laboratory."""

import re
from xml.etree import ElementTree

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner

import underoak as uo
from underoak.cli import main

from noise import LEFT, TOP, noise_country, write_shapes

GPX = "{http://www.topografix.com/GPX/1/1}"
ODD = '<&"\x1b>/../é'
WPT_ORDER = ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "fix"]


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sampled")
    plan = noise_country(folder, 300, 320)
    right, bottom = LEFT + 9600, TOP - 9000
    plan["region"] = {"bounds": [LEFT, bottom, right, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    plan["constraints"] = []
    x, y = LEFT + 4800, TOP - 4500
    far = shapely.box(right + 5000, y, right + 5200, y + 100)
    shapes = [shapely.box(x, y, x + 200, y + 100), shapely.box(x, y + 500, x + 200, y + 600), None, far]
    write_shapes(folder / "few.gpkg", shapes, "EPSG:25831", name=["f1", ODD, "bare", "far"])
    plan["parcels"], plan["zones"] = {"file": "few.gpkg", "id": "name"}, {"at_least": "S3"}
    return uo.run(uo.load_plan(plan, base=folder), out=folder / "out")


def sample(*args):
    return CliRunner().invoke(main, ["sample", *map(str, args)])


def test_files_lie_beside_the_run_and_hold_the_same_points(done, tmp_path):
    told = sample(done.folder, "--parcel", "f1", "-n", 4)
    assert told.exit_code == 0, told.stderr
    beside = done.folder.parent / "out-sampling" / "f1"
    assert sorted(p.name for p in beside.iterdir()) == ["points.csv", "points.gpkg", "points.gpx", "request.txt"]
    assert (beside / "request.txt").read_text(encoding="utf-8") == told.stdout
    table = pd.read_csv(beside / "points.csv", dtype={"parcel": str})
    drawn = gpd.read_file(beside / "points.gpkg")
    assert drawn.crs.to_epsg() == 25831
    assert drawn.geometry.x.tolist() == table["x"].tolist()
    assert drawn.to_crs(4326).geometry.y.to_numpy() == pytest.approx(table["lat"].to_numpy(), abs=1e-6)
    points = ElementTree.parse(beside / "points.gpx").getroot().findall(f"{GPX}wpt")
    assert [float(p.get("lon")) for p in points] == pytest.approx(table["lon"].tolist(), abs=1e-6)
    assert table["name"].tolist() == ["f1-1", "f1-2", "f1-3", "f1-4"]
    assert "Next:" in told.stderr
    assert str(beside / "points.gpx") in told.stderr


def test_a_zone_is_sampled_as_a_parcel_is(done, tmp_path):
    told = sample(done.folder, "--zone", 1, "-n", 4, "--out", tmp_path)
    assert told.exit_code == 0, told.stderr
    zone = done.zones.iloc[0]
    assert f"Soil of zone {zone['id']}, " in told.stdout
    assert "save the outline of this zone from zones.gpkg as a parcel" in " ".join(told.stdout.split())
    points = gpd.read_file(tmp_path / "points.gpkg")
    assert points.within(zone.geometry).all()
    for words in ((), ("--zone", 1, "--parcel", "f1")):
        assert sample(done.folder, *words).exit_code == 2


def test_without_a_number_the_points_are_those_of_the_field_sheet(done, tmp_path):
    assert sample(done.folder, "--parcel", "f1", "--out", tmp_path).exit_code == 0
    table = pd.read_csv(tmp_path / "points.csv")
    sheet = CliRunner().invoke(main, ["explain", str(done.folder), "--parcel", "f1", "--field-sheet"]).stdout
    listed = re.findall(r"^ +f1-\d+ +(\S+) +(\S+) +bag", sheet, re.MULTILINE)
    assert [float(lat) for lat, _ in listed] == pytest.approx(table["lat"].tolist(), abs=1e-6)
    assert len(listed) == 3  # one for each hectare, three at least
    assert done.sample("f1", 2).x.tolist() == done.sample("f1").x[:2].tolist()


def test_a_field_sheet_of_a_parcel_off_the_map_is_refused(done):
    told = CliRunner().invoke(main, ["explain", str(done.folder), "--parcel", "far", "--field-sheet"])
    assert told.exit_code == 5
    assert "E421" in told.stderr
    assert "widen the region, or take it off the list" in told.stderr


def test_nothing_is_written_over(done, tmp_path):
    assert sample(done.folder, "--parcel", "f1", "-n", 1, "--out", tmp_path).exit_code == 0
    before = {p: p.read_bytes() for p in tmp_path.iterdir()}
    again = sample(done.folder, "--parcel", "f1", "-n", 2, "--out", tmp_path)
    assert again.exit_code == 3
    assert again.stderr.count("E306") == 4
    assert {p: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_the_same_question_gives_the_same_bytes(done, tmp_path):
    for name in ("a", "b"):
        assert sample(done.folder, "--parcel", "f1", "-n", 3, "--out", tmp_path / name).exit_code == 0
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_the_points_file_keeps_to_the_structure_of_gpx(done, tmp_path):
    """GPX 1.1's schema, from memory: metadata before waypoints, a waypoint's elements in one order."""
    assert sample(done.folder, "--parcel", ODD, "-n", 2, "--out", tmp_path).exit_code == 0
    root = ElementTree.parse(tmp_path / "points.gpx").getroot()
    assert root.tag == f"{GPX}gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator")
    assert [child.tag.removeprefix(GPX) for child in root] == ["metadata", "wpt", "wpt"]
    for point in root.findall(f"{GPX}wpt"):
        assert set(point.attrib) == {"lat", "lon"}
        assert -90 <= float(point.get("lat")) <= 90
        order = [WPT_ORDER.index(child.tag.removeprefix(GPX)) for child in point]
        assert order == sorted(set(order))
        assert point.find(f"{GPX}sym") is None  # names of symbols are those of one maker
        assert point.find(f"{GPX}name").text.startswith('<&"\\x1b>/../é-')


def test_an_odd_id_stays_inside_its_folder(done):
    assert sample(done.folder, "--parcel", ODD, "-n", 1).exit_code == 0
    assert "\x1b" not in sample(done.folder, "--parcel", ODD, "-n", 1, "--out", done.folder.parent / "odd").stdout
    (made,) = [p for p in (done.folder.parent / "out-sampling").iterdir() if p.name != "f1"]
    assert re.fullmatch(r"[A-Za-z0-9_-]+", made.name)
    assert len(list(made.iterdir())) == 4


def test_what_cannot_be_sampled_is_told_with_its_mend(done, tmp_path):
    for args, code, exit_code in (
        (("--parcel", "bare", "-n", 1), "E440", 4),
        (("--parcel", "f1", "-n", 200, "--spacing", "50m"), "E441", 4),
        (("--parcel", "f9", "-n", 1), "E604", 6),
        (("--zone", "999", "-n", 1), "E604", 6),
        (("--parcel", "far", "-n", 1), 'E421 parcel "far": lies outside the region', 5),
    ):
        told = sample(done.folder, *args, "--out", tmp_path / "none")
        assert told.exit_code == exit_code
        assert code in told.stderr
        assert "Fix:" in told.stderr
    assert sample(tmp_path, "--parcel", "f1", "-n", 1).exit_code == 6
    for bad in (("-n", 0), ("-n", 1, "--range", "0m"), ("-n", 1, "--range", "far"), ("-n", 1, "--setback", "-3m")):
        assert sample(done.folder, "--parcel", "f1", *bad).exit_code == 2, bad
    assert not (tmp_path / "none").exists()


def test_the_request_says_what_a_lab_and_a_spade_need(done):
    text = uo.Run.open(done.folder).sample("f1", 5)
    from underoak.report import lab_request

    said = lab_request(text)
    for words in ("pH in water", "CaCl2", "active carbonate", "texture", "cation exchange", "0 to 30 cm", "30 to 60 cm",
                  "W some 20 m", "20 or more", "before lime", "acid", "goggles", "not advice"):  # fmt: skip
        assert words in " ".join(said.split()), words
    assert max(map(len, said.splitlines())) <= 100


def test_old_vineyards_and_orchards_are_tested_for_what_was_sprayed(done):
    """Copper: Wightwick et al. 2008, J. Agric. Food Chem. 56:2457, abstract; arsenic: Wisconsin health department."""
    from underoak.report import lab_request

    said = " ".join(lab_request(uo.Run.open(done.folder).sample("f1", 2)).split())
    part = said.split("On former vineyards and orchards")[1].split("When -")[0]
    for words in ("copper", "arsenic", "vineyard", "orchard", "Why:", "Wightwick", "Lead arsenate", "no limit is given",
                  "local codes", "licensed professional", "gloves"):  # fmt: skip
        assert words in part, words


def test_the_lines_for_results_are_those_the_lab_file_takes(done):
    import csv

    from underoak.places.lab.results import COLUMNS
    from underoak.report import lab_request

    said = lab_request(uo.Run.open(done.folder).sample(ODD, 1)).split("When the results come")[1].splitlines()
    columns, example = csv.reader(line.strip() for line in said if "soil_ph" in line or "parcel,property" in line)
    assert set(COLUMNS.needed) <= set(columns) <= set(COLUMNS.known)
    assert len(example) == len(columns)
