from __future__ import annotations

import math

import pytest

import underoak
from underoak.base.errors import UnderoakError
from underoak.plan import load_profile, profile_names, species_list
from underoak.plan.profiles.species_sheet import WIDTH, sheet, species_sheet


@pytest.mark.parametrize("name", profile_names())
def test_a_sheet_tells_every_criterion_host_and_source_in_lines_that_fit(name: str) -> None:
    text = species_sheet(name)
    assert max(map(len, text.splitlines())) <= WIDTH == 80
    assert all(line == line.rstrip() for line in text.splitlines())
    flat = " ".join(text.split())
    profile = load_profile(name)
    for key, criterion in profile.criteria.items():
        assert f"{key}: {criterion.label}" in flat
        for words in (criterion.source, criterion.weight_reason, criterion.curve.in_words(criterion.unit)):
            assert " ".join(words.split()) in flat
        assert f"{key} {criterion.weight:.2f} {criterion.confidence} {criterion.curve.in_words(criterion.unit)}" in flat
    for host in profile.hosts:
        introduced = " Introduced pairing: for orchards only." if host.introduced else ""
        caution = f" Caution: {host.tree.caution}." if host.tree.caution else ""
        sentence = (
            f"{host.name}: {host.common}.{introduced} Native to {host.tree.native}.{caution} Source: {host.source}."
        )
        assert " ".join(sentence.split()) in flat
    for criterion in profile.criteria.values():
        if criterion.remedy is not None:
            assert f"{criterion.remedy.by} up to {criterion.remedy.limit}" in flat
    for note in (*profile.notes, *profile.ruled_out):
        assert " ".join(note.words.split()) in flat
    assert " ".join(profile.native.words.split()) in flat


def test_criteria_stand_by_weight() -> None:
    text = species_sheet("tuber_melanosporum")
    assert text.index("carbonate: total") < text.index("ph: soil pH") < text.index("elevation: height")
    assert text.index("\n  carbonate ") < text.index("\n  ph ") < text.index("\n  elevation ")


def test_a_season_is_told_for_both_sides_of_the_equator() -> None:
    flat = " ".join(species_sheet("tuber_melanosporum").split())
    assert "Fruits November to March; south of the equator May to September." in flat


def test_a_truffle_of_acid_ground_has_no_remedy() -> None:
    assert "REMEDIES\n  None: choose land that is suitable as it is." in species_sheet("tuber_oregonense")


def test_how_far_corners_may_be_off_is_told_in_the_criterions_unit() -> None:
    flat = " ".join(species_sheet("tuber_brumale").split())
    assert "Uncertainty of each corner: 0.4 pH (common practice, no source)." in flat
    assert "Uncertainty of each corner: 60 % of its value (common practice, no source)." in flat
    assert "Uncertainty of each corner: 12 points (common practice, no source)." in flat


def test_the_list_names_every_profile() -> None:
    lines = species_list().splitlines()
    assert [line.split()[0] for line in lines[: len(profile_names())]] == list(profile_names())


def test_a_sheet_names_essential_criteria_and_their_source() -> None:
    profile = load_profile("tuber_brumale")
    assert "ssential" not in sheet(profile)
    update = {"essential": True, "essential_source": "a made-up station"}
    criteria = profile.criteria | {"winter_cold": profile.criteria["winter_cold"].model_copy(update=update)}
    text = sheet(profile.model_copy(update={"criteria": criteria}))
    assert max(map(len, text.splitlines())) <= WIDTH
    flat = " ".join(text.split())
    assert "Essential: winter_cold. No class is above the class of one of them alone." in flat
    assert "Essential: no class is above the class of this criterion alone. Source: a made-up station." in flat


def test_a_sheet_of_nothing_is_refused() -> None:
    with pytest.raises(UnderoakError, match="E332"):
        species_sheet("tuber_indicum")


@pytest.mark.parametrize("name", profile_names())
def test_a_sheet_ends_with_a_command_that_works_once_its_figures_are_filled_in(name: str) -> None:
    command = (
        " ".join(species_sheet(name).split())
        .rpartition("Next: ")[2]
        .removesuffix(" judges a spot from figures that you have.")
    )
    program, verb, species, *figures = command.split()
    assert (program, verb, species, len(figures)) == ("underoak", "judge", name, 3)
    criteria = load_profile(name).criteria
    names = [figure.removesuffix("=…") for figure in figures]
    assert [criteria[key].weight for key in names] == sorted((c.weight for c in criteria.values()), reverse=True)[:3]
    best = [criteria[key].curve.curve().full for key in names]
    filled = [f"{key}={low if math.isfinite(low) else high}" for key, (low, high) in zip(names, best, strict=True)]
    assert underoak.judge(name, filled).suitability == pytest.approx(1.0)
