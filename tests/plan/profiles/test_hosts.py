"""Host trees: the regions in which they grow."""

from __future__ import annotations

import pytest

from underoak.base.errors import UnderoakError
from underoak.plan import load_profile
from underoak.plan.profiles.hosts import Trees, grows_at, load_trees
from underoak.plan.reading.validation import read_as

TERUEL, GOTLAND, MANJIMUP, GEORGIA, PACIFIC = (-0.8, 40.1), (18.3, 57.6), (116.1, -34.2), (-84.2, 31.6), (-140.0, 0.0)


@pytest.mark.parametrize("name", load_trees())
def test_a_tree_grows_where_it_is_native_and_nowhere_at_sea(name: str) -> None:
    places = [(x, y) for x in range(-179, 180, 3) for y in range(-55, 72, 2)]
    wild = {place for place in places if grows_at(name, *place, wild=True)}
    assert wild
    assert wild <= {place for place in places if grows_at(name, *place)}
    assert not grows_at(name, *PACIFIC)


# Common knowledge of where trees grow; the regions themselves are coarse and from memory.
@pytest.mark.parametrize(
    ("name", "place", "anywhere", "wild"),
    [
        ("quercus_ilex", TERUEL, True, True),
        ("quercus_ilex", GOTLAND, False, False),
        ("quercus_ilex", MANJIMUP, True, False),
        ("corylus_avellana", GOTLAND, True, True),
        ("carya_illinoinensis", GEORGIA, True, True),
        ("carya_illinoinensis", TERUEL, False, False),
        ("ostrya_carpinifolia", TERUEL, False, False),
        ("pseudotsuga_menziesii", GEORGIA, False, False),
    ],
)
def test_a_tree_grows_where_it_is_known_to(name: str, place: tuple[float, float], anywhere: bool, wild: bool) -> None:
    assert (grows_at(name, *place), grows_at(name, *place, wild=True)) == (anywhere, wild)


def test_every_truffle_has_hosts_that_grow_where_it_is_native() -> None:
    homes = {
        "melanosporum": TERUEL, "aestivum": GOTLAND, "brumale": (1.6, 44.3), "borchii": (11.1, 42.7),
        "magnatum": (8.0, 44.7), "lyonii": GEORGIA, "oregonense": (-123.4, 44.6), "gibbosum": (-122.8, 38.0),
    }  # fmt: skip
    for kind, home in homes.items():
        hosts = [host for host in load_profile(f"tuber_{kind}").hosts if not host.introduced]
        assert any(host.strength == "primary" and grows_at(host.name, *home, wild=True) for host in hosts), kind


def test_a_region_that_is_not_there_is_refused(tmp_path) -> None:
    path = tmp_path / "hosts.yaml"
    path.write_text(
        "regions: {home: [[0, 0, 1, 1]]}\n"
        "trees: {oak: {common: an oak, native: here, native_in: [hom], source: a test}}\n",
        encoding="utf-8",
    )
    with pytest.raises(UnderoakError, match=r'E304.*no region "hom"'):
        read_as(Trees, path)
