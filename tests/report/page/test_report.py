"""What people read: true figures, plain words, nothing that runs, nothing from elsewhere."""

import base64
import dataclasses
import io
import json
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pystac
import pytest
import rasterio
import rasterio.shutil
from matplotlib import colormaps
from matplotlib.colors import to_hex

import underoak as uo
from underoak.base.codes import EXCLUDED, MISSING
from underoak.base.grid import Grid
from underoak.base.number_words import hectares, percent, score
from underoak.base.palette import CLASS_RGB, STRIPES
from underoak.report.page.figure import MapPicture, draw_map, hillshade

from noise import LEFT, TOP, noise_country

HOSTILE = ["</main><script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "<b onclick='go()'>field</b>"]


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    plan = noise_country(folder, 300, 320)
    plan |= {
        "title": 'Hills & "dales" <b>',
        "region": {"bounds": [LEFT, TOP - 9000, LEFT + 9600, TOP], "crs": "EPSG:25831", "cell": "30 m"},
    }
    fields = gpd.read_file(folder / "fields.gpkg")
    fields.loc[fields.index[: len(HOSTILE)], "name"] = HOSTILE
    fields.to_file(folder / "fields.gpkg")
    return uo.run(uo.load_plan(plan, base=folder), out=folder / "out")


@pytest.fixture(scope="module")
def page(run):
    return (run.folder / "report.html").read_text(encoding="utf-8")


class Document(HTMLParser):
    """The elements of a document in order, and the text inside those that name a row."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[tuple[str, dict[str, str | None]]] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.row_names: list[str] = []
        self.titles: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "link", "br"):
            self.open.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop()[0] == tag

    def handle_data(self, data):
        tag, attributes = self.open[-1] if self.open else ("", {})
        if tag == "th" and attributes.get("scope") == "row":
            self.row_names.append(data)
        if tag in ("title", "h1"):
            self.titles.append(data)


def test_the_page_is_well_formed_and_asks_for_nothing_from_elsewhere(page):
    document = Document(page)
    assert document.open == []
    assert not [tag for tag, _ in document.elements if tag in ("script", "iframe", "link", "object", "form")]
    for _, attributes in document.elements:
        for name in ("src", "href"):
            assert (attributes.get(name) or "data:").startswith("data:")
    assert "url(" not in page
    policy = next(a["content"] for _, a in document.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")


def test_names_from_outside_make_no_element_and_no_attribute_anywhere_in_the_page(run, page):
    document = Document(page)
    assert {tag for tag, _ in document.elements if tag in ("script", "img")} == {"img"}
    images = [attributes for tag, attributes in document.elements if tag == "img"]
    assert [sorted(attributes) for attributes in images] == [["alt", "class", "src"]] * 2  # the two maps alone
    assert not [name for _, attributes in document.elements for name in attributes if name.startswith("on")]
    assert document.titles == [run.manifest.title] * 2
    assert set(HOSTILE) <= set(document.row_names)  # they stand there as text


def test_every_parcel_and_every_criterion_stands_on_the_page(run, page):
    names = Document(page).row_names
    for parcel in run.parcels["id"]:
        assert parcel in names
    for criterion in run.manifest.cases[0].criteria:
        assert criterion.label in page
        assert criterion.source in page


def test_the_areas_of_the_classes_add_up_to_the_region(run, page):
    table = page.split("Area by class")[1].split("</table>")[0]
    total = float(re.search(r"\(([\d ]+) ha in the region", table)[1].replace(" ", ""))
    areas = [float(a.replace(" ", "")) for a in re.findall(r'class="number">([\d .]+) ha<', table)]
    assert sum(areas) == pytest.approx(total, rel=0.01)
    counted = run.manifest.cases[0].counts
    assert sum(counted.classes.values()) == counted.inside == run.grid.rows * run.grid.cols


def pixels_of(png):
    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))


def test_the_map_of_classes_shows_each_cell_in_the_colour_of_its_class_whatever_its_score():
    suitability = np.full((40, 60), 0.97, np.float32)
    classes = np.full((40, 60), 1, np.uint8)
    classes[:20, :30], classes[:20, 30:], classes[20:, :30], classes[20:, 30:] = 2, 4, 3, MISSING
    pixels = pixels_of(draw_map(MapPicture(suitability, classes, (0, 0, 1800, 1200), 1.0, "t", "s", is_by_class=True)))
    height, width = pixels.shape[:2]
    inches = height / 144
    top, bottom = 0.6 / inches, 1 - 1.15 / inches
    rows = [int(height * (top + (bottom - top) * share)) for share in (0.25, 0.75)]
    cols = int(width * 0.28), int(width * 0.72)
    shown = [[tuple(pixels[row, col].tolist()) for col in cols] for row in rows]
    assert shown == [[CLASS_RGB[2], CLASS_RGB[4]], [CLASS_RGB[3], (255, 255, 255)]]
    legend = {tuple(colour) for colour in pixels[int(height * bottom) + 20 :].reshape(-1, 3).tolist()}
    assert {CLASS_RGB[code] for code in (1, 2, 3, 4, EXCLUDED)} <= legend


def test_the_bar_of_scores_has_no_letters_of_classes(monkeypatch):
    from matplotlib.figure import Figure

    texts = []
    save = Figure.savefig

    def note(figure, *args, **options):
        texts.extend(text.get_text() for text in figure.findobj(lambda item: hasattr(item, "get_text")))
        return save(figure, *args, **options)

    monkeypatch.setattr(Figure, "savefig", note)
    picture = MapPicture(np.float32([[0.5]]), np.uint8([[2]]), (0, 0, 30, 30), 1.0, "t", "s")
    draw_map(picture)
    assert not {"S1", "S2", "S3", "N"} & set(texts) - {"N"}
    assert texts.count("N") <= 1  # the arrow to the north
    assert {"0", "0.2", "1"} <= set(texts)
    texts.clear()
    draw_map(dataclasses.replace(picture, is_by_class=True))
    assert {"S1 highly suitable", "N not suitable", "excluded"} <= set(texts)
    assert "0.2" not in texts


def test_the_map_shows_each_cell_in_the_colour_that_the_legend_gives_its_suitability():
    """Four quarters without relief: two scores, one missing, one excluded; each is read back in its middle."""
    suitability = np.full((40, 60), np.nan, np.float32)
    suitability[:20, :30], suitability[:20, 30:] = 0.2, 0.9
    classes = np.full((40, 60), MISSING, np.uint8)
    classes[20:, 30:] = EXCLUDED
    picture = MapPicture(suitability, classes, (0, 0, 1800, 1200), 1.0, "t", "s")
    pixels = pixels_of(draw_map(picture))
    height, width = pixels.shape[:2]
    inches = height / 144
    top, bottom = 0.6 / inches, 1 - 1.15 / inches  # of the map in the picture, as shares of its height
    middles = [int(height * (top + (bottom - top) * share)) for share in (0.25, 0.75)]
    left, right = int(width * 0.28), int(width * 0.72)
    for col, value in ((left, 0.2), (right, 0.9)):
        assert pixels[middles[0], col].tolist() == [round(255 * part) for part in colormaps["cividis"](value)[:3]]
    assert pixels[middles[1], left].tolist() == [255, 255, 255]
    around = pixels[middles[1] - 10 : middles[1] + 10, right - 10 : right + 10].reshape(-1, 3)
    assert {tuple(colour) for colour in around.tolist()} == {CLASS_RGB[EXCLUDED], STRIPES}


def test_the_map_of_a_run_lies_in_the_page_as_it_lies_in_the_folder(run, page):
    picture, classes = [attributes["src"] for tag, attributes in Document(page).elements if tag == "img"]
    assert picture != classes
    png = (run.folder / "map.png").read_bytes()
    assert base64.b64decode(picture.removeprefix("data:image/png;base64,")) == png
    assert pixels_of(png).shape[1] > 1000


def test_page_legend_and_class_raster_show_a_class_in_one_colour(run, page):

    with rasterio.open(run.folder / "class.tif") as source:
        of_raster = {code: "#" + bytes(rgba[:3]).hex() for code, rgba in source.colormap(1).items()}
    of_legend = legend_colours(run, "class")
    of_page = dict(re.findall(r"\.class-(\w+) \{ border-left-color: (#[0-9a-f]{6}); \}", page))
    for code, name in {1: "S1", 2: "S2", 3: "S3", 4: "N", 250: "excluded"}.items():
        assert of_raster[code] == of_legend[str(code)] == of_page[name]


def test_the_legend_s_ramp_is_the_colour_map_of_the_picture(run):
    of_legend = legend_colours(run, "suitability")
    assert [float(quantity) for quantity in of_legend] == [step / 10 for step in range(11)]
    assert list(of_legend.values()) == [to_hex(colormaps["cividis"](step / 10)) for step in range(11)]


def test_cautions_stand_on_every_page_and_explanation(run, page):
    for words in ("screening", "not advice", "Lime burns", "Never eat a fungus", "native"):
        assert words in page
    assert "not advice" in run.explain(run.parcels["id"].iloc[0])


def test_an_explanation_says_answer_reason_and_next_step(run):
    best = run.parcels.iloc[0]
    text = run.explain(best["id"])
    assert f"Parcel {best['id']}: {best['class']}, suitability {best['suitability']:.2f}, rank 1" in text
    for words in ("Limiting factor:", "Most to gain from:", "membership", "Next:"):
        assert words in text
    assert max(map(len, text.splitlines())) <= 110


def test_a_parcel_that_is_not_there_is_told_with_the_nearest(run):
    with pytest.raises(uo.UnderoakError) as caught:
        run.explain("f031")
    (fault,) = caught.value.faults
    assert fault.code == "E604"
    assert "did you mean" in fault.fix


def legend_colours(run, name):
    """Colours by stored value, as the legend gives them for one of its layers."""
    root = ElementTree.parse(run.folder / "legend.sld").getroot()
    names = {"sld": "http://www.opengis.net/sld"}
    layers = {layer.find("sld:Name", names).text: layer for layer in root.findall("sld:NamedLayer", names)}
    assert set(layers) == {"suitability", "class", "limiting", "memberships"}
    style = layers[name].findall("sld:UserStyle", names)[-1]
    entries = style.iter("{http://www.opengis.net/sld}ColorMapEntry")
    return {entry.get("quantity"): entry.get("color") for entry in entries}


def test_the_legend_has_a_style_for_each_band_in_the_order_of_the_standard(run):
    """The order of elements is that of the OGC's schema of SLD 1.0.0, from memory."""
    names = {"sld": "http://www.opengis.net/sld"}
    root = ElementTree.parse(run.folder / "legend.sld").getroot()
    for layer in root.findall("sld:NamedLayer", names):
        with rasterio.open(run.folder / f"{layer.find('sld:Name', names).text}.tif") as source:
            bands, top = source.descriptions, 1 / source.scales[0]
        styles = layer.findall("sld:UserStyle", names)
        assert [style.find("sld:Name", names).text for style in styles] == list(bands)
        for band, style in enumerate(styles, 1):
            tags = [element.tag.split("}")[1] for element in style]
            assert tags == (["Name", "IsDefault", "FeatureTypeStyle"] if band == 1 else ["Name", "FeatureTypeStyle"])
            (symbolizer,) = style.findall("sld:FeatureTypeStyle/sld:Rule/sld:RasterSymbolizer", names)
            assert [element.tag.split("}")[1] for element in symbolizer] == ["ChannelSelection", "ColorMap"]
            assert symbolizer.find("sld:ChannelSelection/sld:GrayChannel/sld:SourceChannelName", names).text == str(
                band
            )
            quantities = [float(entry.get("quantity")) for entry in symbolizer.find("sld:ColorMap", names)]
            assert quantities == sorted(quantities)
            if symbolizer.find("sld:ColorMap", names).get("type") == "ramp":
                assert quantities[-1] == pytest.approx(top)


def test_class_and_limiting_factor_are_named_in_the_rasters_as_in_the_legend(run, tmp_path):
    names = {"sld": "http://www.opengis.net/sld"}
    root = ElementTree.parse(run.folder / "legend.sld").getroot()
    for layer in root.findall("sld:NamedLayer", names):
        name = layer.find("sld:Name", names).text
        if name not in ("class", "limiting"):
            continue
        rasterio.shutil.copy(run.folder / f"{name}.tif", tmp_path / f"{name}.vrt", driver="VRT")
        band = ElementTree.parse(tmp_path / f"{name}.vrt").find("VRTRasterBand")
        categories = [category.text or "" for category in band.findall("CategoryNames/Category")]
        labels = {int(e.get("quantity")): e.get("label") for e in layer.iter(f"{{{names['sld']}}}ColorMapEntry")}
        assert len(labels) >= 4
        assert {code: categories[code] for code in labels} == labels


def test_units_stand_on_every_band_and_statistics_are_those_of_the_stored_cells(run):
    for path in sorted(run.folder.glob("*.tif")):
        with rasterio.open(path) as source:
            assert source.units == ("1",) * source.count, path
            if path.name in ("class.tif", "limiting.tif"):
                continue
            for band in range(1, source.count + 1):
                tags, cells = source.tags(band), source.read(band, masked=True)
                cells = np.ma.masked_invalid(cells).astype(float)
                assert float(tags["STATISTICS_MINIMUM"]) == cells.min()
                assert float(tags["STATISTICS_MAXIMUM"]) == cells.max()
                assert float(tags["STATISTICS_MEAN"]) == pytest.approx(cells.mean(), rel=1e-9)
                assert float(tags["STATISTICS_STDDEV"]) == pytest.approx(cells.std(), rel=1e-6)
                assert float(tags["STATISTICS_VALID_PERCENT"]) == pytest.approx(
                    100 * cells.count() / cells.size, rel=1e-3
                )


def test_the_catalogue_item_is_valid_and_its_checksums_are_true(run):
    import hashlib

    item = pystac.Item.from_dict(json.loads((run.folder / "item.json").read_text(encoding="utf-8")))
    west, south, east, north = item.bbox
    assert 1.9 < west < east < 2.3
    assert 41.3 < south < north < 41.7
    asset = item.assets["suitability_tif"]
    digest = hashlib.sha256((run.folder / "suitability.tif").read_bytes()).hexdigest()
    assert asset.extra_fields["file:checksum"] == "1220" + digest


def test_a_slope_that_faces_the_light_is_brighter():
    rows, cols = np.mgrid[0:20, 0:20]
    falls_north_west = ((rows + cols) * 10).astype(np.float32)  # higher to the south-east
    assert hillshade(falls_north_west, 30.0)[10, 10] > hillshade(np.zeros((20, 20), np.float32), 30.0)[10, 10]
    assert hillshade(-falls_north_west, 30.0)[10, 10] < 0.6


def test_a_map_of_one_cell_and_one_without_relief_can_be_drawn():
    one = MapPicture(np.float32([[0.5]]), np.uint8([[2]]), (0, 0, 30, 30), 1.0, "t", "s")
    assert draw_map(one)[:4] == b"\x89PNG"
    assert draw_map(one) == draw_map(one)


@pytest.mark.parametrize(("rows", "cols"), [(1023, 1024), (30, 2000), (1400, 700), (2, 3)])
def test_the_drawing_library_gets_no_more_pixels_than_the_picture_has_and_each_shows_the_cell_under_it(
    rows, cols, monkeypatch
):
    from matplotlib.axes import Axes

    from underoak.report.page import figure

    drawn = []
    monkeypatch.setattr(Axes, "imshow", lambda axes, pixels, **how: drawn.append((pixels, axes.get_window_extent())))
    values = np.random.default_rng(3).random((rows, cols)).astype(np.float32)
    classes = np.where(values < 0.2, 250, 1).astype(np.uint8)
    picture = MapPicture(values, classes, (0, 0, 30 * cols, 30 * rows), 1.0, "t", "s")
    draw_map(picture)
    ((pixels, box),) = drawn
    down, across = pixels.shape[:2]
    dots = 144 / 100  # the library tells of a screen
    assert (across, down) == (pytest.approx(box.width * dots, abs=0.51), pytest.approx(box.height * dots, abs=0.51))
    under = [np.floor((np.arange(n) + 0.5) / n * size).astype(int) for n, size in ((down, rows), (across, cols))]
    coloured = figure._cell_colours(picture, slice(0, rows))[np.ix_(*under)]
    is_stripe = (pixels[..., :3] == STRIPES).all(axis=2)
    assert (pixels[~is_stripe] == coloured[~is_stripe]).all()
    excluded = classes[np.ix_(*under)] == 250
    assert not (is_stripe & ~excluded).any()
    if rows > 2:
        assert is_stripe.sum() == pytest.approx(excluded.sum() / 4, rel=0.1)


@pytest.mark.parametrize(("crs", "left", "top"), [
    ("EPSG:3857", 250_000.0, 6_260_000.0), ("EPSG:25831", 420_000.0, 4_600_000.0),
    ("EPSG:3035", 3_400_000.0, 2_100_000.0),
])  # fmt: skip
def test_scale_bar_and_arrow_are_true_in_the_middle_of_the_map(crs, left, top):
    from matplotlib import pyplot as plt
    from pyproj import Geod, Transformer

    from underoak.report.page import figure

    grid = Grid.north_up(crs, left, top, 30.0, 200, 300)
    metres, north = figure.true_scale(grid)
    empty = np.full((2, 3), np.nan, np.float32), np.full((2, 3), 255, np.uint8)
    picture = MapPicture(*empty, grid.bounds, metres, "t", "s", north=north)
    drawn, axes = plt.subplots()
    figure._draw_scale_bar(axes, picture)
    corners, said = axes.patches[0].get_xy(), axes.texts[0].get_text()
    plt.close(drawn)
    width, (x, y) = float(np.ptp(corners[:, 0])), (left + 4500.0, top - 3000.0)
    to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    (west, east, there), (lat_w, lat_e, lat_t) = to_degrees.transform(
        [x - width / 2, x + width / 2, x + 1000 * np.sin(np.radians(north))],
        [y, y, y + 1000 * np.cos(np.radians(north))],
    )
    number, unit = said.split()
    true = Geod(ellps="WGS84").inv(west, lat_w, east, lat_e)[2]
    assert true == pytest.approx(float(number) * {"m": 1.0, "km": 1000.0}[unit], rel=1e-3)
    assert there == pytest.approx(to_degrees.transform(x, y)[0], abs=1e-5)  # along the arrow the longitude stays
    assert lat_t > lat_w


def test_figures_are_written_the_same_everywhere():
    assert [percent(x) for x in (0.004, 0.995, 1.0)] == ["<1 %", ">99 %", "100 %"]
    assert [hectares(x) for x in (0.05, 12.34, 4321.0, float("nan"))] == ["500 m2", "12.3 ha", "4 321 ha", "–"]
    assert score(float("nan")) == "–"


def test_a_page_of_many_parcels_shows_the_best_and_says_where_all_are(tmp_path, monkeypatch):
    from underoak.report.page import page

    monkeypatch.setattr(page, "MOST_PARCELS", 2)
    plan = noise_country(tmp_path, 64, 64)
    made = uo.run(uo.load_plan(plan, base=tmp_path), out=tmp_path / "out")
    text, ids = (made.folder / "report.html").read_text(encoding="utf-8"), list(made.parcels["id"])
    assert len(ids) > 2
    assert [parcel for parcel in ids if f'<th scope="row">{parcel}</th><td class="score">' in text] == ids[:2]
    assert f"The best 2 of {len(ids)} parcels are shown here; all are in parcels.csv." in text
    rows = (made.folder / "parcels.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 1 + len(ids)


def test_a_page_of_few_parcels_leaves_none_out(page):
    assert "are shown here" not in page


def test_a_picture_coloured_in_strips_is_the_one_coloured_at_once(monkeypatch):
    from underoak.report.page import figure

    rng = np.random.default_rng(3)
    suitability, relief = rng.random((50, 40), np.float32), 900 * rng.random((50, 40), np.float32)
    suitability[rng.random((50, 40)) < 0.1] = relief[rng.random((50, 40)) < 0.1] = np.nan
    classes = rng.choice(np.uint8([1, 2, 250, 255]), (50, 40))
    picture = MapPicture(suitability, classes, (0, 0, 1200, 1500), 1.0, "t", "s", relief)
    at_once = draw_map(picture)
    monkeypatch.setattr(figure, "_ROWS", 7)
    assert draw_map(picture) == at_once
