"""Names with escape, direction and C1 characters: no screen and no text file shows them raw."""

import json
import os
import shutil
import sys
import unicodedata

import geopandas as gpd
import pytest
import rasterio
from click.testing import CliRunner

from underoak.base.json_text import json_text
from underoak.cli import main

from noise import small_country

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems allow no such names")

ODD = "\x1b]0;x\x07\u202e\u2066\x9b"  # sets a window's title, turns text round, starts a command
MOSAIC = """<VRTDataset rasterXSize="{0.width}" rasterYSize="{0.height}"><SRS>EPSG:25831</SRS>
<GeoTransform>{1}</GeoTransform><VRTRasterBand dataType="Byte" band="1"><NoDataValue>0</NoDataValue><SimpleSource>
<SourceFilename relativeToVRT="1">{2}</SourceFilename><SourceBand>1</SourceBand>
<SrcRect xOff="0" yOff="0" xSize="{0.width}" ySize="{0.height}"/>
<DstRect xOff="0" yOff="0" xSize="{0.width}" ySize="{0.height}"/></SimpleSource></VRTRasterBand></VRTDataset>"""


def raw(text):
    """The characters of a text that a terminal would obey."""
    return {c for c in text if not c.isprintable() and c not in "\n\t\r" and unicodedata.category(c) != "Zs"}


def said(*arguments):
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exit_code != 1, result.output
    assert raw(result.stdout) == set()
    assert raw(result.stderr) == set()
    return result


@pytest.fixture(scope="module")
def odd_run(tmp_path_factory):
    """A run whose plan, folder, log, parcel and source of a mosaic have such names."""
    top = tmp_path_factory.mktemp("odd")
    land = top / f"land{ODD}"
    land.mkdir()
    plan = small_country(land)
    source = f"cover{ODD[-3:]}.tif"  # the others are no XML
    shutil.move(land / "cover.tif", land / source)
    with rasterio.open(land / source) as cover:
        place = ", ".join(map(repr, cover.transform.to_gdal()))
        (land / "cover.vrt").write_text(MOSAIC.format(cover, place, source), encoding="utf-8")
    plan["layers"]["cover"]["file"] = "cover.vrt"
    fields = gpd.read_file(land / "fields.gpkg")
    fields["name"] = fields["name"].replace({"f07": f"f07{ODD}"})
    fields.to_file(land / "fields.gpkg", engine="pyogrio")
    path = land / f"plan{ODD}.yaml"
    path.write_text(json.dumps(plan), encoding="utf-8")
    out = top / f"run{ODD}"
    said("run", path, "--out", out, "--log-json", top / "log.jsonl", "--progress", "plain")
    return path, out, top


def test_every_command_escapes_them(odd_run):
    path, out, top = odd_run
    assert "plan\\x1b]0" in said("check", path).stdout
    assert "run\\x1b]0" in said("run", path, "--out", out, "--resume").stderr
    id = "f07" + ODD.encode("unicode_escape").decode()
    said("explain", out, "--parcel", id)
    said("explain", out, "--parcel", f"none{ODD}")
    said("explain", out, "--parcel", id, "--field-sheet")
    said("sample", out, "--parcel", id, "--out", top / f"points{ODD}")
    said("compare", out, out)
    said("verify", out)
    said("new", top / f"new{ODD}", "--for", "buy")
    said("species", f"tuber{ODD}")
    said("judge", "all", f"ph=7{ODD}")
    said("check", path.parent / f"none{ODD}.yaml")
    said("run", path, "--out", out, "--log-json", top / f"none{ODD}" / "log")
    for command in (["compare", out, out], ["verify", out]):
        text = said(*command, "--json", "-").stdout
        assert str(out) in {json.loads(text).get("folder"), (json.loads(text).get("first") or {}).get("folder")}


def test_no_text_file_has_them(odd_run):
    _, out, top = odd_run
    files = [path for folder in (out, top / f"points{ODD}") for path in folder.rglob("*")]
    texts = [
        top / "log.jsonl",
        *(path for path in files if path.suffix in (".json", ".html", ".csv", ".sld", ".gpx", ".txt")),
    ]
    assert len(texts) > 5
    assert {path.name: raw(path.read_text(encoding="utf-8")) for path in texts} == {path.name: set() for path in texts}
    inputs = [file["path"] for file in json.loads((out / "run.json").read_text(encoding="utf-8"))["inputs"]]
    assert any(name.endswith(f"cover{ODD[-3:]}.tif") for name in inputs)  # the name itself is as it was


def test_a_name_in_another_encoding_is_no_bug(odd_run, tmp_path):
    path = odd_run[0]
    copied = os.fsdecode(os.fsencode(path.parent) + b"/caf\xe9.yaml")
    shutil.copy(path, copied)
    assert said("run", copied, "--out", tmp_path / "out").exit_code == 0
    assert "caf\\udce9.yaml" in (tmp_path / "out" / "run.json").read_text(encoding="utf-8")


@pytest.mark.parametrize("title", ["Forêt\u202f: chênes", "أرض", "山地", "a\u00a0b"])
def test_letters_and_blanks_of_any_language_are_no_control_characters(title):
    from pydantic import TypeAdapter

    from underoak.plan.keys.quantities import Text

    assert TypeAdapter(Text).validate_python(title) == title
    assert title in json_text({"title": title})
