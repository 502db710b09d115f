"""A mix of hosts: adds up, keeps two hazels to an oak, and brings in nothing that the plan does not allow."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.places.planting.mix import mix_of, recipe_holds
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
    profile = load_profile(name)
    assert sum(part.trees for part in mix_of(profile.hosts, trees, profile.practice.mix)) == trees


@pytest.mark.parametrize("name", ["tuber_melanosporum", "tuber_aestivum"])
@given(trees=st.integers(50, 5000))
def test_there_are_two_hazels_to_an_oak_where_the_profile_has_that_mix(name, trees):
    profile = load_profile(name)
    mix = mix_of(profile.hosts, trees, profile.practice.mix)
    counts = by_genus(mix)
    assert abs(counts["corylus"] - 2 * counts["quercus"]) <= 4  # whole trees, of two oaks
    assert {"carpinus", "ostrya"} & counts.keys()
    assert "tilia" in counts
    assert recipe_holds(profile.practice.mix, mix)


@given(st.sampled_from(NAMES), st.integers(50, 5000))
def test_without_a_mix_primary_hosts_get_equal_parts_and_no_genus_is_ordered(name, trees):
    hosts = load_profile(name).hosts
    mix = mix_of(hosts, trees)
    assert all(part.host.strength == "primary" and "_" in part.host.name for part in mix)
    counts = by_genus(mix)
    counts["carpinus"] = counts.pop("carpinus", 0) + counts.pop("ostrya", 0)  # one kind
    shares = sorted(count for count in counts.values() if count)
    assert shares[-1] - shares[0] <= 2


def test_exact_shares_of_one_oak_one_hazel():
    hosts = [host for host in load_profile("tuber_melanosporum").hosts
             if host.name in ("quercus_ilex", "corylus_avellana")]  # fmt: skip
    recipe = load_profile("tuber_melanosporum").practice.mix
    assert [(part.host.name, part.trees) for part in mix_of(hosts, 216, recipe, named=True)] == [
        ("corylus_avellana", 144),
        ("quercus_ilex", 72),
    ]


def test_only_compatible_pines_come_in():
    of = {name: load_profile(f"tuber_{name}") for name in ("melanosporum", "aestivum", "borchii")}
    mixes = {name: by_genus(mix_of(p.hosts, 1000, p.practice.mix)) for name, p in of.items()}
    assert "pinus" not in mixes["melanosporum"]
    assert mixes["aestivum"]["pinus"] > 0
    assert mixes["borchii"] == {"pinus": 500, "quercus": 500}  # its primary hosts; no mix is on record


def test_introduced_trees_come_only_when_the_plan_names_them():
    hosts = load_profile("tuber_lyonii").hosts
    assert by_genus(mix_of(hosts, 500)) == {"carya": 500}
    named = [host for host in hosts if host.name in ("corylus_avellana", "carya_illinoinensis")]
    assert by_genus(mix_of(named, 500, named=True)) == {"carya": 400, "corylus": 100}


def test_a_single_host_gets_all_and_none_gets_nothing():
    cistus = [host for host in load_profile("tuber_melanosporum").hosts if host.name == "cistus"]
    assert [part.trees for part in mix_of(cistus, 7, named=True)] == [7]
    assert mix_of([], 10) == ()
