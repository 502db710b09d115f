"""The command line: every command works, help costs nothing, and each exit code means what it says."""

import json
import re
import subprocess
import sys

import click
import pytest
import shapely
import yaml
from click.testing import CliRunner

from underoak.base.errors import Fault, UnderoakError
from underoak.cli import main, report_faults
from underoak.cli_options import Memory

from noise import LEFT, TOP, small_country, write_shapes

HEAVY = {"numpy", "rasterio", "numba", "pandas", "geopandas", "xarray", "matplotlib", "scipy", "pyproj", "pydantic"}


def called(*words):
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert "Traceback" not in result.output
    return result


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("called")
    plan = small_country(folder)
    apart = [shapely.box(LEFT + 400 * i, TOP - 900, LEFT + 400 * i + 300, TOP - 600) for i in range(1, 6)]
    write_shapes(folder / "fields.gpkg", apart, "EPSG:25831", name=list("abcde"))
    write_shapes(folder / "far.gpkg", [*apart, shapely.box(LEFT, TOP - 10, LEFT + 90, TOP + 5090)], "EPSG:25831",
                 name=list("abcdef"))  # fmt: skip
    return plan, folder


@pytest.fixture
def planned(country, tmp_path):
    """A plan file with changes, and where its run may go."""
    plan, folder = country

    def write(**changes):
        path = folder / f"{tmp_path.name}.yaml"
        path.write_text(yaml.safe_dump({**plan, **changes}, sort_keys=False), encoding="utf-8")
        return path

    return write, tmp_path / "out"


@pytest.fixture(scope="module")
def finished(country, tmp_path_factory):
    plan, folder = country
    path, out = folder / "finished.yaml", tmp_path_factory.mktemp("finished") / "run"
    path.write_text(yaml.safe_dump(plan, sort_keys=False), encoding="utf-8")
    result = called("run", path, "--out", out)
    assert result.exit_code == 0, result.output
    return result, out


@pytest.mark.parametrize("words", [["--help"], *([name, "--help"] for name in sorted(main.commands))], ids=" ".join)
def test_help_loads_no_heavy_library(words):
    script = (
        "import sys\nfrom underoak.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit as ended:\n    assert ended.code == 0\n"
        "print(sorted(name for name in sys.modules if '.' not in name), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, *words], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("Usage: ")
    assert not HEAVY & set(re.findall(r"\w+", done.stderr))


def test_the_module_is_the_command():
    done = subprocess.run([sys.executable, "-m", "underoak", "--version"], capture_output=True, text=True, check=True)
    assert re.fullmatch(r"underoak \d+\.\d+\.\d+\S*\n", done.stdout)


def test_run_puts_the_ranking_on_stdout_and_where_things_are_on_stderr(finished):
    result, out = finished
    assert "rank" in result.stdout.splitlines()[1]
    assert "Report:" not in result.stdout
    assert f"Report: {out / 'report.html'}" in result.stderr
    assert f"underoak explain {out} --parcel" in result.stderr


def test_explain_says_why(finished):
    result = called("explain", finished[1], "--parcel", "c")
    assert result.exit_code == 0
    assert result.stdout.startswith("Parcel c: ")
    assert "Next: " in result.stdout


def test_check_says_what_a_run_will_need_and_writes_nothing(planned, country):
    path = planned[0]()
    before = {p.name: p.stat().st_mtime_ns for p in country[1].iterdir()}
    result = called("check", path, "--workers", 3)
    assert result.exit_code == 0, result.output
    needed = r"needs +about [\d,]+ MB on disk, [\d,]+ MB while it runs; [\d,]+ MB of memory and .* with 3 workers"
    assert re.search(needed, result.stdout), result.stdout
    assert {p.name: p.stat().st_mtime_ns for p in country[1].iterdir()} == before


def test_check_tells_the_workers_that_a_limit_on_memory_leaves(planned):
    path = planned[0]()
    assert called("check", path, "--workers", 3, "--memory", "64GiB").stdout.count("with 3 workers") == 1
    tight = called("check", path, "--memory", "50 MB")
    assert tight.exit_code == 7
    assert tight.stderr.startswith("E503 ")


def test_check_says_when_its_figures_are_averages(planned, monkeypatch):
    assert "from averages" not in called("check", planned[0]()).stdout
    monkeypatch.setattr("underoak.runs.check.is_compiled", lambda: False)
    assert "from averages" in called("check", planned[0]()).stdout


def test_new_starts_a_plan(tmp_path):
    result = called("new", tmp_path / "land", "--for", "buy")
    assert result.exit_code == 0
    assert (tmp_path / "land" / "plan.yaml").exists()
    assert "underoak check" in result.stderr


def test_species_are_listed_and_printed():
    assert "tuber_melanosporum" in called("species").stdout
    assert "Tuber melanosporum" in called("species", "tuber_melanosporum").stdout


def test_schema_is_json():
    assert json.loads(called("schema").stdout)["type"] == "object"


@pytest.mark.parametrize(("text", "n_bytes"), [("4GiB", 4 * 1024**3), ("900 MB", 900_000_000), ("1.5tb", 1.5e12)])
def test_memory_is_read_with_its_unit(text, n_bytes):
    assert Memory().convert(text, None, None) == n_bytes


# --- exit codes


def test_0_done(finished):
    assert finished[0].exit_code == 0


def ended_by(error, *options):
    """The result of a command that raises `error`."""

    @click.command()
    @report_faults
    def command():
        raise error

    return CliRunner().invoke(command, options)


def test_1_a_bug_of_ours():
    result = ended_by(IndexError("list index out of range"))
    assert result.exit_code == 1
    assert result.stderr.startswith("E100 a bug in underoak: IndexError: list index out of range. Fix: ")
    assert "Traceback" in ended_by(IndexError("again"), "--debug").stderr


@pytest.mark.parametrize(
    "words",
    [
        ["dance"],
        ["run"],
        ["run", "plan.yaml", "--workers", "0"],
        ["run", "plan.yaml", "--memory", "4"],
        ["run", "plan.yaml", "--memory", "4 parsecs"],
        ["run", "plan.yaml", "--memory", "4GiB", "--cluster", "local:2"],
        ["new", "folder"],
        ["compare", "only-one"],
    ],
    ids=" ".join,
)
def test_2_wrong_usage(words):
    result = called(*words)
    assert result.exit_code == 2
    assert "Usage: " in result.stderr


def test_3_a_plan_that_is_wrong(planned):
    result = called("run", planned[0](wieghts={}), "--out", planned[1])
    assert result.exit_code == 3
    assert result.stderr.startswith("E303 ")


def test_4_input_data_that_are_wrong(planned):
    result = called("run", planned[0](parcels={"file": "fields.gpkg", "id": "nmae"}), "--out", planned[1])
    assert result.exit_code == 4
    assert result.stderr.startswith("E406 ")


def test_5_nothing_to_judge(planned):
    region = {"bounds": [LEFT + 9e5, TOP, LEFT + 9e5 + 900, TOP + 900], "crs": "EPSG:25831", "cell": "30 m"}
    result = called("run", planned[0](region=region), "--out", planned[1])
    assert result.exit_code == 5
    assert result.stderr.startswith("E220 ")


def test_6_not_what_was_finished(finished, tmp_path):
    result = called("compare", finished[1], tmp_path)
    assert result.exit_code == 6
    assert result.stderr.startswith("E603 ")


def test_7_limits(planned):
    result = called("run", planned[0](), "--out", planned[1], "--memory", "10MB")
    assert result.exit_code == 7
    assert result.stderr.startswith("E503 ")
    assert not planned[1].exists()


def test_9_a_folder_in_use(planned):
    from underoak.engine.storage.run_folder import RunFolder

    path = planned[0]()
    with RunFolder(planned[1]):
        result = called("run", path, "--out", planned[1])
    assert result.exit_code == 9
    assert result.stderr.startswith("E605 ")


def test_10_done_but_some_parcel_was_not_judged_only_when_strict(planned):
    path = planned[0](parcels={"file": "far.gpkg", "id": "name"})
    assert called("run", path, "--out", planned[1]).exit_code == 0
    strict = called("run", path, "--out", planned[1], "--strict")
    assert strict.exit_code == 10, strict.output
    assert "not judged" in strict.stdout
    assert (planned[1] / "run.json").exists()


def test_the_exit_code_of_a_real_process_is_the_same(planned):
    command = [sys.executable, "-m", "underoak", "run", str(planned[0](wieghts={})), "--out", str(planned[1])]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.startswith("E303 ")


def test_warnings_that_stop_a_command_are_followed_by_the_reason():
    result = ended_by(UnderoakError(Fault("W402", "outlines repaired", "parcels")))
    assert result.stderr.splitlines() == [
        "W402 parcels: outlines repaired.",
        "Stopped: with --strict, warnings count as errors.",
    ]


def test_a_warning_stops_a_strict_check(planned):
    unequal = {"direct": {"ph": 1, "height": 1, "slope": 1, "cover": 1}}
    path = planned[0](weights=unequal)
    assert called("check", path).exit_code == 0
    strict = called("check", path, "--strict")
    assert strict.exit_code == 3
    assert strict.stderr.startswith("W311 ")
    assert strict.stderr.splitlines()[-1] == "Stopped: with --strict, warnings count as errors."
