"""Several species and futures in one plan."""

import pytest

import underoak as uo

PLAN = {
    "format": 1,
    "title": "two truffles, two futures",
    "purpose": "region",
    "species": ["tuber_melanosporum", "tuber_aestivum"],
    "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
    "layers": {
        "soil_ph": {"file": "ph.tif", "unit": "pH*10"},
        "elevation": {"file": "dem.tif", "unit": "m"},
        "slope": {"from": "elevation", "derive": "slope"},
        "rain_summer": {"file": "r.tif", "unit": "mm"},
    },
    "scenarios": [
        {"name": "dry", "family": "m1", "replace": {"rain_summer": "dry/r.tif"}},
        {"name": "wet", "replace": {"rain_summer": {"file": "wet/r.tif", "unit": "cm"}}},
    ],
}


def faults(**changes) -> list[uo.Fault]:
    with pytest.raises(uo.UnderoakError) as caught:
        uo.load_plan({**PLAN, **changes})
    return list(caught.value.faults)


def test_every_species_is_judged_in_every_future_in_a_folder_of_its_own():
    plan = uo.load_plan(PLAN)
    assert [each.case.folder for each in plan.cases] == [
        "tuber_melanosporum", "tuber_melanosporum/scenarios/dry", "tuber_melanosporum/scenarios/wet",
        "tuber_aestivum", "tuber_aestivum/scenarios/dry", "tuber_aestivum/scenarios/wet",
    ]  # fmt: skip
    assert [each.case.label for each in plan.cases][:2] == ["Tuber melanosporum", "Tuber melanosporum, dry"]
    curves = {each.case.species: each.criteria[0].curve for each in plan.cases}
    assert curves["tuber_melanosporum"] != curves["tuber_aestivum"]


def test_one_species_without_a_future_is_flat():
    plan = uo.load_plan({**PLAN, "species": ["tuber_aestivum"], "scenarios": []})
    assert [each.case.folder for each in plan.cases] == [""]
    assert plan.cases[0] is plan


def test_one_species_with_futures_keeps_the_present_in_a_folder_of_its_own():
    plan = uo.load_plan({**PLAN, "species": ["tuber_aestivum"]})
    assert [each.case.folder for each in plan.cases] == ["present", "scenarios/dry", "scenarios/wet"]
    assert plan.cases[0].case.summary_folder == ""


def test_a_scenario_changes_only_the_layers_it_names():
    present, dry, wet = (each.layers for each in uo.load_plan(PLAN).cases[:3])
    assert dry["rain_summer"].file == "dry/r.tif"
    assert (wet["rain_summer"].unit, wet["rain_summer"].to) == ("cm", "mm")
    assert {name: layer for name, layer in dry.items() if name != "rain_summer"} == {
        name: layer for name, layer in present.items() if name != "rain_summer"
    }


@pytest.mark.parametrize(
    ("replace", "what", "fix"),
    [
        ({"rain_sumer": "x.tif"}, 'no layer "rain_sumer"', 'did you mean "rain_summer"?'),
        ({"slope": "x.tif"}, "is derived from", 'replace "elevation"'),
        ({"rain_summer": {"file": "x.tif", "unit": "degC"}}, "cannot become", ""),
    ],
)
def test_a_replacement_that_cannot_be_is_told(replace, what, fix):
    (fault,) = faults(scenarios=[{"name": "odd", "replace": replace}], species=["tuber_aestivum"])
    assert fault.code == "E330"
    assert what in fault.what
    assert fix in fault.fix


def test_a_name_given_twice_is_told():
    twice = [PLAN["scenarios"][0], PLAN["scenarios"][0]]
    assert [fault.code for fault in faults(scenarios=twice)] == ["E304"]


def test_the_canonical_form_loads_as_the_same_plan():
    plan = uo.load_plan(PLAN)
    assert uo.load_plan(plan.canonical()).hash == plan.hash
    other = {**PLAN, "scenarios": PLAN["scenarios"][:1]}
    assert uo.load_plan(other).hash != plan.hash
