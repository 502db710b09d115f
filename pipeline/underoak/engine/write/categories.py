"""Names of a raster's codes, in the file beside it that raster libraries read (GDAL's `.aux.xml`).

A GeoTIFF itself has no place for them. Names are given twice: as a list, and as a table with colours, because programs
read one or the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree as Xml

SIDECAR = ".aux.xml"
_COLUMNS = {"Value": (0, 5), "Class": (2, 2)}  # name: type (0 whole number, 2 text), use (documented by GDAL)
_COLOUR_COLUMNS = {"Red": (0, 6), "Green": (0, 7), "Blue": (0, 8), "Alpha": (0, 9)}


def category_text(bands: int, names: Mapping[int, str], colours: Mapping[int, tuple[int, ...]]) -> str:
    """Return the content of the file: the same names, and colours if there are any, for each band.

    >>> text = category_text(1, {1: "ph", 3: "slope"}, {})
    >>> text.count("<Category>"), text.count("<Row "), "<F>slope</F>" in text
    (2, 2, True)
    """
    root = Xml.Element("PAMDataset")
    for band in range(1, bands + 1):
        of_band = Xml.SubElement(root, "PAMRasterBand", {"band": str(band)})
        listed = Xml.SubElement(of_band, "CategoryNames")
        for code in range(max(names) + 1):
            Xml.SubElement(listed, "Category").text = names.get(code)
        _add_table(of_band, names, colours)
    Xml.indent(root)
    return Xml.tostring(root, encoding="unicode") + "\n"


def _add_table(parent: Xml.Element, names: Mapping[int, str], colours: Mapping[int, tuple[int, ...]]) -> None:
    table = Xml.SubElement(parent, "GDALRasterAttributeTable", {"tableType": "thematic"})
    columns = _COLUMNS | (_COLOUR_COLUMNS if colours else {})
    for i, (name, (kind, use)) in enumerate(columns.items()):
        column = Xml.SubElement(table, "FieldDefn", {"index": str(i)})
        for tag, text in (("Name", name), ("Type", str(kind)), ("Usage", str(use))):
            Xml.SubElement(column, tag).text = text
    for i, code in enumerate(sorted(names)):
        row = Xml.SubElement(table, "Row", {"index": str(i)})
        for text in (str(code), names[code], *(str(part) for part in colours.get(code, ()))):
            Xml.SubElement(row, "F").text = text
