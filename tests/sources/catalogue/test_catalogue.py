"""The catalogue of open data: each field says how it is known, addresses follow from tile rules, units are right."""

from __future__ import annotations

import json
import random
import re
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner
from pydantic import ValidationError

from underoak.base import crs, units
from underoak.base.errors import UnderoakError
from underoak.cli import main
from underoak.plan.profiles.published_errors import published_errors
from underoak.sources.catalogue.addresses import address, chosen_map, pattern_fields
from underoak.sources.catalogue.catalogue import catalogue, data_set
from underoak.sources.catalogue.data_set import DataSet, facts
from underoak.sources.catalogue.fact import Fact
from underoak.sources.catalogue.tile_rules import TILE_RULES

FOLDER = Path(__file__).parents[3] / "configs" / "sources"
SETS = catalogue()
OPEN = {name: each for name, each in SETS.items() if each.access == "open"}
EXAMPLES = [(name, example) for name, each in OPEN.items() for example in each.examples]


@pytest.mark.parametrize(("name", "example"), EXAMPLES, ids=[f"{n}-{e.tile}-{e.band}" for n, e in EXAMPLES])
def test_a_worked_address_follows_from_the_tile_rule(name, example):
    each = OPEN[name]
    chosen = chosen_map(name, each, example.band, "")
    x, y = crs.transformer("EPSG:4326", each.crs.value).transform(*example.at)
    tile = TILE_RULES[each.tiles.rule].at(x, y, chosen.band.blocks or 1)
    assert tile.name == example.tile
    left, bottom, right, top = tile.bounds
    assert left <= x < right
    assert bottom <= y <= top
    assert address(chosen, tile.name, example.month) == example.address


@pytest.mark.parametrize("name", OPEN)
def test_an_address_has_the_fields_that_are_filled_in_and_no_other(name):
    each = OPEN[name]
    known = {"band", "tile", "month", *each.choices} | {f"{choice}_lower" for choice in each.choices}
    fields = pattern_fields(each.address.value)
    assert fields <= known
    assert ("tile" in fields) == (each.tiles.rule != "one_file")
    assert ("month" in fields) == any(band.months for band in each.bands.values())
    assert {field.removesuffix("_lower") for field in fields} >= set(each.choices)
    assert each.address.value.startswith("https://")
    assert each.tiles.listing is None or pattern_fields(each.tiles.listing.address.value) <= known
    assert each.tiles.listing is None or re.compile(each.tiles.listing.pattern).groups == 1


@pytest.mark.parametrize("rule", [rule for rule in TILE_RULES if rule != "one_file"])
@pytest.mark.parametrize("blocks", [1, 3, 4])
def test_tiles_over_a_box_are_those_of_its_places(rule, blocks):
    chance = random.Random(f"{rule}{blocks}")
    step = abs(TILE_RULES[rule].step[0]) / blocks
    for _ in range(30):
        x, y = chance.uniform(-60, 60) * step, chance.uniform(-8, 8) * step
        wide, high = chance.uniform(0.01, 2.5) * step, chance.uniform(0.01, 2.5) * step
        over = TILE_RULES[rule].over((x, y, x + wide, y + high), blocks)
        assert len({tile.name for tile in over}) == len(over)
        places = [(chance.uniform(x, x + wide), chance.uniform(y, y + high)) for _ in range(100)]
        assert {TILE_RULES[rule].at(*place, blocks) for place in places} <= set(over)
        assert all(
            t.bounds[0] < x + wide and t.bounds[2] > x and t.bounds[1] < y + high and t.bounds[3] > y for t in over
        )


@pytest.mark.parametrize(
    ("place", "name"),
    # provider's own examples of names, by the lower left corner
    [((-114.2, 53.7), "N53_00_W115_00"), ((-0.5, -0.5), "S01_00_W001_00"), ((12.3, 44.0), "N44_00_E012_00")],
)
def test_elevation_tiles_are_named_after_their_lower_left_corner(place, name):
    assert TILE_RULES["degree_sw"].at(*place).name == name


def test_every_evidence_is_used_and_every_fact_says_how_it_is_known():
    for name, each in SETS.items():
        marked = [fact for _, fact in facts(each)]
        assert all(fact.known in ("seen", "derived", "unverified", "conflict") for fact in marked)
        used = {fact.evidence for fact in marked} - {None}
        assert set(each.evidence) - used <= {"none"}, name


def test_a_fact_that_is_seen_needs_evidence_and_a_conflict_a_note():
    for text in (
        {"value": "a", "known": "seen"},
        {"value": "a", "known": "conflict"},
        {"value": "a", "known": "heard"},
    ):
        with pytest.raises(ValidationError):
            Fact[str].model_validate(text)


@pytest.mark.parametrize(
    "change",
    [
        {"licence": {"value": "x", "known": "seen", "evidence": "nowhere"}},
        {"addres": {"value": "x", "known": "derived"}},
        {"crs": None},
        {"tiles": {"rule": "by_hand", "known": {"value": "x", "known": "derived"}}},
    ],
)
def test_a_set_that_is_incomplete_or_misspelt_is_refused(change):
    entry = yaml.safe_load((FOLDER / "copernicus_glo30.yaml").read_text(encoding="utf-8"))
    DataSet.model_validate(entry)
    with pytest.raises(ValidationError):
        DataSet.model_validate({key: value for key, value in (entry | change).items() if value is not None})


# ISRIC's table of factors; seen. Coarse fragments by arithmetic: per mille to per cent.
SOIL = {
    "phh2o": ("pH", 10), "clay": ("%", 10), "sand": ("%", 10), "silt": ("%", 10), "soc": ("g/kg", 10),
    "nitrogen": ("g/kg", 100), "bdod": ("kg/dm3", 100), "cfvo": ("%", 10),
}  # fmt: skip


@pytest.mark.parametrize("name", SOIL)
def test_soil_factors_are_the_printed_ones(name):
    usual, factor = SOIL[name]
    step = units.conversion(SETS["soilgrids_2_0"].bands[name].unit.value, usual)
    assert (step.scale, step.offset) == pytest.approx((1 / factor, 0), rel=1e-12)


@pytest.mark.parametrize("name", OPEN)
def test_plausible_bounds_are_stored_numbers_within_the_type(name):
    each, limits = OPEN[name], {"uint8": (0, 255), "int16": (-(2**15), 2**15 - 1), "uint16": (0, 2**16 - 1)}
    for band in each.bands.values():
        low, high = band.plausible.value
        header = each.header_of(band)
        assert low < high
        if header.dtype.value in limits:
            lowest, highest = limits[header.dtype.value]
            assert lowest <= low < high <= highest
        if header.nodata.value != "none":
            assert not low <= header.nodata.value <= high
        assert (band.unit is None) == (band.classes is not None)
        assert band.kind is None or band.kind in published_errors()


def test_bounds_of_ph_and_warmth_are_those_of_the_units():
    # pH 2.5 to 11 and -60 to 45 degrees C, in stored numbers
    low, high = SETS["soilgrids_2_0"].bands["phh2o"].plausible.value
    assert [units.conversion("pH*10", "pH")(v) for v in (low, high)] == pytest.approx([2.5, 11])
    each = SETS["chelsa_2_1"]
    scale, offset = each.header.scale.value, each.header.offset.value
    kelvin = [stored * scale + offset for stored in each.bands["tas"].plausible.value]
    assert [units.conversion("K", "degC")(v) for v in kelvin] == pytest.approx([-60, 45], abs=0.1)
    # a January of 285.0 K is 11.85 degrees C
    assert units.conversion("K", "degC")(2850 * scale + offset) == pytest.approx(11.85, abs=1e-9)


def test_soil_grid_is_the_homolosine_of_the_checked_coordinates():
    x, y = crs.transformer("EPSG:4326", SETS["soilgrids_2_0"].crs.value).transform(5.0, 50.0)
    assert (x, y) == pytest.approx((1438001.758, 5536683.825), abs=0.01)


def test_elevation_columns_fit_the_counts_of_cells():
    # 3600 rows; 3600, 2400, 1800, 1200, 720, 360 columns, provider's readme
    factors = SETS["copernicus_glo30"].columns.value
    assert [round(3600 / factor) for factor in (1, *factors.values())] == [3600, 2400, 1800, 1200, 720, 360]


def test_land_cover_codes_are_the_printed_ones():
    cover = SETS["worldcover_2021"].bands["cover"]
    assert sorted(cover.classes) == [10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100]
    assert cover.classes[80] == "permanent water"


def test_sets_whose_terms_forbid_it_are_not_gathered():
    assert all(each.bundling.value == "allowed" for each in OPEN.values())
    assert {"wdpa", "worldclim_2_1", "catastro"} <= {n for n, s in SETS.items() if s.bundling.value == "forbidden"}
    assert all(
        each.why and "data/" in each.put for name, each in SETS.items() if name not in OPEN and name != "macrostrat"
    )


def test_what_is_not_in_the_catalogue_is_told_with_the_nearest():
    with pytest.raises(UnderoakError, match=r'E380 .*did you mean "soilgrids_2_0"'):
        data_set("soilgrids_20")
    soil = data_set("soilgrids_2_0")
    for text in ("phh20/5-15cm/mean", "phh2o", "phh2o/5-15/mean", "phh2o/5-15cm/mean/3"):
        with pytest.raises(UnderoakError, match="E380"):
            chosen_map("soilgrids_2_0", soil, text, "layers.soil_ph.gather")


def test_a_folder_of_the_users_replaces_an_address(tmp_path):
    text = (FOLDER / "isdasoil.yaml").read_text(encoding="utf-8").replace("isdasoil.s3.amazonaws.com", "mirror.example")
    (tmp_path / "isdasoil.yaml").write_text(text, encoding="utf-8")
    sets = catalogue(tmp_path)
    assert "mirror.example" in sets["isdasoil"].address.value
    assert sets["copernicus_glo30"] == SETS["copernicus_glo30"]
    with pytest.raises(UnderoakError, match="E305"):
        catalogue(tmp_path / "none")


def test_the_command_prints_a_line_for_each_set_one_whole_and_json():
    lines = CliRunner().invoke(main, ["sources"]).stdout
    assert all(lines.count(f"  {name} ") == 1 for name in SETS)
    page = CliRunner().invoke(main, ["sources", "soilgrids_2_0"]).stdout
    each = SETS["soilgrids_2_0"]
    assert each.attribution.value in page
    assert all(str(trap.value) in page for trap in each.traps)
    assert each.address.value in page
    values = json.loads(CliRunner().invoke(main, ["sources", "soilgrids_2_0", "--json"]).stdout)
    assert values["bands"]["cfvo"]["unit"]["known"] == "conflict"
    assert DataSet.model_validate(values) == each
    assert set(json.loads(CliRunner().invoke(main, ["sources", "--json"]).stdout)) == set(SETS)
    assert CliRunner().invoke(main, ["sources", "soilgrid"]).exit_code == 3
