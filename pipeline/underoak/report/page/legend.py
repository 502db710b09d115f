"""The legend as an OGC Styled Layer Descriptor 1.0, so that other software shows the maps in the same colours."""

from __future__ import annotations

from xml.etree import ElementTree

from underoak.engine.write.outputs import CLASS_COLOURS, CLASS_NAMES, STATE_NAMES

_SLD, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
_STEPS = 10


def legend_sld(suitability_top: float = 1.0) -> str:
    """A descriptor with two named layers, `suitability` and `class`.

    `suitability_top` is the stored value that means 1 (60000 when suitability is stored as uint16).

    >>> "<sld:Name>class</sld:Name>" in legend_sld()
    True
    """
    ElementTree.register_namespace("sld", _SLD)
    ElementTree.register_namespace("ogc", _OGC)
    root = ElementTree.Element(f"{{{_SLD}}}StyledLayerDescriptor", {"version": "1.0.0"})
    entries = [(i / _STEPS * suitability_top, _cividis(i / _STEPS), f"{i / _STEPS:g}") for i in range(_STEPS + 1)]
    _layer(root, "suitability", "ramp", [(f"{value:g}", colour, label) for value, colour, label in entries])
    names = CLASS_NAMES | STATE_NAMES
    colours = {code: "#" + bytes(CLASS_COLOURS[code][:3]).hex() for code in (1, 2, 3, 4, 250)}
    codes = [(str(code), colour, names[code]) for code, colour in colours.items()]
    _layer(root, "class", "values", codes)
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _cividis(at: float) -> str:
    from matplotlib import colormaps
    from matplotlib.colors import to_hex

    return str(to_hex(colormaps["cividis"](at)))


def _layer(root: ElementTree.Element, name: str, kind: str, entries: list[tuple[str, str, str]]) -> None:
    def child(parent: ElementTree.Element, tag: str, text: str = "") -> ElementTree.Element:
        made = ElementTree.SubElement(parent, f"{{{_SLD}}}{tag}")
        made.text = text or None
        return made

    layer = child(root, "NamedLayer")
    child(layer, "Name", name)
    style = child(layer, "UserStyle")
    child(style, "Name", name)
    symbolizer = child(child(child(style, "FeatureTypeStyle"), "Rule"), "RasterSymbolizer")
    ramp = child(symbolizer, "ColorMap")
    ramp.set("type", kind)
    for quantity, colour, label in entries:
        child(ramp, "ColorMapEntry").attrib.update({"color": colour, "quantity": quantity, "label": label})
