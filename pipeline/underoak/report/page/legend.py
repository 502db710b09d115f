"""The legend as an OGC Styled Layer Descriptor 1.0, so that other software shows the maps in the same colours.

One named layer for each raster, with a style for each band. Quantities are stored values: what a map server reads.
`type` of a colour map is no part of the standard, but what programs look for to tell single values from a ramp.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from xml.etree import ElementTree

from underoak.base.codes import CLASS_LABELS, EXCLUDED, NOTHING_LIMITS, STATE_LABELS
from underoak.base.palette import CLASS_RGB, PAPER, SUITABILITY_MAP, hex_colour
from underoak.engine.write.outputs import MEMBERSHIP_STEPS

_SLD, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
_STEPS = 10
_BRIGHTEST = 0.85  # of the colour map, for criteria: yellow stays with what is best


class _Style(NamedTuple):
    """A style of one band: its name, the band's number, the kind of colour map and its entries."""

    name: str
    band: int
    kind: str  # ramp | values
    entries: Sequence[tuple[str, str, str]]  # stored value, colour, label


def legend_sld(criteria: Sequence[str], suitability_top: float = 1.0) -> str:
    """Return a descriptor with the named layers `suitability`, `class`, `limiting` and `memberships`, as XML text.

    `limiting` has a style for each of its two bands, `memberships` one for each criterion. `suitability_top` is the
    stored value that means 1: 60000 when suitability is stored as uint16.

    >>> legend_sld(["ph", "slope"]).count("<sld:UserStyle>")
    6
    """
    ElementTree.register_namespace("sld", _SLD)
    ElementTree.register_namespace("ogc", _OGC)
    root = ElementTree.Element(f"{{{_SLD}}}StyledLayerDescriptor", {"version": "1.0.0"})
    names = CLASS_LABELS | STATE_LABELS
    codes = [(str(code), hex_colour(rgb), names[code]) for code, rgb in CLASS_RGB.items()]
    limits = _limit_entries(criteria)
    ramp, shares = _ramp(suitability_top), _ramp(MEMBERSHIP_STEPS)
    _add_layer(root, "suitability", [_Style("suitability", 1, "ramp", ramp)])
    _add_layer(root, "class", [_Style("class", 1, "values", codes)])
    bands = enumerate(("weakest", "most_gainful"), 1)
    _add_layer(root, "limiting", [_Style(name, band, "values", limits) for band, name in bands])
    _add_layer(root, "memberships", [_Style(name, band, "ramp", shares) for band, name in enumerate(criteria, 1)])
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _ramp(top: float) -> list[tuple[str, str, str]]:
    """Return the entries of the ramp from 0 to 1, of which `top` is the stored value."""
    scores = [step / _STEPS for step in range(_STEPS + 1)]
    return [(f"{score * top:g}", _score_colour(score), f"{score:g}") for score in scores]


def _limit_entries(criteria: Sequence[str]) -> list[tuple[str, str, str]]:
    """Return an entry for each criterion, evenly along the colour map, and for what is no criterion."""
    last = max(len(criteria) - 1, 1)
    entries = [(str(i), _score_colour(_BRIGHTEST * i / last), name) for i, name in enumerate(criteria)]
    entries.append((str(EXCLUDED), hex_colour(CLASS_RGB[EXCLUDED]), STATE_LABELS[EXCLUDED]))
    return [*entries, (str(NOTHING_LIMITS), PAPER, "nothing limits")]


def _score_colour(score: float) -> str:
    from matplotlib import colormaps
    from matplotlib.colors import to_hex

    return str(to_hex(colormaps[SUITABILITY_MAP](score)))


def _child(parent: ElementTree.Element, tag: str, text: str = "") -> ElementTree.Element:
    element = ElementTree.SubElement(parent, f"{{{_SLD}}}{tag}")
    element.text = text or None
    return element


def _add_layer(root: ElementTree.Element, name: str, styles: Sequence[_Style]) -> None:
    layer = _child(root, "NamedLayer")
    _child(layer, "Name", name)
    for i, style in enumerate(styles):
        user_style = _child(layer, "UserStyle")
        _child(user_style, "Name", style.name)
        if i == 0:
            _child(user_style, "IsDefault", "1")
        symbolizer = _child(_child(_child(user_style, "FeatureTypeStyle"), "Rule"), "RasterSymbolizer")
        channel = _child(_child(symbolizer, "ChannelSelection"), "GrayChannel")
        _child(channel, "SourceChannelName", str(style.band))
        colours = _child(symbolizer, "ColorMap")
        colours.set("type", style.kind)
        for quantity, colour, label in style.entries:
            attributes = {"color": colour, "quantity": quantity, "label": label}
            _child(colours, "ColorMapEntry").attrib.update(attributes)
