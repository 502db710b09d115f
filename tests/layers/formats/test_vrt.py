from __future__ import annotations

import os
import socket
import time
from types import SimpleNamespace
from xml.sax.saxutils import escape

import numpy as np
import pytest
import rasterio

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.layers.files import Trust
from underoak.layers.formats import gdal, vrt

from layer_builders import codes, opened, whole, write_tif

VALUES = np.arange(64, dtype=np.float32).reshape(8, 8)


def mosaic(*sources: str, head: str = "", band: str = "", dataset: str = "", rect: str = "", source: str = "") -> str:
    """A mosaic of 8 x 8 cells; every source covers all of it."""
    parts = "".join(
        f'<SimpleSource{source}><SourceFilename relativeToVRT="1">{escape(name)}</SourceFilename>'
        f"<SourceBand>1</SourceBand>{rect}</SimpleSource>"
        for name in sources
    )
    return (
        f'{head}<VRTDataset rasterXSize="8" rasterYSize="8"{dataset}><SRS>EPSG:25831</SRS>'
        "<GeoTransform>400000, 30, 0, 4600000, 0, -30</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1"{band}>{parts}</VRTRasterBand></VRTDataset>'
    )


@pytest.fixture
def plan(tmp_path):
    """A plan's folder with a raster in it, and one outside."""
    folder = tmp_path / "plan"
    folder.mkdir()
    write_tif(folder / "a.tif", VALUES)
    write_tif(tmp_path / "outside.tif", VALUES)
    return folder


def test_a_plain_mosaic_reads_like_its_source_and_names_every_file(plan):
    (plan / "m.vrt").write_text(mosaic("a.tif"))
    source, problems = opened(plan, "m.vrt", unit="g/kg")
    assert not codes(problems)
    np.testing.assert_array_equal(whole(source), VALUES)
    assert source.facts.format == "VRT"
    assert source.facts.files == (str(plan / "m.vrt"), str(plan / "a.tif"))


def test_band_metadata_of_a_mosaic_holds(plan):
    text = mosaic("a.tif").replace(
        "<SimpleSource>", "<NoDataValue>5</NoDataValue><UnitType>g/kg</UnitType><Scale>10</Scale><SimpleSource>", 1
    )
    (plan / "m.vrt").write_text(text)
    source, problems = opened(plan, "m.vrt")
    assert not codes(problems)
    np.testing.assert_array_equal(whole(source)[0], [0, 10, 20, 30, 40, np.nan, 60, 70])


def test_a_nodata_that_does_not_fit_a_mosaics_type_is_told(plan):
    write_tif(plan / "b.tif", VALUES.astype(np.uint8))
    text = (
        mosaic("b.tif")
        .replace("Float32", "Byte")
        .replace("<SimpleSource>", "<NoDataValue>-1</NoDataValue><SimpleSource>")
    )
    (plan / "m.vrt").write_text(text)
    assert codes(opened(plan, "m.vrt", unit="percent")[1]) == ["W213"]


def test_mosaics_inside_a_mosaic_read_through(plan):
    (plan / "sub").mkdir()
    (plan / "sub" / "inner.vrt").write_text(mosaic("../a.tif"))
    (plan / "middle.vrt").write_text('<?xml version="1.0"?>\n<!-- made by hand -->\n' + mosaic("sub/inner.vrt"))
    (plan / "m.vrt").write_text(mosaic("middle.vrt"))
    source, problems = opened(plan, "m.vrt", unit="g/kg")
    assert not codes(problems)
    np.testing.assert_array_equal(whole(source), VALUES)
    assert {os.path.basename(f) for f in source.facts.files} == {"m.vrt", "middle.vrt", "inner.vrt", "a.tif"}


def test_names_with_odd_characters_are_sources_too(plan):
    write_tif(plan / "a&b <1>.tif", VALUES)
    (plan / "m.vrt").write_text(mosaic("a&b <1>.tif"))
    np.testing.assert_array_equal(whole(opened(plan, "m.vrt", unit="g/kg")[0]), VALUES)


PYTHON = """<PixelFunctionType>f</PixelFunctionType><PixelFunctionLanguage>Python</PixelFunctionLanguage>
<PixelFunctionCode><![CDATA[
def f(in_ar, out_ar, *args, **kwargs):
    open(%r, "w").write("ran")
]]></PixelFunctionCode>"""


@pytest.mark.parametrize("environment", [None, "YES"])
def test_code_in_a_mosaic_is_refused_and_never_runs(plan, tmp_path, monkeypatch, environment):
    if environment:
        monkeypatch.setenv("GDAL_VRT_ENABLE_PYTHON", environment)
    witness = tmp_path / "ran"
    text = mosaic("a.tif", band=' subClass="VRTDerivedRasterBand"').replace(
        "<SimpleSource>", PYTHON % str(witness) + "<SimpleSource>", 1
    )
    (plan / "m.vrt").write_text(text)
    source, problems = opened(plan, "m.vrt", unit="g/kg")
    assert source is None
    assert codes(problems) == ["E240"]
    (plan / "outer.vrt").write_text(mosaic("m.vrt"))
    assert codes(opened(plan, "outer.vrt", unit="g/kg")[1]) == ["E240"]
    assert not witness.exists()


def with_first(part: str, before: str = "<SimpleSource>") -> str:
    return mosaic("a.tif").replace(before, part + before, 1)


@pytest.mark.parametrize(
    "text",
    [
        mosaic("a.tif", band=' subClass="VRTDerivedRasterBand"'),
        mosaic("a.tif", band=' subClass="VRTRawRasterBand"'),
        mosaic("a.tif", band=' subClass="VRTWarpedRasterBand"'),
        mosaic("a.tif", dataset=' subClass="VRTWarpedDataset"'),
        mosaic("a.tif", dataset=' subClass="VRTProcessedDataset"'),
        with_first("<GDALWarpOptions><SourceDataset>a.tif</SourceDataset></GDALWarpOptions>", "<SRS>"),
        with_first('<OpenOptions><OOI key="X">1</OOI></OpenOptions>', "<SourceBand>"),
        mosaic("a.tif").replace("SimpleSource", "KernelFilteredSource"),
        mosaic("a.tif").replace("SimpleSource", "ArraySource"),
        with_first("<PixelFunctionType>sum</PixelFunctionType>"),
        with_first("<SourceFilename>/etc/hostname</SourceFilename>"),
        with_first("<Overview><SourceFilename>b.tif</SourceFilename></Overview>"),
        with_first('<MaskBand><VRTRasterBand subClass="VRTRawRasterBand"/></MaskBand>', "<VRTRasterBand"),
        with_first("<Group name='/'/>", "<VRTRasterBand"),
    ],
)
def test_anything_but_a_plain_mosaic_is_refused(plan, text):
    (plan / "m.vrt").write_text(text)
    source, problems = opened(plan, "m.vrt", unit="g/kg")
    assert source is None
    assert codes(problems) == ["E240"]


def test_the_library_itself_would_not_run_the_code_either(plan, tmp_path, monkeypatch):
    monkeypatch.setenv("GDAL_VRT_ENABLE_PYTHON", "YES")
    code = PYTHON % str(tmp_path / "ran")
    (plan / "m.vrt").write_text(
        mosaic("a.tif", band=' subClass="VRTDerivedRasterBand"').replace("<SimpleSource>", code + "<SimpleSource>")
    )
    with gdal.gdal_settings(), rasterio.open(plan / "m.vrt") as file, pytest.raises(rasterio.errors.RasterioIOError):
        file.read()
    assert not (tmp_path / "ran").exists()


def test_a_source_that_is_no_raster_is_refused(plan):
    (plan / "secret.txt").write_text("password\n" * 20)
    (plan / "m.vrt").write_text(mosaic("secret.txt"))
    _, problems = opened(plan, "m.vrt", unit="g/kg")
    assert codes(problems) == ["E240"]
    assert "password" not in str(problems.faults[0])


class TestRoots:
    @pytest.mark.parametrize("name", ["../outside.tif", "/etc/hostname", "sub/../../outside.tif"])
    def test_a_source_outside_is_refused(self, plan, name):
        (plan / "sub").mkdir()
        (plan / "m.vrt").write_text(mosaic(name))
        source, problems = opened(plan, "m.vrt", unit="g/kg")
        assert source is None
        assert codes(problems) == ["E241"]
        assert "roots:" in problems.faults[0].fix

    def test_a_link_that_leaves_is_refused(self, plan, tmp_path):
        (plan / "link.tif").symlink_to(tmp_path / "outside.tif")
        (plan / "m.vrt").write_text(mosaic("link.tif"))
        assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E241"]

    def test_a_folder_link_that_leaves_is_refused(self, plan, tmp_path):
        (plan / "tiles").symlink_to(tmp_path)
        (plan / "m.vrt").write_text(mosaic("tiles/outside.tif"))
        assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E241"]

    def test_a_folder_that_only_begins_like_a_root_is_outside(self, plan, tmp_path):
        (tmp_path / "plan2").mkdir()
        write_tif(tmp_path / "plan2" / "a.tif", VALUES)
        (plan / "m.vrt").write_text(mosaic("../plan2/a.tif"))
        assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E241"]

    def test_a_root_of_the_plan_lets_it_in(self, plan):
        (plan / "m.vrt").write_text(mosaic("../outside.tif"))
        source, problems = opened(plan, "m.vrt", SimpleNamespace(roots=("..",), max_cells=1e9), unit="g/kg")
        assert not codes(problems)
        np.testing.assert_array_equal(whole(source), VALUES)

    def test_a_file_the_plan_names_itself_may_lie_anywhere(self, plan, tmp_path):
        (tmp_path / "other").mkdir()
        write_tif(tmp_path / "other" / "a.tif", VALUES)
        for name in ("../outside.tif", str(tmp_path / "outside.tif")):
            assert not codes(opened(plan, name, unit="g/kg")[1])
        (tmp_path / "other" / "m.vrt").write_text(mosaic("a.tif"))
        assert codes(opened(plan, "../other/m.vrt", unit="g/kg")[1]) == ["E241"]


@pytest.mark.parametrize(
    "address",
    ["http://{}/a.tif", "HTTPS://{}/a.tif", "/vsicurl/http://{}/a.tif", "/VSICURL/http://{}/a.tif", "s3://b/a.tif",
     "/vsizip//vsicurl/http://{}/a.zip/a.tif", "//vsicurl/http://{}/a.tif", "/vsis3/b/a.tif", "\\\\host\\share\\a.tif"],
)  # fmt: skip
def test_nothing_is_fetched_from_elsewhere(plan, address):
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.05)
        name = address.format(f"127.0.0.1:{server.getsockname()[1]}")
        (plan / "m.vrt").write_text(mosaic(name))
        assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E242"]
        assert codes(opened(plan, name, unit="g/kg")[1]) == ["E242"]
        with pytest.raises(TimeoutError):  # nobody has called
            server.accept()


class TestSize:
    def test_a_mosaic_of_itself_ends(self, plan):
        (plan / "m.vrt").write_text(mosaic("m.vrt"))
        assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E243"]

    def test_four_deep_is_read_and_five_is_not(self, plan):
        (plan / "1.vrt").write_text(mosaic("a.tif"))
        for depth in range(2, 6):
            (plan / f"{depth}.vrt").write_text(mosaic(f"{depth - 1}.vrt"))
        np.testing.assert_array_equal(whole(opened(plan, "4.vrt", unit="g/kg")[0]), VALUES)
        assert codes(opened(plan, "5.vrt", unit="g/kg")[1]) == ["E243"]

    def test_too_many_sources_are_refused(self, plan):
        (plan / "m.vrt").write_text(mosaic(*["a.tif"] * (vrt.MAX_SOURCES + 1)))
        start = time.perf_counter()
        assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E243"]
        assert time.perf_counter() - start < 20

    def test_many_through_nesting_are_refused_too(self, plan):
        (plan / "1.vrt").write_text(mosaic(*["a.tif"] * 200))
        (plan / "2.vrt").write_text(mosaic(*["1.vrt"] * 200))
        assert codes(opened(plan, "2.vrt", unit="g/kg")[1]) == ["E243"]

    def test_a_source_with_a_bomb_of_a_block_is_refused(self, plan):
        from layer_builders import huge_header

        huge_header(plan / "bomb.tif", 40_000, 40_000, 2**16)
        (plan / "m.vrt").write_text(mosaic("bomb.tif"))
        assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E231"]


BOMB = (
    '<!DOCTYPE lolz [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;">]>'
)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("head", [BOMB, "<!DOCTYPE a>", '<!DOCTYPE a SYSTEM "file:///etc/hostname">'])
def test_document_types_and_entities_are_refused(plan, head, encoding):
    (plan / "m.vrt").write_bytes(mosaic("a.tif", head=head).encode(encoding))
    assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E244"]


@pytest.mark.parametrize("text", ["", "<VRTDataset", "no xml", "<other/>", "\0\0\0", "<VRTDataset/>"])
def test_what_is_no_mosaic_is_an_error(plan, text, capfd):
    (plan / "m.vrt").write_text(text)
    source, problems = opened(plan, "m.vrt", unit="g/kg")
    assert source is None
    assert codes(problems) == ["E230"]
    assert capfd.readouterr().err == ""


def test_a_missing_source_is_told_with_the_nearest_name(plan):
    (plan / "m.vrt").write_text(mosaic("aa.tif"))
    _, problems = opened(plan, "m.vrt", unit="g/kg")
    assert codes(problems) == ["E246"]
    assert '"a.tif"' in problems.faults[0].fix


def test_a_pipe_as_source_does_not_hang(plan):
    os.mkfifo(plan / "pipe.tif")
    (plan / "m.vrt").write_text(mosaic("pipe.tif"))
    assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E245"]


def test_a_source_cut_short_is_an_error_and_never_nodata(plan):
    (plan / "m.vrt").write_text(mosaic("a.tif"))
    data = (plan / "a.tif").read_bytes()
    (plan / "a.tif").write_bytes(data[:-64])
    source, _ = opened(plan, "m.vrt", unit="g/kg")
    with pytest.raises(UnderoakError, match="E230"):
        whole(source)


def rects(inner: int, outer: int) -> str:
    return (
        f'<SrcRect xOff="0" yOff="0" xSize="{inner}" ySize="{inner}"/>'
        f'<DstRect xOff="0" yOff="0" xSize="{outer}" ySize="{outer}"/>'
    )


def test_blending_on_the_way_is_refused_only_where_it_would_happen(plan):
    blend = ' resampling="bilinear"'
    (plan / "m.vrt").write_text(mosaic("a.tif", source=blend, rect=rects(4, 8)))
    assert codes(opened(plan, "m.vrt", unit="g/kg")[1]) == ["E240"]
    (plan / "m.vrt").write_text(mosaic("a.tif", source=blend, rect=rects(8, 8)))
    np.testing.assert_array_equal(whole(opened(plan, "m.vrt", unit="g/kg")[0]), VALUES)


def test_a_mosaic_of_other_cell_sizes_gives_the_same_in_any_window(plan):
    values = np.random.default_rng(3).normal(size=(37, 37)).astype(np.float32)
    write_tif(plan / "fine.tif", values)
    (plan / "m.vrt").write_text(mosaic("fine.tif", rect=rects(37, 8)))
    source, _ = opened(plan, "m.vrt", unit="degC", valid=(-99, 99))
    all_of_it = whole(source)
    for row in range(8):
        for col in range(8):
            assert source.read(Window(row, col, 1, 1)).values == all_of_it[row, col]


def test_what_was_checked_is_what_is_opened(plan, tmp_path):
    """A mosaic that is exchanged after the check is checked again, and never opened from the disk."""
    (plan / "m.vrt").write_text(mosaic("a.tif"))
    source, _ = opened(plan, "m.vrt", unit="g/kg")
    (plan / "m.vrt").write_text(mosaic("../outside.tif"))
    with pytest.raises(UnderoakError, match="E241"):
        whole(source)
    (plan / "m.vrt").write_text(mosaic("a.tif"))
    text = vrt.check_mosaic(plan / "m.vrt", Trust.from_plan(plan)).text
    assert f">{plan / 'a.tif'}</SourceFilename>" in text
    assert 'relativeToVRT="0"' in text
