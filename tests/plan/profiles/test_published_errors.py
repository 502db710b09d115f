"""Published errors by kind of layer: every kind that a profile judges is there, each figure with its source."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from underoak.base.errors import UnderoakError
from underoak.indicators import REGISTRY
from underoak.plan.keys.quantities import check_conversion
from underoak.plan.keys.uncertainty import deviation_at, deviation_in, deviations
from underoak.plan.profiles.profile import load_profile, profile_names
from underoak.plan.profiles.published_errors import published_errors, read_published_errors

FOLDER = Path(__file__).parents[3] / "configs" / "defaults"
KINDS = published_errors()
CRITERIA = [(name, criterion) for name in profile_names() for criterion in load_profile(name).criteria.values()]


def kinds_of(layer: str) -> list[str]:
    return [kind for kind, error in KINDS.items() if layer in error.layers]


@pytest.mark.parametrize("layer", sorted({criterion.layer for _, criterion in CRITERIA}))
def test_every_layer_of_a_profile_has_one_kind_with_an_error_or_a_reason(layer):
    (kind,) = kinds_of(layer)
    error = KINDS[kind]
    assert (error.sd is None) == (error.no_error is not None)


@pytest.mark.parametrize(("species", "criterion"), CRITERIA, ids=[f"{n}-{c.layer}" for n, c in CRITERIA])
def test_an_error_is_one_of_the_unit_that_the_profile_judges_in(species, criterion):
    (kind,) = kinds_of(criterion.layer)
    for deviation in deviations(KINDS[kind].sd) if KINDS[kind].sd is not None else ():
        amount, _ = deviation_in(deviation, criterion.unit)
        assert amount > 0.0
    if KINDS[kind].sd is None:
        for unit in KINDS[kind].units[:1]:
            check_conversion(criterion.unit, unit)


def test_no_kind_layer_or_indicator_is_listed_twice_and_all_indicators_exist():
    names = [kind for path in FOLDER.glob("*.yaml") for kind in read_published_errors(path)]
    for listed in (
        names,
        [layer for error in KINDS.values() for layer in error.layers],
        [indicator for error in KINDS.values() for indicator in error.indicators],
        [quantity for error in KINDS.values() for quantity in error.quantities],
    ):
        assert [name for name, count in Counter(listed).items() if count > 1] == []
    assert {indicator for error in KINDS.values() for indicator in error.indicators} <= set(REGISTRY)


@pytest.mark.parametrize("kind", [kind for kind, error in KINDS.items() if error.sd is not None])
def test_a_figure_without_a_source_in_print_says_so_and_has_the_lowest_grade(kind):
    error = KINDS[kind]
    assert error.source
    if error.known in ("common practice, no source", "from memory"):
        assert error.grade == "C"
    if error.known in ("read", "abstract read"):
        assert error.grade in ("A", "B")
        assert any(character.isdigit() for character in error.source)


# Root mean square errors as printed. Soil: ISRIC, "Mapping accuracy of AfSoilGrids250m", read. Abstracts of: Chen et
# al. 2024, Earth Syst. Sci. Data 16:2367 (bulk density); Brunetti et al. 2014, Int. J. Climatol., joc.3764 (0.74 °C in
# April and May, 1.03 °C in December); Kobayashi et al. 2014, Remote Sens. 6:209 (tree cover, 14.2 %); Li et al. 2022,
# Int. J. Digit. Earth (heights, 6.73 m).
PRINTED = [
    ("soil_ph", "pH", 0.67, 0.0), ("clay", "percent", 13.7, 0.0), ("sand", "percent", 15.9, 0.0),
    ("silt", "percent", 8.3, 0.0), ("stones", "percent", 18.4, 0.0), ("organic_carbon", "g/kg", 10.6, 0.0),
    ("bulk_density", "g/cm3", 0.19, 0.0), ("temperature", "degC", (0.74 + 1.03) / 2, 0.05),
    ("temperature_winter", "degC", 1.03, 0.05), ("tree_cover", "percent", 14.2, 0.0), ("elevation", "m", 6.73, 0.05),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "unit", "printed", "within"), PRINTED, ids=[row[0] for row in PRINTED])
def test_a_figure_is_the_printed_one(kind, unit, printed, within):
    amount, is_share = deviation_in(deviation_at(KINDS[kind].sd, 30.0), unit)
    assert not is_share
    assert amount == pytest.approx(printed, abs=within + 1e-9)


def test_figures_that_are_worked_out_follow_from_their_sources():
    matter, _ = deviation_in(KINDS["organic_matter"].sd, "percent")
    assert matter == pytest.approx(1.06 * 1.724, abs=0.005)  # carbon in per cent, times 1.724
    # Brunetti et al. 2009, Adv. Sci. Res. 3:73, abstract: mean absolute error of 10 to 14 % of a month's rain. For a
    # normal error the standard deviation is sqrt(pi / 2) = 1.25 times that.
    rain, is_share = deviation_in(KINDS["rain"].sd, "mm")
    assert is_share
    assert 0.10 * 1.25 <= rain <= 0.14 * 1.2534
    # Ann. For. Sci. 2010, f09427, Table I: monthly errors of mean, maximum, minimum 0.3, 0.4, 0.5
    mean, warm, winter, cold = (
        deviation_in(KINDS[kind].sd, "degC")[0]
        for kind in ("temperature", "temperature_maximum", "temperature_winter", "temperature_minimum")
    )
    assert warm == pytest.approx(mean * 0.4 / 0.3, abs=0.05)
    assert cold == pytest.approx(winter * 0.5 / 0.3, abs=0.05)
    for size in ("5 m", "10 m", "30 m", "90 m"):
        slope, _ = deviation_in(KINDS["slope"].sd[size], "degree")
        northness, _ = deviation_in(KINDS["northness"].sd[size], "1")
        assert northness == pytest.approx(0.7 * (slope * 3.14159 / 180) / 0.15, abs=0.02)


@pytest.mark.parametrize("kind", ["elevation", "slope", "northness"])
def test_coarser_cells_are_no_more_certain(kind):
    unit = {"elevation": "m", "slope": "degree", "northness": "1"}[kind]
    sizes = [2.0, 5.0, 8.0, 10.0, 25.0, 30.9, 90.0, 400.0, 5000.0]
    amounts = [deviation_in(deviation_at(KINDS[kind].sd, size), unit)[0] for size in sizes]
    assert all(fine <= coarse for fine, coarse in pairwise(amounts))


@pytest.mark.parametrize(
    ("entry", "what"),
    [
        ("{text: x}", "needs either `sd` or `no_error`"),
        ("{text: x, sd: 1 m, no_error: y}", "needs either `sd` or `no_error`"),
        ("{text: x, sd: 1 m, known: read, grade: A}", "an `sd` needs `cite`, `source`"),
        ("{text: x, no_error: y, grade: A}", "has no figures"),
        ("{text: x, sd: 1 m, cite: z, source: y, known: heard, grade: A}", "heard"),
    ],
)
def test_an_entry_that_says_too_little_or_too_much_is_refused(entry, what, tmp_path):
    path = tmp_path / "errors.yaml"
    path.write_text(f"errors: {{thing: {entry}}}\n", encoding="utf-8")
    with pytest.raises(UnderoakError) as caught:
        read_published_errors(path)
    assert any(what in fault.what for fault in caught.value.faults), caught.value


def test_every_file_and_every_key_is_in_the_readme():
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert all(f"`{path.name}`" in readme for path in FOLDER.glob("*.yaml"))
    assert all(f"`{known}`" in readme for known in {error.known for error in KINDS.values()} - {None})
