"""Lab results with and without a place: which cells a result stands for, and what happens to the others."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer
from shapely import box

import underoak as uo
from underoak.base.grid import Grid
from underoak.places.answers.needs import LabFinding, LabUse, SoilUnit
from underoak.places.columns.column import encode_table
from underoak.places.columns.parcels import parcel_columns
from underoak.places.lab.effect import PooledResult, apply_results, sd_of_tested_mean
from underoak.places.lab.results import Lab, Result
from underoak.places.parcels.cell_sample import SampledCells
from underoak.report.terminal.table import ranking
from underoak.report.text.cell_sentences import SENTENCES, lab_sentence

from noise import LEFT, TOP, write_raster, write_shapes

HEAD = "parcel,property,value,unit,method,error,x,y\n"
CELL = 25.0
GOOD, BAD, FAR = 7.83, 6.31, 7.12  # pH of the halves of parcel S, and of parcel O
DOUBT, LAB_SD = 0.37, 0.14


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Parcel S lies half on good and half on bad soil; parcel O on one soil, with slightly rising clay."""
    folder = tmp_path_factory.mktemp("land")
    ph = np.full((8, 40), FAR, np.float32)
    ph[:, :8], ph[:, 8:16] = GOOD, BAD
    write_raster(folder / "ph.tif", ph, "EPSG:25831", (CELL, 0, LEFT, 0, -CELL, TOP))
    clay = np.repeat(np.linspace(25.0, 26.0, 40, dtype=np.float32)[None], 8, axis=0)
    write_raster(folder / "clay.tif", clay, "EPSG:25831", (CELL, 0, LEFT, 0, -CELL, TOP))
    fields = [box(LEFT + 100, TOP - 175, LEFT + 300, TOP - 25), box(LEFT + 500, TOP - 175, LEFT + 700, TOP - 25)]
    write_shapes(folder / "fields.gpkg", fields, "EPSG:25831", id=["S", "O"])
    return folder


def plan_of(**lab):
    return {
        "format": 1, "title": "halves", "purpose": "buy",
        "region": {"bounds": [LEFT, TOP - 200, LEFT + 1000, TOP], "crs": "EPSG:25831", "cell": "25 m"},
        "layers": {
            "soil_ph": {"file": "ph.tif", "unit": "pH", "resample": "nearest", "method": "water", "sd": DOUBT,
                        "grain": "25 m", "bias_share": 0},
            "clay": {"file": "clay.tif", "unit": "%", "resample": "nearest", "sd": 3},
        },
        "criteria": {
            "ph": {"layer": "soil_ph", "curve": {"shape": "hump", "at": [6.5, 7.5, 8.3, 8.9]}, "source": "a test"},
            "clay": {"layer": "clay", "curve": {"shape": "ramp_down", "at": [20, 40]}, "source": "a test"},
        },
        "weights": {"direct": {"ph": 0.5, "clay": 0.5}},
        "combine": {"rule": "linear"},
        "uncertainty": {"draws": 64, "correlation_range": "0 m"},
        "parcels": {"file": "fields.gpkg", "id": "id"},
        "lab": {"file": "lab.csv", "crs": "EPSG:25831", "within_field": {"soil_ph": 0, "clay": 0}} | lab,
    }  # fmt: skip


def ran(folder, text, tmp_path, **lab):
    plan = plan_of(**lab)
    (folder / "lab.csv").write_text(text, encoding="utf-8")
    run = uo.run(uo.load_plan(plan, base=folder), out=tmp_path / f"out{len(list(tmp_path.iterdir()))}")
    table = encode_table(run.findings[0].parcels, parcel_columns("buy", SENTENCES)).set_index("id")
    return run, table


def row(parcel, value, x="", y="", sd=LAB_SD):
    return f"{parcel},soil_ph,{value},pH,water,{sd},{x},{y}\n"


IN_GOOD, IN_BAD = (LEFT + 130, TOP - 80), (LEFT + 260, TOP - 80)


def test_one_good_sample_without_a_place_no_longer_sinks_a_split_parcel(folder, tmp_path):
    _, untested = ran(folder, HEAD, tmp_path)
    run, table = ran(folder, HEAD + row("S", 7.9), tmp_path)
    result = table.loc["S", "lab"]
    mean, differs = (GOOD + BAD) / 2, (GOOD - BAD) / 2
    assert result == (
        f"soil_ph: laboratory 7.90 ± {LAB_SD:.2f} (method {LAB_SD:.2f}, sampling 0.00), map {mean:.2f}, kept as "
        f"evidence and not used: it has no place, and the map differs by {differs:.2f} within the parcel"
    )
    for name in ("suitability", "class", "p_s2", "verdict", "value_ph", "rank"):  # as without the row
        assert table.loc["S", name] == untested.loc["S", name], name
    (warning,) = [fault for fault in run.findings[0].warnings if fault.code == "W420"]
    assert "parcel S" in str(warning)
    assert "lon and lat" in warning.fix
    flat = " ".join(run.explain("S").split())
    assert "kept as evidence and not used" in flat
    assert "then say where the sample of ph was taken." in flat  # after the deal, of which nothing is known
    assert "its place is missing" in " ".join(ranking(run.findings[0]).split())
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "Results for parcel S are kept as evidence and not used" in page


def test_with_a_place_the_result_goes_to_the_soil_it_was_taken_from(folder, tmp_path):
    _, untested = ran(folder, HEAD, tmp_path)
    _, table = ran(folder, HEAD + row("S", 7.9, *IN_GOOD), tmp_path)
    prior = DOUBT / math.sqrt(24)  # 24 independent cells of 25 m
    taken = GOOD + (7.9 - GOOD) * prior**2 / (prior**2 + LAB_SD**2)
    assert table.loc["S", "value_ph"] == pytest.approx((taken + BAD) / 2, abs=1e-5)
    assert table.loc["S", "lab"].startswith("soil_ph on soil unit 1 of 2 (50 % of it): laboratory 7.90 ±")
    assert table.loc["S", "lab"].endswith(f"map {GOOD:.2f}, taken {taken:.2f}")
    assert table.loc["S", "suitability"] >= untested.loc["S", "suitability"] - 1e-6
    ranks = ["rank", "first_share", "top3_share", "mean_rank"]
    assert table.loc["O"].drop(ranks).equals(untested.loc["O"].drop(ranks))


def test_a_place_in_the_bad_half_changes_that_half_alone(folder, tmp_path):
    _, table = ran(folder, HEAD + row("S", 7.0, *IN_BAD), tmp_path, mode="replace")
    assert table.loc["S", "value_ph"] == pytest.approx((GOOD + 7.0) / 2, abs=1e-5)
    assert table.loc["S", "membership_ph"] == pytest.approx((1.0 + 0.5) / 2, abs=1e-5)


def test_without_a_place_a_correction_that_exceeds_the_differences_moves_the_parcel_as_one(folder, tmp_path):
    differs = (GOOD - BAD) / 2
    mean = (GOOD + BAD) / 2
    for value, is_used in ((mean + differs + 0.01, True), (mean + differs - 0.01, False)):
        _, table = ran(folder, HEAD + row("S", value), tmp_path, mode="replace")
        assert table.loc["S", "value_ph"] == pytest.approx(value if is_used else mean, abs=1e-5)
        assert ("kept as evidence" in table.loc["S", "lab"]) is not is_used


def test_on_one_soil_a_place_changes_nothing(folder, tmp_path):
    # clay rises a little, so a small correction is below the differences of its cells: but there is one soil only
    rows = "O,clay,25.6,%,,1.5,{},{}\n"
    _, bare = ran(folder, HEAD + rows.format("", "") + row("O", 7.3), tmp_path)
    _, placed = ran(folder, HEAD + rows.format(LEFT + 600, TOP - 100) + row("O", 7.3, LEFT + 520, TOP - 30), tmp_path)
    assert bare.equals(placed)
    assert "taken" in bare.loc["O", "lab"]
    assert "kept" not in bare.loc["O", "lab"]


def test_longitude_and_latitude_are_those_of_a_phone(folder, tmp_path):
    lon, lat = Transformer.from_crs("EPSG:25831", "EPSG:4326", always_xy=True).transform(*IN_GOOD)
    plain = HEAD + row("S", 7.9, *IN_GOOD)
    degrees = HEAD.replace("x,y", "lon,lat") + row("S", 7.9, f"{lon:.7f}", f"{lat:.7f}")
    _, one = ran(folder, plain, tmp_path)
    _, other = ran(folder, degrees, tmp_path, crs=None)
    assert one.equals(other)


def test_semicolons_and_decimal_commas_give_the_same_bytes(folder, tmp_path):
    text = HEAD + row("S", 7.9, 420130.5, 4599920.25) + "O,clay,25.5,%,,1.5,,\n"
    one, _ = ran(folder, text, tmp_path)
    other, _ = ran(folder, text.replace(",", ";").replace(".", ","), tmp_path)
    for name in ("parcels.csv", "ranks.csv", "suitability.tif", "class.tif"):
        assert (one.folder / name).read_bytes() == (other.folder / name).read_bytes(), name


@pytest.mark.parametrize(
    ("head", "place", "lab", "code", "says"),
    [
        (HEAD, IN_GOOD[::-1], {}, "E415", "is not in parcel S, but the two swapped are. Fix: swap them"),
        (HEAD, (LEFT + 50, TOP - 80), {}, "E415", "is 50 m outside parcel S"),
        (HEAD, (LEFT + 600, TOP - 80), {}, "E415", 'is in parcel O, not in S. Fix: write "O"'),
        (HEAD, (TOP - 80, LEFT + 600), {}, "E415", "the two swapped are in parcel O, not in S"),
        (HEAD, IN_GOOD, {"crs": None}, "E415", "nothing says in which system. Fix: add `crs: EPSG:...` to `lab`"),
        (HEAD, (IN_GOOD[0], ""), {}, "E412", "has no y"),
        (HEAD, (IN_GOOD[0], "north"), {}, "E412", 'y "north" is no number'),
        (HEAD.replace("x,y", "lon,lat"), IN_GOOD, {}, "E415", "the plan says that its coordinates are in EPSG:25831"),
        (HEAD.replace("x,y", "lon,lat"), (41.5, 2.05), {"crs": None}, "E415", "outside parcel S"),
        (HEAD.replace("x,y", "x,note"), IN_GOOD, {}, "E411", 'there is a column "x" and no "y"'),
    ],
)
def test_a_place_that_cannot_be_is_refused_with_its_line(folder, head, place, lab, code, says):
    (folder / "lab.csv").write_text(head + row("S", 7.9, *place), encoding="utf-8")
    with pytest.raises(uo.UnderoakError) as caught:
        uo.check(uo.load_plan(plan_of(**lab), base=folder))
    (fault,) = caught.value.faults
    assert fault.code == code
    assert says in str(fault)


def test_the_crs_of_the_file_is_checked_with_the_plan(folder):
    with pytest.raises(uo.UnderoakError, match=r"E202 plan \(lab.crs\)"):
        uo.load_plan(plan_of(crs="EPSG:1"), base=folder)


# -- properties, on cells in memory


def cells_of(values, memberships):
    """All cells of one parcel, in a row of the grid."""
    n = len(values)
    return SampledCells(
        np.array([0, n]), np.arange(n), np.ones(n), np.ones(n), np.asarray(memberships, np.float32)[:, None],
        np.asarray(values, np.float32)[:, None], np.zeros(n, np.float32),
    )  # fmt: skip


class Sums:
    """As much of a parcel's sums as is asked for before cells are judged again."""

    ids = ("P",)


def applied(cells, results, monkeypatch, mode="update"):
    from underoak.places.lab import effect as lab_effect

    monkeypatch.setattr(lab_effect, "_judge_again", lambda plan, cells, sums, parcels: (cells, sums))
    plan = uo.load_plan(
        {
            "format": 1, "title": "Hill", "purpose": "buy",
            "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
            "layers": {"soil_ph": {"file": "ph.tif", "unit": "pH", "method": "water", "sd": 0.4}},
            "criteria": {"ph": {"layer": "soil_ph", "curve": {"shape": "ramp_up", "at": [5, 9]}, "source": "a test"}},
            "uncertainty": {"draws": 64},
            "parcels": {"file": "p.gpkg", "id": "id"},
            "lab": {"file": "lab.csv"},
        },
        base=".",
    )  # fmt: skip
    grid = Grid("EPSG:25831", (1.0, 0.0, 0.0, 0.0, -1.0, 1.0), 1, len(cells))
    lab = Lab(mode, {("P", "soil_ph"): tuple(results)})

    def prior(_layer, at, weights, _values):
        return 0.4 / math.sqrt(len(at))

    return apply_results(lab, plan, {"soil_ph": "pH"}, grid, Sums(), cells, prior)


HALVES = st.tuples(st.integers(2, 9), st.integers(2, 9))
PH = st.floats(4.5, 9.5)


@settings(max_examples=60, deadline=None)
@given(HALVES, PH, PH, PH, st.floats(0.02, 1.0), st.integers(1, 40), st.sampled_from(["update", "replace"]))
def test_a_sample_in_one_soil_unit_never_changes_a_cell_of_the_other(halves, left, right, value, error, cores, mode):
    n = sum(halves)
    values = np.where(np.arange(n) < halves[0], left, right)
    memberships = np.where(np.arange(n) < halves[0], 0.9, 0.1)
    with pytest.MonkeyPatch.context() as patch:
        cells = cells_of(values, memberships)
        effect = applied(cells, [Result(2, value, error, "", cores, (0.5, 0.5))], patch, mode)
        before, after = cells.values[:, 0], effect.cells.values[:, 0]
        assert (after[halves[0] :] == before[halves[0] :]).all()
        (pooled,) = effect.by_parcel["P"]
        assert pooled.unit == SoilUnit(1, 2, halves[0] / n)
        assert after[: halves[0]].mean(dtype=float) == pytest.approx(pooled.used, abs=1e-5)
        # the same half alone, as a parcel of one soil, gets the same
        alone = applied(cells_of(values[: halves[0]], memberships[: halves[0]]),
                        [Result(2, value, error, "", cores)], patch, mode)  # fmt: skip
        assert (alone.cells.values[:, 0] == after[: halves[0]]).all()


@settings(max_examples=60, deadline=None)
@given(PH, PH, st.floats(0.0, 0.5), st.integers(1, 60), st.integers(1, 60))
def test_more_cores_never_widen_and_never_trust_the_result_less(ph, value, error, some, more):
    with pytest.MonkeyPatch.context() as patch:
        few, many = (
            applied(cells_of([ph] * 4, [0.5] * 4), [Result(2, value, error, "", cores)], patch).by_parcel["P"][0]
            for cores in sorted((some, some + more))
        )
    assert few.lab_sd is not None
    assert many.lab_sd is not None
    assert many.lab_sd < few.lab_sd
    assert many.sd_left("update") <= few.sd_left("update")
    assert abs(many.used - value) <= abs(few.used - value) + 1e-9
    assert few.lab_sd == pytest.approx(math.hypot(few.method_sd or 0.0, few.sampling_sd))


@settings(max_examples=60, deadline=None)
@given(st.lists(PH, min_size=2, max_size=12), PH, st.floats(0.02, 1.0))
def test_a_result_without_a_place_counts_as_the_rule_says(values, value, error):
    memberships = np.linspace(0.0, 1.0, len(values))  # several soils
    with pytest.MonkeyPatch.context() as patch:
        cells = cells_of(values, memberships)
        effect = applied(cells, [Result(2, value, error, "", 20)], patch)
    (pooled,) = effect.by_parcel["P"]
    ph = cells.values[:, 0].astype(float)
    noise = math.hypot(error, 0.3 / math.sqrt(20))
    prior = 0.4 / math.sqrt(len(ph))
    correction = abs(value - ph.mean()) * prior**2 / (prior**2 + noise**2)
    if abs(ph.std() - correction) < 1e-4:
        return  # rounding decides
    assert pooled.is_used is bool(ph.std() <= correction)
    assert pooled.use is (LabUse.USED if pooled.is_used else LabUse.NO_PLACE)
    assert (effect.cells.values == cells.values).all() or pooled.is_used


def test_rows_without_a_place_wait_where_others_have_one(monkeypatch):
    cells = cells_of([8.0, 8.0, 6.0, 6.0], [1.0, 1.0, 0.2, 0.2])
    results = [Result(2, 9.4, 0.1, "", 20), Result(3, 7.7, 0.1, "", 20, (0.5, 0.5))]
    placed, bare = applied(cells, results, monkeypatch, "replace").by_parcel["P"]
    assert (placed.use, placed.lab, bare.use, bare.lab) == (LabUse.USED, 7.7, LabUse.NO_PLACE, 9.4)


def test_a_place_on_land_that_is_not_judged_changes_nothing(monkeypatch):
    cells = cells_of([8.0, 8.0, 6.0, 6.0], [1.0, 1.0, 0.2, 0.2])
    effect = applied(cells, [Result(2, 7.0, 0.1, "", 20, (7.5, 0.5))], monkeypatch)
    (pooled,) = effect.by_parcel["P"]
    assert pooled.use is LabUse.NOT_JUDGED
    assert (effect.cells.values == cells.values).all()


def test_what_is_left_of_the_doubt_of_a_mean_after_a_test_of_a_part():
    """Two independent halves of sd s each: the mean's variance is s²/2; a perfect test of one leaves s²/4."""
    s = 0.37
    half = PooledResult("ph", 7.0, s, 7.2, 0.0, 7.2, 1, unit=SoilUnit(1, 2, 0.5))
    assert sd_of_tested_mean(s / math.sqrt(2), [half], "update") == pytest.approx(s / 2)
    whole_parcel = PooledResult("ph", 7.0, s, 7.2, s, 7.1, 1)
    assert sd_of_tested_mean(s, [whole_parcel], "update") == pytest.approx(s / math.sqrt(2))


@pytest.mark.parametrize(
    "finding",
    [
        LabFinding("soil_ph", 7.81, 7.3, 7.74, 2.6, None, LabUse.USED, 0.15, 0.07),
        LabFinding("clay", 31.25, 28.5, 30.0, None, SoilUnit(2, 3, 0.41), LabUse.USED, None, 4.5),
        LabFinding("soil_ph", 7.9, 7.1, 7.1, None, None, LabUse.NO_PLACE, 0.15, 0.3, 0.76),
        LabFinding("soil_ph", 7.9, 7.1, 7.1, None, None, LabUse.NOT_JUDGED, 0.15, 0.3),
        LabFinding("soil_ph", 7.9, 7.1, 7.7),
    ],
)
def test_the_sentence_of_a_result_is_read_back(finding):
    assert SENTENCES.lab.decode(lab_sentence(finding)) == (finding,)
    two = (finding, LabFinding("clay", 20.0, 25.0, 21.0))
    assert SENTENCES.lab.decode(SENTENCES.lab.encode(two)) == two
