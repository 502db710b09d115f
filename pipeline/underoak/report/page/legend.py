"""The legend as an OGC Styled Layer Descriptor 1.0, so that other software shows the maps in the same colours."""

from __future__ import annotations

from xml.etree import ElementTree

from underoak.base.codes import CLASS_LABELS, STATE_LABELS
from underoak.base.palette import CLASS_RGB, SUITABILITY_MAP, hex_colour

_SLD, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
_STEPS = 10


def legend_sld(suitability_top: float = 1.0) -> str:
    """Return a descriptor with two named layers, `suitability` and `class`, as XML text.

    `suitability_top` is the stored value that means 1: 60000 when suitability is stored as uint16.

    >>> "<sld:Name>class</sld:Name>" in legend_sld()
    True
    """
    ElementTree.register_namespace("sld", _SLD)
    ElementTree.register_namespace("ogc", _OGC)
    root = ElementTree.Element(f"{{{_SLD}}}StyledLayerDescriptor", {"version": "1.0.0"})
    scores = [step / _STEPS for step in range(_STEPS + 1)]
    ramp = [(f"{score * suitability_top:g}", _score_colour(score), f"{score:g}") for score in scores]
    _layer(root, "suitability", "ramp", ramp)
    names = CLASS_LABELS | STATE_LABELS
    codes = [(str(code), hex_colour(rgb), names[code]) for code, rgb in CLASS_RGB.items()]
    _layer(root, "class", "values", codes)
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _score_colour(score: float) -> str:
    from matplotlib import colormaps
    from matplotlib.colors import to_hex

    return str(to_hex(colormaps[SUITABILITY_MAP](score)))


def _layer(root: ElementTree.Element, name: str, kind: str, entries: list[tuple[str, str, str]]) -> None:
    def child(parent: ElementTree.Element, tag: str, text: str = "") -> ElementTree.Element:
        element = ElementTree.SubElement(parent, f"{{{_SLD}}}{tag}")
        element.text = text or None
        return element

    layer = child(root, "NamedLayer")
    child(layer, "Name", name)
    style = child(layer, "UserStyle")
    child(style, "Name", name)
    symbolizer = child(child(child(style, "FeatureTypeStyle"), "Rule"), "RasterSymbolizer")
    ramp = child(symbolizer, "ColorMap")
    ramp.set("type", kind)
    for quantity, colour, label in entries:
        child(ramp, "ColorMapEntry").attrib.update({"color": colour, "quantity": quantity, "label": label})
