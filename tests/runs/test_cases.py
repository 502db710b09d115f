"""Several species and futures in one run: each as if it were alone, shared layers read once."""

import hashlib
import itertools
import json
import re
import shlex
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import underoak as uo
from underoak.layers.formats.geotiff import GeoTiffSource

from noise import LEFT, TOP, noise_country, write_raster

RASTERS = ("suitability.tif", "class.tif", "limiting.tif", "memberships.tif")


def sums(folder):
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in RASTERS}


@pytest.fixture(scope="module")
def cases(tmp_path_factory):
    """A plan with one future in which the land cover is another."""
    folder = tmp_path_factory.mktemp("batch")
    plan = noise_country(folder, 300, 320, parcels=24)
    plan["region"] = {"bounds": [LEFT, TOP - 9000, LEFT + 9600, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    cover = np.random.default_rng(11).choice([10, 20, 40, 80], (130, 130)).astype(np.uint8)
    write_raster(folder / "later.tif", cover, "EPSG:25831", (95, 0, LEFT - 300, 0, -95, TOP + 300), nodata=0)
    plan["scenarios"] = [
        {"name": "later", "family": "m1", "replace": {"cover": "later.tif"}},
        {"name": "same", "family": "m2", "replace": {"cover": "cover.tif"}},
    ]
    run = uo.run(uo.load_plan(plan, base=folder), out=folder / "all")
    return plan, folder, run


def alone(plan, folder, out, **changes):
    single = {key: value for key, value in plan.items() if key != "scenarios"} | changes
    return uo.run(uo.load_plan(single, base=folder), out=out)


def test_each_case_has_the_bytes_of_a_run_of_its_own(cases, tmp_path):
    plan, folder, run = cases
    assert sums(run.folder / "present") == sums(alone(plan, folder, tmp_path / "present").folder)
    layers = {**plan["layers"], "cover": {**plan["layers"]["cover"], "file": "later.tif"}}
    later = alone(plan, folder, tmp_path / "later", layers=layers)
    assert sums(run.folder / "scenarios" / "later") == sums(later.folder)
    ours, theirs = (f / "parcels.csv" for f in (run.folder / "scenarios" / "later", later.folder))
    assert ours.read_bytes() == theirs.read_bytes()


def test_a_future_that_changes_nothing_gives_the_present(cases):
    run = cases[2]
    assert sums(run.folder / "scenarios" / "same") == sums(run.folder / "present")
    assert sums(run.folder / "scenarios" / "later") != sums(run.folder / "present")


def test_layers_that_do_not_change_are_read_once(cases, tmp_path, monkeypatch):
    plan, folder, _ = cases
    cells: dict[str, int] = {}
    plain = GeoTiffSource.stored

    def counted(self, window):
        name = self.path.rsplit("/", 1)[-1]
        cells[name] = cells.get(name, 0) + window.rows * window.cols
        return plain(self, window)

    monkeypatch.setattr(GeoTiffSource, "stored", counted)
    alone(plan, folder, tmp_path / "one")
    once = dict(cells)
    cells.clear()
    uo.run(uo.load_plan(plan, base=folder), out=tmp_path / "all")
    for name in ("dem.tif", "ph.tif", "cover.tif"):
        assert cells[name] == once[name], name
    assert cells["later.tif"] > 0


def test_the_table_on_top_joins_all_cases(cases):
    run = cases[2]
    joined = pd.read_csv(run.folder / "parcels.csv", dtype={"id": str})
    later = pd.read_csv(run.folder / "scenarios" / "later" / "parcels.csv", dtype={"id": str}).set_index("id")
    assert len(joined) == 24
    assert joined["suitability_later"].to_numpy() == pytest.approx(
        later.loc[joined["id"], "suitability"].to_numpy(), nan_ok=True
    )
    ranked = joined[joined["rank"].notna()]
    assert ranked["rank"].is_monotonic_increasing


def test_the_manifest_lists_every_case_and_opens_as_its_own_run(cases):
    run = cases[2]
    assert [case.folder for case in run.manifest.cases] == ["present", "scenarios/later", "scenarios/same"]
    later = run.cases["scenarios/later"]
    assert later.dataset["suitability"].shape == (run.grid.rows, run.grid.cols)
    listed = {file.path for file in run.manifest.outputs}
    assert "scenarios/later/suitability.tif" in listed
    for entry in json.loads((later.folder / "run.json").read_text(encoding="utf-8"))["outputs"]:
        assert hashlib.sha256((later.folder / entry["path"]).read_bytes()).hexdigest() == entry["sha256"]


def test_a_parcel_is_explained_on_top_by_all_cases_and_every_command_it_names_works(cases):
    run = cases[2]
    joined = run.parcels.set_index("id")
    best = joined.index[0]
    told = run.explain(best)
    row = joined.loc[best]
    assert f"Parcel {best}: {row['class_present']}, suitability {row['suitability_present']:.2f}; rank 1 of" in told
    later = next(line for line in told.splitlines() if line.startswith("later "))
    assert later.split()[1:] == [f"{row['rank_later']:.0f}", row["class_later"], f"{row['suitability_later']:.2f}"]
    commands = [shlex.split(line) for line in told.splitlines() if line.startswith("  underoak explain ")]
    assert [Path(words[2]).relative_to(run.folder).as_posix() for words in commands] == list(run.cases)
    for words in commands:
        assert words[3:] == ["--parcel", best]
        assert uo.Run.open(words[2]).explain(words[4]).startswith(f"Parcel {best}: ")
    assert f"underoak explain {run.folder} --parcel {best}" in run.next_steps()[-1]


def test_a_parcel_that_no_case_could_judge_is_explained_as_such(cases):
    run = cases[2]
    blank = run.parcels.loc[run.parcels["rank"].isna(), "id"].iloc[0]
    assert "not judged" in run.explain(blank)


def test_what_needs_one_case_names_the_folders_to_ask_instead(cases):
    run = cases[2]
    with pytest.raises(uo.UnderoakError, match="E608") as error:
        run.explain_zone("1")
    for folder in run.cases:
        assert str(run.folder / folder) in error.value.faults[0].fix


def test_two_species_have_a_folder_each(cases, tmp_path):
    plan, folder, _ = cases
    both = {k: v for k, v in plan.items() if k not in ("criteria", "weights", "scenarios")}
    both["species"] = ["tuber_melanosporum", "tuber_aestivum"]
    run = uo.run(uo.load_plan(both, base=folder), out=tmp_path)
    assert set(run.cases) == {"tuber_melanosporum", "tuber_aestivum"}
    with pytest.raises(uo.UnderoakError, match="E608"):
        _ = run.dataset
    tables = {name: case.parcels.set_index("id") for name, case in run.cases.items()}
    value = pd.DataFrame({name: t["suitability"] * (1 - t["excluded_share"]) for name, t in tables.items()})
    joined = pd.read_csv(tmp_path / "parcels.csv", dtype={"id": str}).set_index("id")
    known = joined["best"].notna()
    assert known.any()
    assert (known == value.notna().any(axis=1).loc[joined.index]).all()
    assert (joined["best"][known] == value.loc[joined.index[known]].idxmax(axis=1)).all()
    assert (tmp_path / "tuber_aestivum" / "report.html").exists()


def test_the_verdict_on_top_is_that_of_the_best_species(cases, tmp_path):
    plan, folder, _ = cases
    both = {k: v for k, v in plan.items() if k not in ("criteria", "weights", "scenarios")}
    both["species"] = ["tuber_melanosporum", "tuber_aestivum"]
    both["layers"] = plan["layers"] | {"soil_ph": plan["layers"]["soil_ph"] | {"sd": "5 %"}}
    both["uncertainty"] = {"draws": 8, "seed": 1}
    run = uo.run(uo.load_plan(both, base=folder), out=tmp_path)
    own = {name: case.parcels.set_index("id") for name, case in run.cases.items()}
    judged = run.parcels[run.parcels["best"].notna()].set_index("id")
    assert len(judged) > 20
    for parcel, row in judged.iterrows():
        assert row["verdict"] == own[row["best"]].loc[parcel, "verdict"]
        assert row["p_s2"] == own[row["best"]].loc[parcel, "p_s2"]
        for name, table in own.items():
            ours, theirs = row[f"verdict_{name}"], table.loc[parcel, "verdict"]
            assert ours == theirs or not isinstance(theirs, str)
    blank = run.parcels[run.parcels["best"].isna()]
    assert not blank.empty
    assert blank["verdict"].isna().all()
    assert blank["answer"].isna().all()
    assert run.parcels["deal"].isna().all()  # purpose region asks for none
    first = judged.iloc[0]
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert f'<td class="number">{first["p_s2"]:.2f}</td><td>{first["answer"]}</td>' in page
    told = run.explain(judged.index[0])
    assert told.startswith(f"Parcel {judged.index[0]}: {first['answer'].upper()}. P(S2 or better) {first['p_s2']:.2f}.")
    assert told.index(f"underoak explain {tmp_path / first['best']} ") == told.index("underoak explain ")


def test_what_a_partly_excluded_parcel_is_ranked_by_is_told_and_orders_the_parcels(cases):
    run = cases[2].cases["present"]
    counts, seen = [], 0
    for _, row in run.parcels[run.parcels["rank"].notna()].iterrows():
        told = " ".join(run.explain(row["id"]).split())
        said = re.search(
            r"Its rank goes by suitability times the share that is not excluded: .* counts as ([\d.]+)\. ", told
        )
        if isinstance(row["too_small"], str):  # follows the others, whatever it counts as
            assert f"It ranks after the parcels that are large enough: {row['too_small']}" in told
            continue
        assert (said is not None) == (row["excluded_share"] >= 0.005)
        counts.append(float(said[1]) if said else row["suitability"])
        seen += said is not None
    assert 3 < seen < len(counts)
    assert all(after <= before + 0.011 for before, after in itertools.pairwise(counts))
