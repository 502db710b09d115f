"""A finished run held against its manifest: any flipped bit is found and named, in results, inputs and the manifest."""

import json
import random
import shutil

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import underoak as uo
from underoak.cli import main
from underoak.engine.storage.manifest import content_sha256
from underoak.engine.verification import State, verify

from noise import small_country


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A project with a plan file, its inputs, and a run with a scenario beside them."""
    project = tmp_path_factory.mktemp("project")
    (project / "data").mkdir()
    plan = small_country(project / "data")
    layer = next(name for name, keys in plan["layers"].items() if "file" in keys)
    plan["scenarios"] = [{"name": "later", "replace": {layer: plan["layers"][layer]["file"]}}]
    (project / "data" / "plan.yaml").write_text(json.dumps(plan), encoding="utf-8")
    uo.run(uo.load_plan(project / "data" / "plan.yaml"), out=project / "out")
    return project


@pytest.fixture
def project(finished, tmp_path):
    """A copy of the project that a test may spoil, in another place."""
    return shutil.copytree(finished, tmp_path / "moved")


def flip(path, bit):
    data = bytearray(path.read_bytes())
    data[bit // 8 % len(data)] ^= 1 << bit % 8
    path.write_bytes(bytes(data))


def test_a_run_that_nobody_touched_is_as_recorded_and_may_move_with_its_inputs(project):
    verification = verify(project / "out")
    assert not verification.faults()
    named = {file.path for file in verification.outputs}
    on_disk = {str(path) for path in (project / "out").rglob("*") if path.is_file()}
    assert on_disk - named == {
        str(project / "out" / inner / "run.json") for inner in ("", "present", "scenarios/later")
    }
    assert {key for file in verification.inputs for key in file.of} >= {"plan"}
    assert len(verification.manifests) == 3


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.randoms(use_true_random=False))
def test_a_flipped_bit_of_any_result_or_input_is_found_and_named(project, draw: random.Random):
    verification = verify(project / "out")
    name = draw.choice([*verification.outputs, *verification.inputs]).path
    path, bit = next(p for p in project.rglob("*") if str(p) == name), draw.randrange(1 << 40)
    flip(path, bit)
    (fault,) = verify(project / "out").faults()
    assert (fault.code, fault.where, fault.exit_code) == ("E611", name, 6)
    flip(path, bit)
    assert not verify(project / "out").faults()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.randoms(use_true_random=False))
def test_a_changed_letter_of_the_manifest_is_found(project, draw: random.Random):
    path = project / "out" / draw.choice(["", "present", "scenarios/later"]) / "run.json"
    text = path.read_text(encoding="utf-8")
    at = draw.choice([i for i, letter in enumerate(text) if letter.isalnum()])
    path.write_text(text[:at] + ("7" if text[at] != "7" else "8") + text[at + 1 :], encoding="utf-8")
    try:
        faults = verify(project / "out").faults()
    except uo.UnderoakError as error:  # it is no manifest any more
        faults = list(error.faults)
    finally:
        path.write_text(text, encoding="utf-8")
    assert faults
    assert all(fault.exit_code == 6 for fault in faults)


@pytest.mark.parametrize("inner", ["present", "scenarios/later"])
def test_an_inner_manifest_that_is_no_json_any_more_is_found(project, inner):
    path = project / "out" / inner / "run.json"
    path.write_text(path.read_text(encoding="utf-8").replace('"when"', "when"), encoding="utf-8")
    assert [fault.where for fault in verify(project / "out").faults()] == [str(path)]


def test_files_that_are_gone_are_named_and_inputs_can_be_found_elsewhere(project):
    (project / "out" / "present" / "map.png").unlink()
    shutil.move(project / "data", project / "elsewhere")
    verification = verify(project / "out")
    assert [file.path for file in verification.outputs if file.state is not State.SAME] == [
        str(project / "out" / "present" / "map.png")
    ]
    assert {file.state for file in verification.inputs} == {State.GONE}
    elsewhere = verify(project / "out", project / "elsewhere")
    assert {file.state for file in elsewhere.inputs} == {State.SAME}


def test_another_version_of_a_library_is_named(project):
    path = project / "out" / "run.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    content["software"] |= {"numpy": "1.0.7", "a library": "3"}
    content["when"]["content_sha256"] = content_sha256(json.dumps(content))
    path.write_text(json.dumps(content), encoding="utf-8")
    faults = verify(project / "out").faults()
    assert [fault.where for fault in faults] == ["software (a library)", "software (numpy)"]
    assert "made with 1.0.7" in faults[1].what


def test_the_command_names_what_differs_and_exits_with_6(project):
    done = CliRunner().invoke(main, ["verify", str(project / "out")])
    assert done.exit_code == 0, done.output
    assert "versions are the same here" in done.stdout
    flip(project / "out" / "present" / "class.tif", 4001)
    done = CliRunner().invoke(main, ["verify", str(project / "out"), "--json", "-"])
    assert done.exit_code == 6
    values = json.loads(done.stdout)
    assert not values["is_as_recorded"]
    assert [file["path"] for file in values["outputs"] if file["state"] == "changed"] == [
        str(project / "out" / "present" / "class.tif")
    ]
    assert done.stderr.startswith("E611 ")


def test_a_folder_without_a_run_is_refused(tmp_path):
    with pytest.raises(uo.UnderoakError, match="E603"):
        verify(tmp_path)
