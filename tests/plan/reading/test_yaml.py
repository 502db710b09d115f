from __future__ import annotations

import os
import time

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.plan.reading.yaml import MAX_BYTES, parse, read, scalar


def faults_of(text: str) -> list[tuple[str, str]]:
    try:
        found = parse(text, "p").faults
    except UnderoakError as error:
        found = error.faults
    return [(fault.code, fault.where.split(" ")[0]) for fault in found]


PLAIN = ["no", "yes", "on", "off", "No", "y", "007", "0x1F", "0o7", "1_000", "12:30", "1e", "2024-05-01",
         "2024-05-01T10:00:00Z", "=", "NaN", "inf", "1.2.3", "00.5", "08"]  # fmt: skip


@pytest.mark.parametrize("word", PLAIN)
def test_what_is_no_plain_number_or_switch_stays_text(word: str) -> None:
    assert parse(f"a: {word}", "p").value == {"a": word}


@pytest.mark.parametrize(
    ("word", "value"),
    [("1", 1), ("-3", -3), ("+2", 2), ("0", 0), ("1e9", 1e9), (".5", 0.5), ("5.", 5.0), ("-1.5E-3", -0.0015),
     ("true", True), ("False", False), ("~", None), ("null", None), ("", None)],
)  # fmt: skip
def test_plain_numbers_and_switches_are_read(word: str, value: object) -> None:
    found = parse(f"a: {word}", "p").value["a"]
    assert found == value
    assert type(found) is type(value)


def test_quoted_words_are_text_whatever_they_look_like() -> None:
    assert parse("a: ['1', \"true\", '~', 'x']", "p").value == {"a": ["1", "true", "~", "x"]}


def test_keys_keep_numbers_and_turn_the_rest_to_text() -> None:
    assert parse("{1: a, 1.5: b, no: c, true: d, 007: e, '2': f}", "p").value == {
        1: "a", 1.5: "b", "no": "c", "true": "d", "007": "e", "2": "f",
    }  # fmt: skip


def test_places_count_from_one_and_point_at_values_and_keys() -> None:
    w = parse("region:\n  cell: 30 m\n  snap: [0, 5]\nlist:\n- {name: a}\n", "p")
    assert w.where(("region", "cell")) == "p:2:9 (region.cell)"
    assert w.where(("region", "cell"), key=True) == "p:2:3 (region.cell)"
    assert w.where(("region", "snap", 1)) == "p:3:13 (region.snap[1])"
    assert w.where(("list", 0, "name")) == "p:5:10 (list[0].name)"
    assert w.where(("region", "crs")) == "p:2:3 (region.crs)"  # not there: where its holder begins


@given(st.dictionaries(st.from_regex(r"[a-z]{1,6}", fullmatch=True), st.integers(-999, 999), min_size=1, max_size=8))
def test_every_value_is_found_at_the_place_told(values: dict[str, int]) -> None:
    text = "".join(f"{key}:   {value}\n" for key, value in values.items())
    w = parse(text, "p")
    lines = text.splitlines()
    for key, value in w.value.items():
        at = w.value_positions[(key,)]
        assert lines[at.line - 1][at.column - 1 :] == str(value)


def test_billion_laughs_is_refused_at_once_and_never_expanded() -> None:
    text = "a0: &a0 lol\n" + "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 10))
    began = time.perf_counter()
    w = parse(text, "p")
    assert time.perf_counter() - began < 2
    assert {fault.code for fault in w.faults} == {"E301"}
    assert w.faults[0].where == "p:1:5 (a0)"
    assert w.value["a9"] == [None] * 9


def test_an_anchor_and_a_merge_are_told_once_each_with_their_place() -> None:
    assert faults_of("a: &x {b: 1}\nc: *x\nd: *x\ne: {<<: *x}\n") == [("E301", "p:1:4"), ("E301", "p:4:5")]


TAGGED = ["!!python/object/apply:os.system ['true']", "!!python/name:os.system x", "!local 1", "!!binary aGk=",
          "!!timestamp 2024-05-01", "!!set {a}", "!!int x", "!!bool 1", "!!map [1]", "!!omap [a: 1]",
          "!!float true"]  # fmt: skip


@pytest.mark.parametrize("tagged", TAGGED)
def test_tags_are_refused_and_nothing_is_made_of_them(tagged: str) -> None:
    assert faults_of(f"a: 1\nb: {tagged}\n") == [("E301", "p:2:4")]


def test_core_tags_that_fit_are_read() -> None:
    text = "a: !!str 1\nb: !!int 2\nc: !!float 3\nd: ! 4\ne: !!seq [1]\nf: !!map {x: 1}\ng: !!null ~"
    assert parse(text, "p").value == {
        "a": "1", "b": 2, "c": 3, "d": "4", "e": [1], "f": {"x": 1}, "g": None,
    }  # fmt: skip


def test_a_key_written_twice_is_told_with_both_places_and_the_first_counts() -> None:
    w = parse("weights: 1\nother: 2\nweights: 3\n", "p")
    assert w.value == {"weights": 1, "other": 2}
    (fault,) = w.faults
    assert fault.code == "E302"
    assert fault.where.startswith("p:3:1")
    assert "1:1 and 3:1" in fault.what


def test_number_keys_that_are_equal_are_the_same_key() -> None:
    assert faults_of("of: {1: a, 1.0: b}") == [("E302", "p:1:12")]


@pytest.mark.parametrize("word", [".nan", ".NaN", ".inf", "-.INF", "1e400", "-1e999", "9" * 400])
def test_numbers_that_are_not_finite_are_told_at_their_place(word: str) -> None:
    assert faults_of(f"a: 1\nb: [2, {word}]") == [("E310", "p:2:8")]


@pytest.mark.parametrize(
    ("text", "place"),
    [("a: [1\nb: 2\n", "p:2:2"), ("a:\n\tb: 1\n", "p:2:1"), ("a: b: c\n", "p:1:5"), ("a: 'x\n", "p:2:1"),
     ("a: 1\n b: 2\n", "p:2:3"), ("a: %x\n", "p:1:4"), ('a: "C:\\data"\n', "p:1:8"), ("a: 1\n---\nb: 2\n", "p:2:1"),
     ("? [a]\n: 1\n", "p:1:3"), ("a: x\x07y\n", "p:1:5"), ('a: 1\nb: "\\ud800"', "p:2:4")],
)  # fmt: skip
def test_text_that_is_not_yaml_is_told_with_line_and_column(text: str, place: str) -> None:
    assert faults_of(text) == [("E300", place)]


@pytest.mark.parametrize("text", ["", "# only a comment\n", "- a\n", "word\n", "---\n"])
def test_a_file_without_keys_is_refused(text: str) -> None:
    assert [code for code, _ in faults_of(text)] == ["E300"]


def test_faults_before_a_stop_are_told_with_it() -> None:
    assert faults_of("a: .nan\nb: [\n") == [("E310", "p:1:4"), ("E300", "p:3:1")]


def test_depth_of_twenty_is_read_and_more_is_refused() -> None:
    assert faults_of("a: " + "[" * 19 + "]" * 19) == []
    assert faults_of("a: " + "[" * 20 + "]" * 20) == [("E301", "p:1:23")]


def test_a_hostile_depth_is_refused_fast() -> None:
    began = time.perf_counter()
    assert [code for code, _ in faults_of("a: " + "[" * 500_000)] == ["E301"]
    assert time.perf_counter() - began < 5


def test_more_values_than_any_plan_holds_are_refused() -> None:
    assert faults_of("a: [" + "1, " * 19_998 + "]") == []
    assert [code for code, _ in faults_of("a: [" + "1, " * 19_999 + "]")] == ["E301"]


def test_a_file_of_faults_only_is_not_read_to_its_end() -> None:
    with pytest.raises(UnderoakError) as caught:
        parse("a: [" + ".nan, " * 9_999 + "]", "p")
    assert len(caught.value.faults) == 51


def test_more_than_a_mebibyte_is_refused(tmp_path) -> None:
    path = tmp_path / "p.yaml"
    path.write_bytes(b"a: 1\n#" + b"x" * MAX_BYTES)
    with pytest.raises(UnderoakError, match=r"E301 .*larger than 1 MiB"):
        read(path)


@pytest.mark.parametrize(
    ("data", "says"),
    [("a: é\n".encode("latin-1"), "at byte 3"), ("a: 1\n".encode("utf-16"), "at byte 0"), (b"a: \xff\n", "at byte 3")],
)
def test_a_file_in_another_encoding_is_told_with_the_byte(tmp_path, data: bytes, says: str) -> None:
    path = tmp_path / "p.yaml"
    path.write_bytes(data)
    with pytest.raises(UnderoakError, match=f"E305 .*{says}.*UTF-8"):
        read(path)


def test_a_byte_order_mark_and_windows_line_ends_are_fine(tmp_path) -> None:
    path = tmp_path / "p.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\nb: \xc3\xa9\r\n")
    w = read(path)
    assert w.value == {"a": 1, "b": "é"}
    assert w.where(("b",)).endswith(":2:4 (b)")


def test_what_is_no_readable_file_is_told(tmp_path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name in ("absent.yaml", ".", "pipe", "nul\0.yaml"):
        with pytest.raises(UnderoakError, match="E305") as caught:
            read(tmp_path / name)
        assert caught.value.exit_code == 3


@given(st.text(max_size=80))
@example('a: "\\UFFFFFFFF"')
@example("%YAML 1." + "9" * 5000 + "\n---\na: 1")
@example("a: *x")
@example("\ud800")
@example("{[a]: 1}")
@example("%TAG ! x\n---\n!a b: 1")
def test_any_text_is_read_or_refused_in_our_words(text: str) -> None:
    stopped = False
    try:
        faults = parse(text, "p").faults
    except UnderoakError as error:
        faults, stopped = error.faults, True
    assert {fault.code for fault in faults} <= {"E300", "E301", "E302", "E310"}
    assert faults or not stopped


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_comes_back_as_written(number: float) -> None:
    assert scalar(repr(number)) == number
