from __future__ import annotations

import pytest

from underoak.errors import UnderoakError
from underoak.plan import load_profile, profile_names, species_list, species_sheet
from underoak.plan.species_sheet import WIDTH


@pytest.mark.parametrize("name", profile_names())
def test_a_sheet_tells_every_criterion_host_and_source_in_lines_that_fit(name: str) -> None:
    text = species_sheet(name)
    assert max(map(len, text.splitlines())) <= WIDTH == 88
    assert all(line == line.rstrip() for line in text.splitlines())
    flat = " ".join(text.split())
    profile = load_profile(name)
    for key, criterion in profile.criteria.items():
        assert f"{key}: {criterion.label}" in flat
        for words in (criterion.source, criterion.weight_reason, criterion.curve.in_words(criterion.unit)):
            assert " ".join(words.split()) in flat
        assert f"weight {criterion.weight:.2f}, confidence {criterion.confidence}" in flat
    for host in profile.hosts:
        assert f"{host.name}: {host.common}." in flat
    for note in profile.notes:
        assert " ".join(note.words.split()) in flat
    assert " ".join(profile.native.words.split()) in flat


def test_criteria_stand_by_weight() -> None:
    text = species_sheet("tuber_melanosporum")
    assert text.index("carbonate: total") < text.index("ph: soil pH") < text.index("elevation: height")


def test_the_list_names_every_profile() -> None:
    lines = species_list().splitlines()
    assert [line.split()[0] for line in lines[: len(profile_names())]] == list(profile_names())


def test_a_sheet_of_nothing_is_refused() -> None:
    with pytest.raises(UnderoakError, match="E332"):
        species_sheet("tuber_indicum")
