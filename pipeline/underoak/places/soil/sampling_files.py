"""Soil sampling points as files: for a desktop, for a phone or satellite receiver, for a spreadsheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as xml

from underoak.base.errors import Problems, count_of, printable
from underoak.engine.storage.disk import disk_error
from underoak.places.geometry.output_files import geopackage, write_csv, write_safely
from underoak.places.soil.sampling import Sampling

if TYPE_CHECKING:
    import pandas as pd

NAMES = ("points.gpkg", "points.gpx", "points.csv", "request.txt")
_GPX = "http://www.topografix.com/GPX/1/1"
DEPTH = "0-30 cm"


def write_sampling(folder: Path, sampling: Sampling, request: str) -> list[Path]:
    """Write `points.gpkg` (in the run's CRS), `points.gpx` (WGS 84), `points.csv` and `request.txt`.

    No file is overwritten.

    Raises:
        UnderoakError: E306 for a file that exists, E501, E502 when disk or folder cannot be written.
    """
    import geopandas as gpd

    paths = [folder / name for name in NAMES]
    problems = Problems()
    for path in paths:
        if path.exists():
            problems.add("E306", "exists already", str(path), "name another folder with --out, or move the file away")
    problems.stop_if_any()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise disk_error(error, folder) from error
    table = points_table(sampling)
    frame = gpd.GeoDataFrame(table, geometry=gpd.points_from_xy(table["x"], table["y"]), crs=sampling.crs)
    write_safely(paths[0], lambda path: geopackage(path, frame, "points", "Point"))
    write_safely(paths[1], lambda path: path.write_bytes(gpx(sampling)))
    write_safely(paths[2], lambda path: write_csv(path, table))
    write_safely(paths[3], lambda path: path.write_bytes(f"{request}\n".encode()))
    return paths


def points_table(sampling: Sampling) -> pd.DataFrame:
    """Return one row for each point, the most informative first.

    Columns: `name` · `parcel` · `point` (its number) · `bag` · `cores` · `depth` · `lat`, `lon` (WGS 84) · `x`, `y` (in
    the run's CRS) · `doubt_left` (share of the variance of
    the parcel's mean that remains after tests of this point and those before it).
    """
    import pandas as pd

    numbers = range(1, len(sampling.x) + 1)
    bags = [sampling.bag_of(number) for number in numbers]
    return pd.DataFrame(
        {
            "name": [sampling.name_of(number) for number in numbers],
            "parcel": sampling.parcel,
            "point": list(numbers),
            "bag": [bag.name for bag in bags],
            "cores": [bag.cores for bag in bags],
            "depth": DEPTH,
            "lat": sampling.lat,
            "lon": sampling.lon,
            "x": sampling.x,
            "y": sampling.y,
            "doubt_left": sampling.left,
        }
    )


def gpx(sampling: Sampling) -> bytes:
    """Return the points as GPX 1.1 waypoints (element names and their order: the format's schema, from memory)."""
    root = xml.Element("gpx", {"xmlns": _GPX, "version": "1.1", "creator": "underoak"})
    about = xml.SubElement(root, "metadata")
    xml.SubElement(about, "name").text = printable(f"Soil of parcel {sampling.parcel}")
    xml.SubElement(about, "desc").text = "Where to take soil. Screening, not advice."
    for number, (lat, lon) in enumerate(zip(sampling.lat, sampling.lon, strict=True), start=1):
        bag = sampling.bag_of(number)
        point = xml.SubElement(root, "wpt", {"lat": f"{lat:.7f}", "lon": f"{lon:.7f}"})
        xml.SubElement(point, "name").text = printable(sampling.name_of(number))
        xml.SubElement(point, "desc").text = f"Bag {bag.name}: {count_of(bag.cores, 'core')}, {DEPTH}"
    xml.indent(root)
    text: bytes = xml.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text + b"\n"


def safe_name(parcel: str) -> str:
    """Return a folder name for an id: letters, digits, - and _ stay; a changed name gets part of a hash.

    >>> safe_name("F-07"), safe_name("../a b")
    ('F-07', '___a_b-2c2c791a')
    """
    import hashlib

    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in parcel)[:60]
    return plain if plain == parcel else f"{plain}-{hashlib.sha256(parcel.encode()).hexdigest()[:8]}"
