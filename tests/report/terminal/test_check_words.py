"""What `check` prints: each line once, with whom it is for."""

import pytest
import yaml

import underoak as uo


@pytest.fixture(scope="module")
def lines():
    path = uo.shipped("configs", "plans", "demo.yaml")
    plan = yaml.safe_load(path.read_text(encoding="utf-8"))
    plan["species"] = ["tuber_melanosporum", "tuber_aestivum"]
    del plan["weights"]
    plan["scenarios"] = [{"name": "dry", "replace": {"rain_summer": {"file": "../../sample_rasters/climate.nc"}}}]
    return uo.check(uo.load_plan(plan, base=path.parent))


def test_no_line_is_told_twice(lines):
    assert len(lines) == len(set(lines))
    assert sum(line.startswith("view ") for line in lines) == 4


def test_what_all_share_names_nobody(lines):
    (ph,) = [line for line in lines if line.startswith("layer     soil_ph:")]
    assert ph.endswith("onto the grid by nearest")
    assert sum(line.startswith("draws ") for line in lines) == 1


def test_what_one_species_asks_names_it_once_for_all_its_futures(lines):
    of_ph = [line for line in lines if line.startswith("criterion ph:")]
    assert [line[line.index("[") :] for line in of_ph] == ["[Tuber melanosporum]", "[Tuber aestivum]"]


def test_how_much_of_each_profile_is_looked_at_is_told_before_a_run(lines):
    path = uo.shipped("configs", "plans", "demo.yaml")
    part = uo.load_plan(path).looked_at
    (line,) = [line for line in uo.check(uo.load_plan(path)) if line.startswith("looked at ")]
    assert line.startswith(f"looked at {part.judged_weight:.2f} of the profile's weight. Not looked at: ")
    assert f"{part.missing[0].label} {part.missing[0].weight:.2f}" in line
    assert len([line for line in lines if line.startswith("looked at ")]) == 2  # one for each species
