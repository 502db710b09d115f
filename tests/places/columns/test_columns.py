"""Declared columns: order, types, and values as text and back."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.places.answers.deal import Answer, Block
from underoak.places.answers.limits import NoLimit, Side
from underoak.places.answers.native import Origin, ZoneState
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.answers.pairs import OriginOf, PairName
from underoak.places.answers.verdict import Purpose, SoilTestFigures, TooSmall
from underoak.places.columns.cell_text import (
    AnswerText,
    BlocksText,
    MemberText,
    NamesText,
    NotJudgedText,
    OriginsText,
    PairsText,
    SoilTestsText,
    SpeciesText,
)
from underoak.places.columns.column import arrange, decode_table, encode_table
from underoak.places.columns.parcels import JOINED_PARCELS, PARCELS
from underoak.places.columns.ranks import RANKS, WINS
from underoak.places.columns.scenarios import SCENARIOS
from underoak.places.columns.zones import ZONES
from underoak.plan import PURPOSES

NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True)
SOME = st.lists(NAMES, min_size=1, max_size=3).map(tuple)
CELLS = {
    "names": (NamesText(), st.lists(NAMES | st.just(NoLimit.NOTHING), min_size=1, max_size=3).map(tuple)),
    "species": (SpeciesText(), st.just(()) | SOME),
    "side": (MemberText(Side), st.sampled_from(Side)),
    "zone": (MemberText(ZoneState), st.sampled_from(ZoneState)),
    "too_small": (MemberText(TooSmall), st.sampled_from(TooSmall)),
    "tests": (
        SoilTestsText(),
        st.lists(
            st.builds(
                SoilTestFigures,
                NAMES,
                st.integers(0, 10_000).map(lambda n: n / 1e4),
                st.integers(0, 99_999).map(lambda n: n / 1e5),
            ),
            max_size=4,
        ).map(tuple),
    ),
    "reason": (
        NotJudgedText(),
        st.builds(NotJudged, st.sampled_from(Cause))
        | st.builds(NotJudged, st.sampled_from(Cause), SOME)
        | st.builds(lambda layers: NotJudged(Cause.NO_DATA, layers=layers), SOME)
        | st.builds(lambda note: NotJudged(Cause.NO_SHAPE, note=note), st.text(min_size=1)),
    ),
    "pairs": (PairsText(), st.lists(st.builds(PairName, NAMES, st.just("") | NAMES), max_size=3).map(tuple)),
    "blocks": (
        BlocksText(),
        st.lists(
            st.builds(Block, NAMES, st.none() | st.integers(0, 10_000).map(lambda n: n / 10_000)),
            min_size=1,
            max_size=3,
        ).map(tuple),
    ),
    "origins": (
        OriginsText(),
        st.lists(st.builds(OriginOf, SOME, st.sampled_from(Origin)), min_size=1, max_size=3).map(tuple),
    ),
}


@pytest.mark.parametrize("kind", CELLS)
@given(data=st.data())
def test_a_value_comes_back_from_its_text(kind, data):
    cell, values = CELLS[kind]
    value = data.draw(values)
    back = cell.decode(cell.encode(value))
    assert back == value
    assert type(back) is type(value)


@pytest.mark.parametrize("purpose", Purpose)
def test_an_answer_comes_back_from_the_words_of_its_purpose(purpose):
    cell = AnswerText(purpose)
    assert [cell.decode(cell.encode(answer)) for answer in Answer] == list(Answer)
    with pytest.raises(ValueError, match="maybe is no answer"):
        cell.decode("maybe")


def test_the_purposes_are_those_of_a_plan():
    assert tuple(Purpose) == PURPOSES


def test_columns_stand_in_declared_order_and_those_of_a_criterion_side_by_side():
    names = ["side_b", "reason", "value_b", "value_a", "side_a", "membership_b", "membership_a", "rank", "id"]
    table = pd.DataFrame({name: [None] for name in names})
    assert list(arrange(table, PARCELS).columns) == [
        "id", "rank", "reason", "membership_b", "membership_a", "value_b", "side_b", "value_a", "side_a",
    ]  # fmt: skip


def test_the_columns_of_a_case_stand_side_by_side():
    names = ["id", "class_b", "class_a", "rank", "rank_a", "rank_b"]
    table = pd.DataFrame({name: [None] for name in names})
    assert list(arrange(table, JOINED_PARCELS).columns) == ["id", "rank", "rank_b", "class_b", "rank_a", "class_a"]


def test_a_column_that_is_not_declared_is_refused():
    with pytest.raises(KeyError, match="no column is declared for suitabilty"):
        arrange(pd.DataFrame({"suitabilty": [1.0]}), PARCELS)


def test_files_get_the_declared_types():
    table = pd.DataFrame(
        {"id": ["a", "b"], "rank": [1, None], "cells": [1, 2], "limiting": pd.Series([("ph", "clay"), None])}
    )
    encoded = encode_table(table, PARCELS)
    assert [str(dtype) for dtype in encoded.dtypes] == ["object", "Int64", "float64", "object"]
    assert encoded["limiting"].tolist() == ["ph; clay", None]
    back = decode_table(encoded, PARCELS, "here")
    assert back["limiting"].tolist() == [("ph", "clay"), None]


def test_a_text_of_another_build_is_refused():
    with pytest.raises(UnderoakError, match='E603 run: the column "reason" was written by another build'):
        decode_table(pd.DataFrame({"reason": ["no idea"]}), PARCELS, "run")


@pytest.mark.parametrize("columns", [PARCELS, JOINED_PARCELS, ZONES, RANKS, WINS, SCENARIOS])
def test_every_column_is_declared_once_with_a_text(columns):
    names = [column.name.lower() for column in columns]
    assert len(set(names)) == len(names)
    assert all(column.text and not column.text.endswith(".") and "|" not in column.text for column in columns)
    assert np.all([column.cell is None or column.kind == "text" for column in columns])
