"""The coarse native ranges: drawn as their script draws them, small, and right at places that the words decide."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

import pytest
import shapely

from underoak.base.grid import Grid
from underoak.places.answers.native import NativeState
from underoak.places.wild.native_range import LocalRange, native_range
from underoak.plan import profile_names, shipped

sys.path.insert(0, str(Path(__file__).parents[2] / "published"))

from known_sites import Site, known_sites

FOLDER = shipped("configs", "ranges")
KINDS = ("melanosporum", "aestivum", "brumale", "borchii", "magnatum", "lyonii", "oregonense", "gibbosum")
NATIVE, EVIDENCE, OUTSIDE = NativeState.NATIVE, NativeState.EVIDENCE, NativeState.OUTSIDE
OK, EV, NO = NATIVE, EVIDENCE, OUTSIDE
# latitude, longitude, and what the worded ranges say for each species in the order above
POINTS = {
    "Sarrión, Teruel": (40.14, -0.81, (OK, OK, OK, OK, NO, NO, NO, NO)),
    "Alba, Piedmont": (44.70, 8.03, (OK, OK, OK, OK, OK, NO, NO, NO)),
    "Périgueux, Dordogne": (45.18, 0.72, (OK, OK, OK, OK, NO, NO, NO, NO)),
    "Visby, Gotland": (57.64, 18.30, (NO, OK, NO, OK, NO, NO, NO, NO)),
    "Jászberény, Hungary": (47.50, 19.91, (NO, OK, OK, OK, NO, NO, NO, NO)),
    "Salisbury, England": (51.07, -1.79, (NO, OK, EV, OK, NO, NO, NO, NO)),
    "Manjimup, Australia": (-34.24, 116.15, (NO,) * 8),
    "Lincoln, New Zealand": (-43.64, 172.48, (NO,) * 8),
    "Albany, Georgia": (31.58, -84.16, (NO, NO, NO, NO, NO, OK, NO, NO)),
    "Corvallis, Oregon": (44.56, -123.26, (NO, NO, NO, NO, NO, NO, OK, OK)),
    "Duncan, Vancouver Island": (48.78, -123.71, (NO, NO, NO, NO, NO, NO, EV, OK)),
    "Bend, Oregon": (44.06, -121.31, (NO,) * 8),
}
# further places, one species each, as the words of the profiles have it
MORE = [
    ("melanosporum", 42.34, -3.70, OK, "Burgos"),
    ("melanosporum", 40.97, -5.66, NO, "Salamanca: orchards only"),
    ("melanosporum", 42.79, 13.09, OK, "Norcia"),
    ("melanosporum", 45.34, 13.83, OK, "Motovun, Istria"),
    ("melanosporum", 44.80, 20.47, EV, "Belgrade"),
    ("melanosporum", 48.85, 2.35, NO, "Paris: north of 47 degrees"),
    ("aestivum", 53.35, -7.0, OK, "Ireland"),
    ("aestivum", 33.5, -5.1, OK, "Middle Atlas"),
    ("aestivum", 60.17, 24.94, NO, "Helsinki"),
    ("aestivum", 39.92, 32.85, NO, "Ankara"),
    ("brumale", 49.2, 16.6, EV, "Brno"),
    ("brumale", 46.95, 7.45, OK, "Bern"),
    ("borchii", 60.45, 22.27, OK, "Turku"),
    ("borchii", 36.75, 3.06, NO, "Algiers"),
    ("magnatum", 46.0, 8.95, EV, "Ticino"),
    ("magnatum", 43.8, 5.8, EV, "Provence"),
    ("magnatum", 45.34, 13.83, OK, "Motovun, Istria"),
    ("magnatum", 46.95, 7.45, NO, "Bern"),
    ("lyonii", 45.5, -73.57, OK, "Montréal"),
    ("lyonii", 39.74, -111.9, NO, "Utah"),
    ("lyonii", 25.67, -100.31, OK, "Monterrey, Nuevo León"),
    ("oregonense", 47.61, -122.33, EV, "Seattle"),
    ("gibbosum", 38.44, -122.71, OK, "Santa Rosa, California"),
    ("gibbosum", 37.34, -121.89, NO, "San José, California"),
]


@pytest.mark.parametrize("place", POINTS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_point_has_the_state_that_the_worded_range_gives_it(place: str, kind: str) -> None:
    latitude, longitude, states = POINTS[place]
    assert native_range(f"tuber_{kind}").at(longitude, latitude) == states[KINDS.index(kind)]


@pytest.mark.parametrize(("kind", "latitude", "longitude", "state", "place"), MORE)
def test_further_places_have_theirs(kind: str, latitude: float, longitude: float, state: str, place: str) -> None:
    assert native_range(f"tuber_{kind}").at(longitude, latitude) == state, place


def test_every_species_has_a_range_and_all_of_them_are_small() -> None:
    files = sorted(FOLDER.glob("*.geojson"))
    assert [file.stem for file in files] == sorted(profile_names())
    assert sum(file.stat().st_size for file in files) < 200_000


@pytest.mark.parametrize("name", profile_names())
def test_parts_are_valid_and_coarse_and_leave_no_small_holes(name: str) -> None:
    found = native_range(name)
    assert found.native.is_valid
    assert not found.native.is_empty
    ground = found.native | found.evidence
    holes = [shapely.Polygon(hole).area for part in shapely.get_parts(ground) for hole in part.interiors]
    assert all(area > 0.05 for area in holes)
    features = json.loads((FOLDER / f"{name}.geojson").read_text(encoding="utf-8"))["features"]
    assert {feature["properties"]["state"] for feature in features} <= {"native", "evidence"}
    for feature in features:
        assert 4 <= sum(map(len, feature["geometry"]["coordinates"])) <= 140


def test_the_files_are_what_their_script_draws() -> None:
    spec = importlib.util.spec_from_file_location("draw_ranges", FOLDER / "draw.py")
    assert spec is not None
    assert spec.loader is not None
    drawing = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(drawing)
    drawn = drawing.ranges()
    assert sorted(drawn) == sorted(profile_names())
    for name, states in drawn.items():
        assert drawing.text_of(states) == (FOLDER / f"{name}.geojson").read_text(encoding="utf-8"), name
        # rounding has opened no gap where native ground and ground that needs evidence meet
        whole = shapely.union_all(list(states.values())).buffer(1e-6).buffer(-0.02)
        found = native_range(name)
        assert (found.native | found.evidence).covers(whole), name


def test_a_range_can_be_narrowed_and_never_widened() -> None:
    whole = native_range("tuber_magnatum")
    country = shapely.box(7.5, 44.0, 8.5, 47.4)  # reaches beyond the range in the north
    narrow = whole.narrowed(country)
    assert (whole.at(12.0, 43.5), narrow.at(12.0, 43.5)) == (NATIVE, OUTSIDE)
    assert narrow.at(8.03, 44.70) == NATIVE
    assert narrow.at(8.0, 47.3) == OUTSIDE
    assert whole.native.covers(narrow.native.buffer(-1e-9))


@pytest.fixture(scope="module")
def border() -> LocalRange:
    """A map in the middle of France, around the 47th degree, where black truffle's range ends."""
    return native_range("tuber_melanosporum").on(Grid.north_up("EPSG:32631", 440_000, 5_225_000, 100, 400, 400))


def test_a_range_is_brought_onto_a_grid_to_the_metre(border: LocalRange) -> None:
    from underoak.base import crs

    to_grid = crs.transformer("EPSG:4326", "EPSG:32631")
    for longitude, latitude, inside in ((2.5, 46.9999, True), (2.5, 47.0001, False)):
        point = shapely.Point(to_grid.transform(longitude, latitude))
        assert border.allowed.covers(point) is inside


def test_a_shape_that_the_border_cuts_is_outside_as_a_whole(border: LocalRange) -> None:
    from underoak.base import crs

    x, y = crs.transformer("EPSG:4326", "EPSG:32631").transform(2.5, 47.0)
    assert border.state(shapely.box(x, y - 3000, x + 1000, y - 1000)) == NATIVE
    assert border.state(shapely.box(x, y - 3000, x + 1000, y + 1000)) == OUTSIDE
    assert border.state(shapely.box(x, y + 1000, x + 1000, y + 3000)) == OUTSIDE
    # nobody can say to a cell where the border runs
    assert border.state(shapely.box(x, y - 3000, x + 10, y - 60)) == OUTSIDE


def test_shares_of_a_shape_add_up(border: LocalRange) -> None:
    from underoak.base import crs

    x, y = crs.transformer("EPSG:4326", "EPSG:32631").transform(2.5, 47.0)
    shares = border.shares(shapely.box(x, y - 3000, x + 100, y + 1000))
    assert sum(shares.values()) == pytest.approx(1.0)
    assert shares[OUTSIDE] == pytest.approx(0.25, abs=0.01)
    assert shares[EVIDENCE] == 0.0


# A second source beside the words: places where the truffle is wild, or is planted and not native (`known_sites.csv`
# names who reports them). Rare finds within the range count as wild where the words include them.
PLANTED = ("control", "low", "edge", "failed", "watered")


@pytest.mark.parametrize("site", known_sites(), ids=lambda site: f"{site.species}-{site.place}")
def test_known_sites_lie_on_the_right_side_of_the_border(site: Site) -> None:
    state = native_range(site.species).at(site.longitude, site.latitude)
    if site.expected == "native":
        assert state is NATIVE
    elif site.expected in PLANTED:
        assert state is not NATIVE
    elif site.species == "tuber_melanosporum":  # orchards overseas and in Wales
        assert state is OUTSIDE
    else:  # rare, at the edge of the range: Sicily, southern Finland, southern Québec
        assert state is NATIVE
