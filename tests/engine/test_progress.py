"""What a run says of itself: JSON lines that a machine can read, and silence where silence is asked for."""

import io
import json
import re
import sys

import pytest
import yaml
from click.testing import CliRunner

from underoak.base.errors import Fault, UnderoakError
from underoak.cli import main
from underoak.engine.progress import Progress, json_line

from noise import small_country

TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
CODED = re.compile(r"[EW]\d{3} ")


def parsed(text):
    """Every line, each checked for what holds of all of them."""
    lines = []
    for line in text.splitlines():
        assert len(line.encode()) <= 65536
        assert all(32 <= ord(c) < 127 for c in line)
        event = json.loads(line)
        assert event["v"] == 1
        assert TIME.fullmatch(event["t"])
        assert event["lvl"] in ("info", "warn", "error")
        lines.append(event)
    assert len({event["run"] for event in lines}) == 1
    assert [event["t"] for event in lines] == sorted(event["t"] for event in lines)
    return lines


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("told")
    return small_country(folder), folder


def run(country, tmp_path, *options, **changes):
    plan, folder = country
    path = folder / "plan.yaml"
    path.write_text(yaml.safe_dump({**plan, **changes}, sort_keys=False), encoding="utf-8")
    return CliRunner().invoke(main, ["run", str(path), "--out", str(tmp_path / "out"), *options])


def logged(country, tmp_path, **changes):
    log = tmp_path / "log.jsonl"
    result = run(country, tmp_path, "--progress", "none", "--log-json", str(log), **changes)
    return result, parsed(log.read_text(encoding="utf-8"))


def test_a_run_is_told_from_start_to_end(country, tmp_path):
    result, lines = logged(country, tmp_path)
    assert result.exit_code == 0, result.output
    events = [line["ev"] for line in lines]
    assert events[0] == "run_start"
    assert events[-1] == "run_done"
    assert events.count("step") == events.count("step_done") >= 2
    start, done = lines[0], lines[-1]
    assert start["title"] == "white noise"
    assert (start["grid"]["rows"], start["grid"]["cols"]) == (91, 110)
    assert set(start["layers"]) == {"soil_ph", "elevation", "slope", "cover"}
    manifest = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert start["plan_sha256"] == manifest["plan_sha256"]
    assert done["outputs"] == manifest["outputs"]
    assert done["seconds"] > 0
    assert done["peak_mb"] > 0
    tiles = [line for line in lines if line["ev"] == "tile_done"]
    assert [line["done"] for line in tiles] == list(range(1, tiles[-1]["of"] + 1))
    warning = next(line for line in lines if line["ev"] == "warning")
    assert (warning["code"], warning["lvl"]) == ("W430", "warn")
    assert not any(line["ev"] == "error" for line in lines)


@pytest.mark.parametrize(
    ("changes", "code", "exit_code", "computes"),
    [
        ({"wieghts": {}}, "E303", 3, False),
        ({"layers": {"soil_ph": {"file": "none.tif", "unit": "pH"}}}, "E3", 3, False),
        ({"parcels": {"file": "fields.gpkg", "id": "nmae"}}, "E406", 4, False),
        ({"constraints": [{"name": "all", "layer": "elevation", "exclude": "> -400 m"}, {"name": "b", "layer": "nope",
          "exclude": "> 1"}]}, "E3", 3, False),
        ({"trust": {"max_cells": 1000}}, "E510", 7, False),
    ],
)  # fmt: skip
def test_faults_before_computing_are_logged_with_their_exit_code(country, tmp_path, changes, code, exit_code, computes):
    result, lines = logged(country, tmp_path, **changes)
    assert result.exit_code == exit_code, result.output
    errors = [line for line in lines if line["ev"] == "error"]
    assert errors
    assert errors[-1] is lines[-1]
    assert all(line["exit"] == exit_code and line["lvl"] == "error" for line in errors)
    assert errors[0]["code"].startswith(code)
    assert len(errors) == len([line for line in result.stderr.splitlines() if line.startswith("E")])
    assert any(line["ev"] == "step" for line in lines) is computes


def test_a_fault_while_computing_is_logged(country, tmp_path):
    plan, folder = country
    data = (folder / "dem.tif").read_bytes()
    (folder / "cut.tif").write_bytes(data[: len(data) // 2])
    layers = {**plan["layers"], "elevation": {**plan["layers"]["elevation"], "file": "cut.tif"}}
    result, lines = logged(country, tmp_path, layers=layers)
    assert result.exit_code == 4
    assert (lines[-1]["ev"], lines[-1]["code"], lines[-1]["exit"]) == ("error", "E230", 4)
    assert "elevation" in lines[-1]["where"]


def test_a_bug_is_logged_with_its_trace(country, tmp_path, monkeypatch):
    monkeypatch.setattr("underoak.runs.run.prepare_run", lambda *a, **k: 1 / 0)
    result, lines = logged(country, tmp_path)
    assert result.exit_code == 1
    assert "E100" in result.stderr
    assert "Traceback" not in result.stderr
    assert (lines[-1]["code"], lines[-1]["exit"]) == ("E100", 1)
    assert "ZeroDivisionError" in lines[-1]["trace"]


def test_being_stopped_is_logged(country, tmp_path, monkeypatch):
    def stop(*args, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr("underoak.runs.judging.run_tiles", stop)
    result, lines = logged(country, tmp_path)
    assert result.exit_code == 130
    assert (lines[-1]["ev"], lines[-1]["exit"]) == ("error", 130)


def test_a_log_on_stderr_has_it_for_itself(country, tmp_path):
    good = run(country, tmp_path, "--log-json", "-")
    assert good.exit_code == 0
    assert parsed(good.stderr)[-1]["ev"] == "run_done"
    assert "rank" in good.stdout
    bad = run(country, tmp_path, "--log-json", "-", wieghts={})
    assert bad.exit_code == 3
    assert parsed(bad.stderr)[-1]["code"] == "E303"


def test_a_log_is_added_to(country, tmp_path):
    log = tmp_path / "log.jsonl"
    log.write_text('{"kept": true}\n')
    assert run(country, tmp_path, "--log-json", str(log)).exit_code == 0
    assert log.read_text().startswith('{"kept": true}\n{"v": 1')


def test_without_progress_only_faults_and_warnings_reach_stderr(country, tmp_path):
    result = run(country, tmp_path, "--progress", "none")
    assert result.exit_code == 0
    assert result.stderr.splitlines()
    assert all(CODED.match(line) for line in result.stderr.splitlines())
    assert "Report:" in run(country, tmp_path, "--progress", "plain").stderr


def test_a_log_that_cannot_be_opened_is_a_fault_before_anything_is_done(country, tmp_path):
    result = run(country, tmp_path, "--log-json", str(tmp_path / "no" / "folder" / "log"))
    assert result.exit_code == 7
    assert "E502" in result.stderr
    assert not (tmp_path / "out").exists()


class FullDisk(io.StringIO):
    def write(self, text):
        raise OSError(28, "No space left on device")


def test_a_log_that_cannot_be_written_any_more_does_not_end_the_run(capsys):
    told = Progress("none", FullDisk())
    told.log("run_start")
    told.log("run_done")
    assert capsys.readouterr().err.count("W502") == 1


def test_control_characters_and_letters_from_files_are_escaped():
    log = io.StringIO()
    told = Progress("none", log)
    told.warn(Fault("W402", "a\x1b]0;b\x07\nE999 forged\x7f\x9b31m", "pärcel \u2028", "m"))
    (line,) = parsed(log.getvalue())
    assert line["what"] == "a\x1b]0;b\x07\nE999 forged\x7f\x9b31m"
    assert line["where"] == "pärcel \u2028"


def test_a_line_stays_below_64_kib_and_says_what_it_left_out():
    line = json_line({"ev": "run_start", "layers": ["layer"] * 20000, "title": "t" * 70000, "run": "r"})
    assert len(line) < 65536
    assert json.loads(line) == {"ev": "run_start", "run": "r", "cut": ["layers", "title"]}
    whole = {"ev": "x", "text": "y" * 65000}
    assert json.loads(json_line(whole)) == whole


def test_every_fault_of_an_error_has_a_line_and_the_exit_code_of_the_first():
    log = io.StringIO()
    told = Progress("none", log)
    told.failed(UnderoakError(Fault("E303", "a"), Fault("E204", "b", "ph", "mend it")))
    lines = parsed(log.getvalue())
    assert [(line["code"], line["exit"]) for line in lines] == [("E303", 3), ("E204", 3)]
    assert (lines[1]["where"], lines[1]["fix"]) == ("ph", "mend it")


def test_nothing_is_written_to_stdout(capsys):
    told = Progress("plain", sys.stderr)
    told.start("judging", 2)
    told.advance()
    told.say("a word")
    with told.step("overviews"):
        pass
    assert capsys.readouterr().out == ""
