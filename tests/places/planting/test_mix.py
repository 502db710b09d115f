"""A mix of hosts: adds up, keeps two hazels to an oak, and brings in nothing that the plan does not allow."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.places.planting.mix import is_european, mix_of
from underoak.plan.profiles.profile import load_profile, profile_names

NAMES = profile_names()


def by_genus(made):
    counts = {}
    for part in made:
        genus = part.host.name.partition("_")[0]
        counts[genus] = counts.get(genus, 0) + part.trees
    return counts


@given(st.sampled_from(NAMES), st.integers(0, 5000))
def test_a_mix_adds_up_to_its_trees(name, trees):
    hosts = load_profile(name).hosts
    assert sum(part.trees for part in mix_of(hosts, trees, is_european=is_european(hosts))) == trees


@pytest.mark.parametrize("name", ["tuber_melanosporum", "tuber_aestivum", "tuber_magnatum"])
@given(trees=st.integers(50, 5000))
def test_there_are_two_hazels_to_an_oak(name, trees):
    counts = by_genus(mix_of(load_profile(name).hosts, trees))
    assert abs(counts["corylus"] - 2 * counts["quercus"]) <= 4  # whole trees, of two oaks
    assert {"carpinus", "ostrya"} & counts.keys()
    assert "tilia" in counts


def test_exact_shares_of_one_oak_one_hazel():
    hosts = [host for host in load_profile("tuber_melanosporum").hosts
             if host.name in ("quercus_ilex", "corylus_avellana")]  # fmt: skip
    assert [(part.host.name, part.trees) for part in mix_of(hosts, 216, named=True)] == [
        ("corylus_avellana", 144),
        ("quercus_ilex", 72),
    ]


def test_only_compatible_pines_come_in():
    assert "pinus" not in by_genus(mix_of(load_profile("tuber_melanosporum").hosts, 1000))
    assert by_genus(mix_of(load_profile("tuber_aestivum").hosts, 1000))["pinus"] > 0
    counts = by_genus(mix_of(load_profile("tuber_borchii").hosts, 1000))
    assert counts["pinus"] == counts["quercus"]  # its primary hosts are pines


def test_introduced_trees_come_only_when_the_plan_names_them():
    hosts = load_profile("tuber_lyonii").hosts
    assert not is_european(hosts)
    assert "corylus" not in by_genus(mix_of(hosts, 500, is_european=False))
    named = [host for host in hosts if host.name in ("corylus_avellana", "carya_illinoinensis")]
    counts = by_genus(mix_of(named, 500, named=True, is_european=False))
    assert counts == {"carya": 400, "corylus": 100}


def test_a_single_host_gets_all_and_none_gets_nothing():
    cistus = [host for host in load_profile("tuber_melanosporum").hosts if host.name == "cistus"]
    assert [part.trees for part in mix_of(cistus, 7, named=True)] == [7]
    assert mix_of([], 10) == ()
