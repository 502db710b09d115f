"""Draws the coarse native ranges. Run it to write the GeoJSON files beside it: python configs/ranges/draw.py

Every corner was placed by hand, from memory of the map; README.md says how coarse that is. Countries are rings of
shared border lines, so that neighbours meet without gaps. Coasts are drawn out at sea, where nobody plants.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from shapely import Polygon, box, coverage_union_all, set_precision, unary_union

# Border lines between junctions: longitude, latitude.
LINES: dict[str, list[tuple[float, float]]] = {
    "es_pt": [(-7.4, 36.8), (-7.4, 37.5), (-7.0, 38.2), (-7.1, 38.9), (-7.5, 39.6), (-6.9, 39.8), (-6.8, 41.0),
              (-6.3, 41.6), (-6.6, 41.9), (-8.1, 42.0), (-9.4, 41.9)],
    "pt_sea": [(-9.4, 41.9), (-10.0, 38.8), (-9.4, 36.7), (-7.4, 36.8)],
    "es_south": [(-7.4, 36.8), (-6.6, 36.2), (-5.6, 35.95), (-4.4, 36.4), (-2.0, 36.4), (-0.4, 37.4), (0.6, 38.8),
                 (1.2, 40.6), (3.6, 41.8), (3.6, 42.4)],
    "es_fr": [(3.6, 42.4), (3.2, 42.43), (2.5, 42.35), (1.7, 42.65), (0.7, 42.8), (-0.3, 42.85), (-1.3, 43.1),
              (-1.8, 43.4), (-2.2, 43.7)],
    "es_north": [(-2.2, 43.7), (-5.0, 43.8), (-8.0, 44.0), (-9.7, 43.3), (-9.4, 41.9)],
    "fr_west": [(-2.2, 43.7), (-1.9, 45.0), (-2.8, 46.6), (-5.8, 47.8), (-5.8, 48.9), (-3.5, 49.4), (-2.0, 50.0),
                (0.3, 50.2), (1.2, 50.75), (1.6, 51.05), (2.5, 51.3)],
    "fr_be": [(2.5, 51.3), (2.6, 51.05), (3.2, 50.7), (4.1, 50.1), (4.9, 50.0), (5.8, 49.55)],
    "fr_lu": [(5.8, 49.55), (6.35, 49.47)],
    "fr_de": [(6.35, 49.47), (7.0, 49.15), (8.2, 48.97), (7.8, 48.3), (7.6, 47.6)],
    "fr_ch": [(7.6, 47.6), (7.0, 47.35), (6.4, 46.8), (6.05, 46.4), (5.97, 46.15), (6.3, 46.25), (6.8, 46.4),
              (7.05, 45.92)],
    "fr_it": [(7.05, 45.92), (6.85, 45.6), (7.1, 45.2), (6.7, 45.05), (6.95, 44.65), (6.9, 44.3), (7.6, 44.1),
              (7.55, 43.75), (7.6, 43.4)],
    "fr_south": [(7.6, 43.4), (6.5, 42.8), (5.0, 42.9), (3.6, 42.9), (3.6, 42.4)],
    "ch_it": [(7.05, 45.92), (7.9, 45.95), (8.1, 46.25), (8.45, 46.4), (8.7, 46.1), (8.85, 45.95), (9.05, 45.83),
              (9.1, 46.1), (9.3, 46.45), (9.9, 46.35), (10.15, 46.25), (10.1, 46.6), (10.45, 46.85)],
    "at_it": [(10.45, 46.85), (11.0, 46.8), (12.1, 47.05), (12.4, 46.7), (13.7, 46.52)],
    "it_si": [(13.7, 46.52), (13.4, 46.2), (13.6, 45.95), (13.85, 45.6), (13.4, 45.55)],
    "si_hr": [(13.4, 45.55), (13.6, 45.45), (14.5, 45.5), (15.2, 45.45), (15.6, 45.85), (15.7, 46.2), (16.5, 46.5)],
    "si_hu": [(16.5, 46.5), (16.1, 46.85)],
    "at_si": [(16.1, 46.85), (15.0, 46.6), (14.6, 46.4), (13.7, 46.52)],
    "adriatic_hr": [(13.4, 45.55), (13.2, 45.1), (13.3, 44.6), (14.4, 43.6), (15.7, 42.75), (17.6, 42.1)],
    "adriatic_me": [(17.6, 42.1), (18.5, 41.6)],
    "adriatic_al": [(18.5, 41.6), (18.9, 40.7), (18.95, 39.6)],
    "it_south": [(18.95, 39.6), (17.5, 38.6), (16.6, 37.6), (15.9, 37.0), (15.4, 36.4), (12.2, 37.2), (11.8, 38.3),
                 (12.8, 38.9), (14.5, 39.2), (14.6, 40.0), (13.4, 40.6), (11.8, 41.7), (10.0, 42.3), (9.9, 43.3),
                 (8.6, 43.9), (7.6, 43.4)],
    "hr_hu": [(16.5, 46.5), (16.9, 46.3), (17.6, 45.85), (18.5, 45.8), (18.85, 45.9)],
    "hr_rs": [(18.85, 45.9), (19.0, 45.5), (19.1, 45.1), (19.05, 44.88)],
    "hr_ba": [(19.05, 44.88), (18.0, 45.1), (17.0, 45.2), (16.3, 45.0), (15.75, 45.1), (15.75, 44.8), (16.1, 44.2),
              (16.8, 43.7), (17.6, 43.1), (18.45, 42.5)],
    "hr_me": [(18.45, 42.5), (17.6, 42.1)],
    "ba_rs": [(19.05, 44.88), (19.3, 44.4), (19.5, 44.0), (19.2, 43.5)],
    "ba_me": [(19.2, 43.5), (18.7, 43.2), (18.45, 42.5)],
    "me_rs": [(19.2, 43.5), (20.3, 42.85), (20.05, 42.55)],
    "me_al": [(20.05, 42.55), (19.4, 42.3), (19.4, 41.85), (18.5, 41.6)],
    "al_rs": [(20.05, 42.55), (20.6, 42.0), (20.6, 41.85)],
    "al_mk": [(20.6, 41.85), (20.5, 41.3), (20.98, 40.86)],
    "al_gr": [(20.98, 40.86), (20.7, 40.1), (20.2, 39.65), (18.95, 39.6)],
    "mk_rs": [(20.6, 41.85), (21.4, 42.25), (22.35, 42.32)],
    "mk_bg": [(22.35, 42.32), (22.95, 41.34)],
    "mk_gr": [(22.95, 41.34), (22.0, 41.1), (20.98, 40.86)],
    "bg_rs": [(22.35, 42.32), (22.6, 42.9), (22.9, 43.2), (22.4, 43.9), (22.67, 44.2)],
    "ro_rs": [(22.67, 44.2), (22.5, 44.6), (21.4, 44.8), (21.4, 45.2), (20.8, 45.8), (20.26, 46.13)],
    "hu_rs": [(20.26, 46.13), (19.3, 46.05), (18.85, 45.9)],
    "bg_ro": [(22.67, 44.2), (23.0, 43.8), (25.5, 43.65), (27.0, 44.1), (28.6, 43.74), (29.5, 43.7)],
    "bg_sea": [(29.5, 43.7), (28.5, 42.7), (28.6, 42.0)],
    "bg_tr": [(28.6, 42.0), (28.0, 42.0), (27.3, 42.1), (26.35, 41.72)],
    "bg_gr": [(26.35, 41.72), (25.3, 41.25), (24.0, 41.5), (22.95, 41.34)],
    "gr_sea": [(26.35, 41.72), (26.6, 41.3), (26.05, 40.7), (25.8, 40.2), (26.6, 39.3), (26.25, 38.5), (27.1, 37.8),
               (27.1, 36.9), (28.4, 36.4), (28.4, 35.7), (26.6, 34.9), (23.5, 34.7), (21.3, 36.3), (19.3, 38.2),
               (18.95, 39.6)],
    "ro_hu": [(20.26, 46.13), (21.2, 46.4), (21.6, 47.0), (22.1, 47.6), (22.9, 48.0)],
    "ro_ua": [(22.9, 48.0), (24.9, 47.75), (26.6, 48.25)],
    "ro_md": [(26.6, 48.25), (27.5, 47.5), (28.1, 46.8), (28.2, 45.5), (29.7, 45.3), (30.2, 45.0), (29.5, 43.7)],
    "hu_ua": [(22.9, 48.0), (22.15, 48.4)],
    "hu_sk": [(22.15, 48.4), (21.5, 48.5), (20.5, 48.3), (19.5, 48.1), (18.7, 47.8), (17.7, 47.75), (17.15, 48.0)],
    "hu_at": [(17.15, 48.0), (16.5, 47.4), (16.1, 46.85)],
    "sk_ua": [(22.15, 48.4), (22.55, 49.1)],
    "sk_pl": [(22.55, 49.1), (20.5, 49.35), (19.5, 49.5), (18.85, 49.5)],
    "sk_cz": [(18.85, 49.5), (17.9, 48.95), (16.95, 48.62)],
    "sk_at": [(16.95, 48.62), (17.15, 48.0)],
    "cz_at": [(16.95, 48.62), (15.8, 48.85), (14.7, 48.6), (13.83, 48.77)],
    "cz_de_south": [(13.83, 48.77), (12.6, 49.5), (12.4, 50.0)],
    "cz_de_north": [(12.4, 50.0), (12.2, 50.3), (13.4, 50.6), (14.82, 50.87)],
    "cz_pl": [(14.82, 50.87), (16.3, 50.4), (17.0, 50.3), (18.85, 49.5)],
    "pl_rest": [(14.82, 50.87), (14.7, 52.0), (14.2, 53.0), (14.2, 54.4), (16.5, 54.9), (18.5, 55.0), (19.6, 54.45),
                (22.8, 54.35), (23.6, 53.9), (23.7, 52.5), (23.6, 51.5)],
    "pl_ua": [(23.6, 51.5), (24.1, 50.6), (22.6, 49.5), (22.55, 49.1)],
    "ua_east": [(26.6, 48.25), (27.0, 49.0), (27.0, 51.5), (23.6, 51.5)],
    "ch_de": [(7.6, 47.6), (8.5, 47.75), (9.55, 47.53)],
    "ch_at": [(9.55, 47.53), (9.55, 47.1), (10.45, 46.85)],
    "at_de": [(9.55, 47.53), (10.5, 47.5), (12.2, 47.65), (13.0, 47.5), (12.8, 48.15), (13.83, 48.77)],
    "de_50": [(12.4, 50.0), (6.15, 50.0)],
    "de_lu": [(6.15, 50.0), (6.5, 49.8), (6.35, 49.47)],
    "be_lu": [(5.8, 49.55), (6.15, 50.0)],
    "be_rest": [(6.15, 50.0), (6.1, 50.72), (5.7, 50.8), (5.9, 51.1), (5.0, 51.45), (4.3, 51.4), (3.3, 51.5),
                (2.5, 51.3)],
    "cascades": [(-121.0, 49.0), (-121.1, 48.0), (-121.4, 47.0), (-121.6, 46.2), (-121.75, 45.2), (-121.85, 44.5),
                 (-121.85, 44.0), (-122.1, 43.3), (-122.15, 42.6), (-122.3, 42.0)],
    "us_ca": [(-105.0, 49.0), (-95.15, 49.0), (-94.6, 48.7), (-93.0, 48.6), (-90.8, 48.2), (-89.5, 48.0),
              (-68.4, 48.0)],
}  # fmt: skip

# Countries and parts of them, as lines in a ring; - means against the line's direction.
RINGS = {
    "PT": "es_pt pt_sea",
    "ES": "es_south es_fr es_north -es_pt",
    "FR": "fr_west fr_be fr_lu fr_de fr_ch fr_it fr_south es_fr",
    "CH": "-fr_ch ch_de ch_at -ch_it",
    "IT": "-fr_it ch_it at_it it_si adriatic_hr adriatic_me adriatic_al it_south",
    "SI": "-it_si -at_si -si_hu -si_hr",
    "HR": "si_hr hr_hu hr_rs hr_ba hr_me -adriatic_hr",
    "BA": "-hr_ba ba_rs ba_me",
    "ME": "-hr_me -ba_me me_rs me_al -adriatic_me",
    "RS": "-hr_rs -hu_rs -ro_rs -bg_rs -mk_rs -al_rs -me_rs -ba_rs",
    "AL": "-me_al al_rs al_mk al_gr -adriatic_al",
    "MK": "mk_rs mk_bg mk_gr -al_mk",
    "BG": "bg_rs bg_ro bg_sea bg_tr bg_gr -mk_bg",
    "GR": "-bg_gr gr_sea -al_gr -mk_gr",
    "RO": "-ro_rs bg_ro -ro_md -ro_ua -ro_hu",
    "HU": "-hr_hu si_hu -hu_at -hu_sk -hu_ua -ro_hu hu_rs",
    "AT": "at_it -at_si -hu_at -sk_at cz_at -at_de ch_at",
    "SK": "hu_sk -sk_at -sk_cz -sk_pl -sk_ua",
    "CZ": "sk_cz cz_at cz_de_south cz_de_north cz_pl",
    "PL": "pl_rest pl_ua sk_pl -cz_pl",
    "UA west": "ro_ua ua_east pl_ua -sk_ua -hu_ua",
    "DE south": "-fr_de -de_lu -de_50 -cz_de_south -at_de -ch_de",
    "LU": "fr_lu -de_lu -be_lu",
    "BE": "fr_be be_lu be_rest",
}
SARDINIA = Polygon([(8.0, 38.7), (9.9, 38.7), (10.0, 41.3), (8.8, 41.33), (8.0, 41.2)])
CORSICA = Polygon([(8.0, 41.2), (8.8, 41.33), (10.0, 41.3), (9.9, 43.2), (8.3, 42.8)])
ENGLAND_SOUTH = Polygon([
    (-6.6, 49.8), (-1.5, 50.2), (0.6, 50.5), (1.1, 50.8), (1.5, 51.05), (2.1, 51.6), (2.1, 53.0), (-2.9, 53.0),
    (-3.0, 51.7), (-3.3, 51.35), (-5.5, 51.2), (-6.6, 50.3),
])  # fmt: skip
# Spain east of a line from Cantabria by Burgos, Madrid and Jaén to Málaga.
SPAIN_EAST = Polygon([
    (-4.8, 44.0), (-4.8, 42.6), (-4.2, 42.2), (-4.0, 41.2), (-3.9, 40.4), (-3.9, 39.5), (-4.0, 38.6), (-4.6, 37.4),
    (-4.6, 36.0), (4.0, 36.0), (4.0, 44.0),
])  # fmt: skip
# All Europe west of 40 degrees east, seas included; its southern line runs between the continents.
EUROPE = Polygon([
    (-11.5, 61.0), (-11.5, 51.0), (-11.5, 36.5), (-6.6, 35.9), (-5.6, 35.95), (-4.4, 36.2), (-2.0, 36.4), (1.0, 37.9),
    (8.2, 38.3), (10.5, 38.2), (11.7, 37.1), (12.8, 36.3), (14.2, 35.6), (15.5, 35.9), (22.5, 34.7), (26.6, 34.8),
    (28.4, 35.7), (28.4, 36.4), (27.1, 36.9), (27.1, 37.8), (26.25, 38.5), (26.6, 39.3), (25.8, 39.9), (26.3, 40.1),
    (27.5, 40.75), (28.9, 40.85), (29.1, 41.2), (29.5, 41.6), (32.5, 44.0), (36.6, 44.6), (37.6, 44.4), (40.0, 43.3),
    (40.0, 61.0),
])  # fmt: skip
EUROPE_EAST = Polygon(
    [(40.0, 43.3), (43.0, 44.0), (47.0, 44.6), (49.0, 47.0), (50.0, 52.0), (50.0, 61.0), (40.0, 61.0)]
)
# Both sides of the Caucasus, Azerbaijan and the Caspian side of the Alborz.
CAUCASUS = Polygon([
    (37.6, 44.4), (40.0, 43.3), (41.5, 41.5), (43.5, 41.1), (44.5, 40.0), (46.5, 38.8), (48.3, 38.3), (48.6, 37.2),
    (50.2, 36.3), (54.5, 36.5), (55.6, 37.2), (54.0, 37.4), (51.5, 36.9), (49.4, 37.7), (49.1, 38.5), (50.7, 40.4),
    (48.7, 41.9), (47.6, 43.0), (43.0, 44.0), (40.0, 44.6),
])  # fmt: skip
MAGHREB = Polygon([
    (-9.6, 30.5), (-5.5, 31.2), (-2.5, 33.5), (0.0, 34.6), (5.0, 35.2), (8.5, 35.5), (10.2, 36.5), (10.0, 37.5),
    (5.0, 37.1), (1.0, 36.8), (-2.0, 35.4), (-5.3, 35.9), (-6.2, 35.5), (-6.0, 34.2), (-7.0, 32.5), (-9.3, 31.4),
])  # fmt: skip
AMERICA_COAST = [
    (-68.4, 48.0), (-69.1, 47.45), (-67.8, 47.1), (-67.8, 45.8), (-67.3, 45.2), (-66.9, 44.4), (-69.7, 43.2),
    (-69.6, 41.0), (-73.0, 40.2), (-73.6, 38.5), (-75.2, 35.0), (-78.5, 33.3), (-80.8, 30.5), (-79.7, 27.0),
    (-80.0, 24.8), (-82.2, 24.3), (-83.2, 26.5), (-83.5, 28.6), (-85.5, 29.3), (-88.8, 28.7), (-91.5, 28.9),
    (-93.5, 29.3), (-96.3, 28.2), (-96.8, 25.9), (-97.2, 22.2), (-98.9, 22.4), (-99.9, 22.6), (-100.8, 23.2),
    (-101.3, 25.2), (-100.8, 27.0), (-99.9, 27.8), (-100.3, 28.4), (-101.0, 29.5), (-102.5, 29.7), (-103.2, 29.0),
    (-105.0, 30.7), (-105.0, 49.0),
]  # fmt: skip
CANADA_NORTH = [(-95.15, 50.0), (-66.0, 50.0), (-63.8, 49.0), (-64.3, 48.3), (-66.5, 48.0), (-68.4, 48.0)]
PACIFIC = [(-124.7, 42.0), (-125.0, 43.0), (-124.7, 46.2), (-125.2, 47.5), (-125.2, 48.5), (-123.9, 48.27),
           (-123.2, 48.25), (-123.2, 49.0), (-121.0, 49.0)]  # fmt: skip
CALIFORNIA_NW = Polygon([
    (-124.7, 42.0), (-122.3, 42.0), (-122.6, 41.5), (-122.8, 40.5), (-122.7, 39.5), (-122.4, 38.6), (-122.0, 37.6),
    (-122.9, 37.4), (-123.3, 38.1), (-124.0, 39.2), (-124.8, 40.4),
])  # fmt: skip
VANCOUVER_SOUTH = Polygon([
    (-125.2, 48.5), (-123.9, 48.27), (-123.2, 48.25), (-123.2, 49.0), (-123.7, 49.35), (-124.6, 49.5), (-125.6, 49.0),
])  # fmt: skip
BRITISH_COLUMBIA = Polygon([(-123.2, 49.0), (-121.0, 49.0), (-121.5, 50.0), (-125.8, 50.0), (-125.6, 49.0),
                            (-124.6, 49.5), (-123.7, 49.35)])  # fmt: skip


def ring(words: str) -> Polygon:
    """A polygon out of border lines that meet end to end."""
    points: list[tuple[float, float]] = []
    for word in words.split():
        line = LINES[word.removeprefix("-")]
        line = line[::-1] if word.startswith("-") else line
        if points and points[-1] != line[0]:
            raise ValueError(f"{word} begins at {line[0]}, not at {points[-1]}")
        points += line[1:] if points else line
    if points[0] != points[-1]:
        raise ValueError(f"{words} does not close")
    made = Polygon(points)
    if not made.is_valid:
        raise ValueError(f"{words} crosses itself")
    return made


def lands(names: str) -> Any:
    """Several countries as one shape; those whose names hold a blank are joined by _."""
    return coverage_union_all([ring(RINGS[name.replace("_", " ")]) for name in names.split()])


def between(south: float, north: float, shape: Any) -> Any:
    """The part of a shape between two latitudes."""
    return shape & box(-180.0, south, 180.0, north)


def ranges() -> dict[str, dict[str, Any]]:
    """Native ground and ground that needs evidence, species by species, in longitude and latitude."""
    italy = unary_union([lands("IT"), SARDINIA])
    france = unary_union([lands("FR"), CORSICA])
    south_of_47 = between(37.0, 47.0, unary_union([lands("FR SI HR"), italy, CORSICA]))
    west_america = Polygon([*PACIFIC, *LINES["cascades"][1:]])
    east_america = Polygon([*LINES["us_ca"], *AMERICA_COAST[1:]])
    oregon = west_america & box(-126.0, 42.0, -120.0, 47.0)
    return {
        "tuber_melanosporum": {
            "native": unary_union([south_of_47, between(37.0, 47.0, lands("ES") & SPAIN_EAST)]),
            "evidence": between(37.0, 47.0, unary_union([lands("PT"), lands("BG BA RS ME MK AL GR"), lands("CH")])),
        },
        "tuber_aestivum": {
            "native": unary_union([between(35.0, 58.5, EUROPE), CAUCASUS, MAGHREB]),
            "evidence": between(35.0, 58.5, EUROPE_EAST),
        },
        "tuber_brumale": {
            "native": unary_union(
                [lands("ES"), france, italy, lands("CH DE_south AT SI HR BA RS HU RO BG UA_west"), lands("GR")]
            ),
            "evidence": unary_union([lands("BE LU"), lands("CZ SK PL"), lands("ME AL MK"), ENGLAND_SOUTH]),
        },
        "tuber_borchii": {
            "native": between(36.0, 61.0, EUROPE) & box(-180.0, 0.0, 32.0, 90.0),
            "evidence": between(36.0, 61.0, unary_union([EUROPE & box(32.0, 0.0, 180.0, 90.0), EUROPE_EAST])),
        },
        "tuber_magnatum": {
            "native": between(37.0, 47.0, unary_union([italy, lands("SI HR BA RS ME AL MK BG RO GR HU")])),
            "evidence": unary_union(
                [
                    lands("CH") & box(8.3, 45.7, 9.3, 46.65),
                    lands("CH") & box(5.9, 46.0, 6.35, 46.4),
                    lands("FR") & box(4.6, 42.5, 8.0, 46.1),
                ]
            ),
        },
        "tuber_lyonii": {
            "native": east_america,
            "evidence": Polygon([*LINES["us_ca"][1:], *CANADA_NORTH[-2::-1]]),
        },
        "tuber_oregonense": {
            "native": oregon,
            "evidence": unary_union(
                [west_america, CALIFORNIA_NW & box(-126.0, 39.0, -120.0, 42.0), VANCOUVER_SOUTH, BRITISH_COLUMBIA]
            ),
        },
        "tuber_gibbosum": {
            "native": unary_union([west_america, CALIFORNIA_NW, VANCOUVER_SOUTH]),
            "evidence": Polygon(),
        },
    }


def text_of(states: dict[str, Any]) -> str:
    """One range as GeoJSON, a line for each part."""
    native, evidence = states["native"], states["evidence"]
    lap = evidence.buffer(0.05) & native  # native wins there; without it, rounding would leave gaps between the two
    kept = {"native": set_precision(native, 0.01), "evidence": set_precision(evidence | lap, 0.01)}
    features = []
    for state, shape in kept.items():
        for part in sorted(getattr(shape, "geoms", [shape]), key=lambda part: part.bounds):
            if part.is_empty or part.geom_type != "Polygon":
                continue
            rings = [part.exterior, *part.interiors]
            corners = [[[round(x, 2), round(y, 2)] for x, y in one.coords] for one in rings]
            geometry = {"type": "Polygon", "coordinates": corners}
            feature = {"type": "Feature", "properties": {"state": state}, "geometry": geometry}
            features.append(json.dumps(feature, separators=(",", ":")))
    return '{"type":"FeatureCollection","features":[\n' + ",\n".join(features) + "\n]}\n"


def main() -> None:
    """Write every range beside this file."""
    for name, states in ranges().items():
        (Path(__file__).parent / f"{name}.geojson").write_text(text_of(states), encoding="utf-8")


if __name__ == "__main__":
    main()
