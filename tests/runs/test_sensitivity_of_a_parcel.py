"""`underoak explain --sensitivity`: what a parcel's suitability depends on, told by the run folder alone."""

import shutil

import numpy as np
import pytest
import shapely
from click.testing import CliRunner

import underoak as uo
from underoak.cli import main
from underoak.overlay import Curve, Rules
from underoak.places.lab.effect import PooledResult
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.verdicts import saved_cells as kept_cells
from underoak.places.verdicts.saved_cells import SavedCells
from underoak.runs.finished_run import Run

from noise import LEFT, TOP, noise_country, write_shapes


def planned(folder, **sds):
    plan = noise_country(folder, 300, 320)
    plan["region"] = {"bounds": [LEFT, TOP - 9000, LEFT + 9600, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    plan["constraints"] = []
    x, y = LEFT + 4800, TOP - 4500
    shapes = [shapely.box(x + dx, y, x + dx + 400, y + 300) for dx in (0, 900, 1800)]
    write_shapes(folder / "few.gpkg", shapes, "EPSG:25831", name=["a", "b", "c"])
    plan["parcels"] = {"file": "few.gpkg", "id": "name"}
    for layer, sd in sds.items():
        plan["layers"][layer]["sd"] = sd
    return plan


@pytest.fixture(scope="module")
def moved(tmp_path_factory):
    """A run whose inputs are gone, in another place than where it was made."""
    folder = tmp_path_factory.mktemp("sensitive")
    made = uo.run(uo.load_plan(planned(folder, soil_ph=0.3, elevation="6 m"), base=folder), out=folder / "out")
    there = tmp_path_factory.mktemp("elsewhere") / "run"
    shutil.move(made.folder, there)
    shutil.rmtree(folder)
    return Run.open(there)


def explain(*args):
    return CliRunner().invoke(main, ["explain", *map(str, args)])


def test_the_cells_are_an_output_with_a_checksum(moved):
    assert "cells.npz" in [file.path for file in moved.manifest.outputs]


def test_the_indices_are_those_of_the_cells_judged_anew(moved):
    found = moved.sensitivity("a")
    assert found.layers == ("soil_ph", "elevation")
    kept = SavedCells.read(moved.folder)
    part, sds = kept.cells.of(kept.place("a")), kept.sds_of(kept.place("a"))
    names = [name for name, _, _ in kept.criteria]
    at = names.index("ph")
    for side, z in enumerate((-1.6448536, 1.6448536)):
        values = kept.cells.values[part].copy()
        values[:, at] += np.float32(z * sds["soil_ph"])
        memberships = [uo.overlay.membership(values[:, k], curve) for k, (_, _, curve) in enumerate(kept.criteria)]
        judged = uo.overlay.combine(memberships, kept.rules.weights, "geometric")
        assert found.swings[0, side] == pytest.approx(np.average(judged, weights=kept.cells.weight[part]), abs=1e-6)
    assert (found.indices.total >= found.indices.first - 0.05).all()
    assert 0.9 < found.indices.total.sum() < 1.3


def test_the_kept_cells_stand_for_the_parcel_as_it_was_judged(moved):
    kept, table = SavedCells.read(moved.folder), moved.parcels.set_index("id")
    for at, parcel in enumerate(kept.ids):
        part = kept.cells.of(at)
        judged = uo.overlay.combine(kept.cells.memberships[part].T, kept.rules.weights, "geometric")
        mean = np.average(judged, weights=kept.cells.weight[part])
        assert mean == pytest.approx(table.loc[parcel, "suitability"], abs=1e-5)


def test_the_command_tells_shares_ranges_and_the_weight_that_turns_the_order(moved):
    told = explain(moved.folder, "--parcel", "a", "--sensitivity")
    assert told.exit_code == 0, told.stderr
    text = " ".join(told.stdout.split())
    assert text.startswith("Parcel a: what its suitability depends on.")
    assert "input sd alone in all if low if high" in text
    assert "It depends most on" in text
    assert "Treated as exact, without a known uncertainty: slope, cover." in text
    assert "Order of the first two parcels:" in text
    order = text.split("Order of the first two parcels: ")[1].split(" This is screening")[0]
    report = (moved.folder / "report.html").read_text(encoding="utf-8")
    assert order in " ".join(report.split())
    assert explain(moved.folder, "--parcel", "a", "--sensitivity").stdout == told.stdout


def test_what_cannot_be_told_says_why(moved, tmp_path):
    no_such = explain(moved.folder, "--parcel", "zz", "--sensitivity")
    assert no_such.exit_code != 0
    assert "E604" in no_such.stderr
    assert explain(moved.folder, "--zone", "1", "--sensitivity").exit_code == 2
    bare = tmp_path / "bare"
    shutil.copytree(moved.folder, bare)
    (bare / "cells.npz").unlink()
    gone = explain(bare, "--parcel", "a", "--sensitivity")
    assert (gone.exit_code, gone.stderr[:4]) == (6, "E609")
    (bare / "cells.npz").write_bytes((moved.folder / "cells.npz").read_bytes()[:-300])
    torn = explain(bare, "--parcel", "a", "--sensitivity")
    assert (torn.exit_code, torn.stderr[:4]) == (6, "E609")


def test_a_run_without_doubt_keeps_no_cells(tmp_path):
    made = uo.run(uo.load_plan(planned(tmp_path), base=tmp_path), out=tmp_path / "out")
    assert not (made.folder / "cells.npz").exists()
    with pytest.raises(uo.UnderoakError, match="no criterion has an uncertain layer"):
        made.sensitivity("a")


def test_what_is_written_is_read_again_and_is_the_same_bytes(tmp_path):
    values = np.array([[0.25, 3.0], [0.5, 9.0]], np.float32)
    curves = Curve.ramp_up(0.0, 1.0), Curve.table({3: 0.4})
    memberships = np.stack([uo.overlay.membership(values[:, k], curve) for k, curve in enumerate(curves)], axis=1)
    cells = SampledCells(
        np.array([0, 2]), np.arange(2), np.ones(2), np.array([1.0, 0.5]), memberships, values, np.zeros(2, np.float32)
    )
    criteria = ("one", "ph", curves[0]), ("two", "cover", curves[1])
    kept = SavedCells(("p é",), cells, criteria, Rules((0.5, 0.5), "ordered", alpha=2.0), {"ph": np.array([np.nan])}, 3)
    first = kept.write(tmp_path).read_bytes()
    again = SavedCells.read(tmp_path)
    assert (again.ids, again.criteria, again.rules, again.seed) == (kept.ids, kept.criteria, kept.rules, 3)
    np.testing.assert_array_equal(again.cells.memberships, memberships)
    assert again.sds_of(0) == {}
    assert again.write(tmp_path).read_bytes() == first


def test_after_a_laboratory_what_it_leaves_in_doubt_counts():
    def pooled(map_sd, lab_sd):
        return PooledResult("ph", 7.0, map_sd, 7.5, lab_sd, 7.4, 1)

    assert pooled(0.4, 0.3).sd_left("update") == pytest.approx(0.24)
    assert pooled(0.4, 0.3).sd_left("replace") == 0.3
    assert pooled(None, 0.3).sd_left("update") == 0.3
    assert pooled(0.4, None).sd_left("update") == 0.0
    assert pooled(0.0, 0.0).sd_left("update") == 0.0


def test_of_many_parcels_the_best_are_kept(tmp_path, monkeypatch):
    monkeypatch.setattr(kept_cells, "MOST", 2)
    made = uo.run(uo.load_plan(planned(tmp_path, soil_ph=0.3), base=tmp_path), out=tmp_path / "out")
    best = [str(id) for id in made.parcels["id"]]
    assert list(SavedCells.read(made.folder).ids) == best[:2]
    with pytest.raises(uo.UnderoakError, match="only those of the best 2") as told:
        made.sensitivity(best[2])
    assert told.value.faults[0].code == "E609"
