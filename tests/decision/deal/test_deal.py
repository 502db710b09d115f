"""The deal beside the ground: entries of plan, file and overlay, the answer that follows, and where it is shown."""

from __future__ import annotations

import datetime
import random
import re

import numpy as np
import pandas as pd
import pytest
import shapely
import yaml
from hypothesis import given
from hypothesis import strategies as st

import underoak as uo
from underoak.base.errors import Problems, UnderoakError
from underoak.decision.deal.deal_file import read_deal
from underoak.decision.deal.ledger import Age, DealEntry, Ledger, StatedBy, with_deal
from underoak.decision.deal.overlays import covered_shares
from underoak.decision.deal.reading import read_ledger
from underoak.decision.reference.questions import shipped_questions
from underoak.places.answers.deal import Answer, Block, DealState, answer_of
from underoak.places.answers.verdict import Verdict
from underoak.places.geometry.areas import areas_ha
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.plan.keys.decision.deal import QUESTIONS
from underoak.report import ranking

from noise import small_country, write_shapes

CRS = "EPSG:25831"
RISING = [Answer.NO, Answer.OPEN, Answer.TEST_FIRST, Answer.NOT_YET, Answer.YES]


def parcels_of(*shapes, crs=CRS):
    array = np.array([*shapes, None], object)[:-1]
    ids = tuple(f"p{i}" for i in range(len(shapes)))
    return Parcels(ids, array, crs, areas_ha(array, crs), ("",) * len(shapes))


def plan_of(folder, deal=None, purpose="buy"):
    plan = {
        "format": 1, "title": "deal", "purpose": purpose,
        "region": {"bounds": [0, 0, 300, 300], "crs": CRS, "cell": "30 m"},
        "layers": {"soil_ph": {"file": "ph.tif", "unit": "pH", "sd": 0.3}},
        "criteria": {"ph": {"layer": "soil_ph", "curve": {"shape": "ramp_up", "at": [6, 7]}, "source": "a test"}},
        "parcels": {"file": "fields.gpkg", "id": "name"}, "zones": {}, "species": ["tuber_melanosporum"],
    }  # fmt: skip
    return uo.load_plan(plan | ({} if deal is None else {"deal": deal}), base=folder)


SQUARES = [shapely.box(400_000 + 1000 * n, 4_600_000, 400_200 + 1000 * n, 4_600_100) for n in range(3)]


def ledger_of(folder, deal=None, purpose="buy"):
    problems = Problems()
    return read_ledger(plan_of(folder, deal, purpose), parcels_of(*SQUARES), problems), problems


def test_the_shipped_questions_are_the_keys_of_the_plan_in_one_order():
    assert tuple(shipped_questions()) == QUESTIONS
    assert len(QUESTIONS) == 10


@given(st.none() | st.sampled_from(DealState), st.sampled_from(Verdict))
def test_an_unknown_never_improves_an_answer_and_never_counts_as_a_yes(deal, verdict):
    answer = answer_of(verdict, deal)
    assert RISING.index(answer) <= RISING.index(Answer(verdict.value))
    assert RISING.index(answer_of(verdict, DealState.UNKNOWN)) <= RISING.index(answer_of(verdict, DealState.CLEAR))
    assert (answer is Answer.YES) == (verdict is Verdict.YES and deal in (None, DealState.CLEAR))
    assert (answer is Answer.NO) == (verdict is Verdict.NO or deal is DealState.BLOCKS)


@given(st.lists(st.sampled_from(DealState), min_size=1, max_size=10))
def test_one_block_ends_a_deal_and_one_unknown_leaves_it_open(states):
    names = tuple(f"q{n}" for n in range(len(states)))
    ledger = Ledger(names, {name: DealEntry(state) for name, state in zip(names, states, strict=True)})
    blocks, unknown = DealState.BLOCKS in states, DealState.UNKNOWN in states
    assert ledger.state("a") is (
        DealState.BLOCKS if blocks else DealState.UNKNOWN if unknown else DealState.CLEAR
    )  # fmt: skip


def test_without_a_ledger_a_purchase_knows_nothing_and_other_purposes_ask_nothing(tmp_path):
    ledger, _ = ledger_of(tmp_path)
    assert {entry.state for entry in ledger.entries("p0").values()} == {DealState.UNKNOWN}
    for purpose in ("orchard", "restore", "region"):
        assert ledger_of(tmp_path, purpose=purpose)[0] is None
    assert ledger_of(tmp_path, {"title": "clear"}, "orchard")[0].state("p0") is DealState.UNKNOWN
    table = pd.DataFrame({"id": ["p0", "p1"], "verdict": [Verdict.YES, Verdict.NO]})
    assert with_deal(table, ledger)["answer"].tolist() == [Answer.NOT_YET, Answer.NO]
    assert with_deal(table, None)["answer"].tolist() == [Answer.YES, Answer.NO]
    assert with_deal(table, None)["deal"].isna().all()


def test_a_row_wins_over_an_overlay_and_an_overlay_over_the_plan(tmp_path):
    write_shapes(tmp_path / "wet.gpkg", [SQUARES[0], shapely.box(401_000, 4_600_000, 401_060, 4_600_100)], CRS)
    (tmp_path / "deal.csv").write_text(
        "name,question,state,date,source,note\n"
        "p0,protected_ground,clear,2026-01-31,a letter,\n"
        "p2,water_right,BLOCKS,,,\"dry, they say\"\n", encoding="utf-8",
    )  # fmt: skip
    overlay = {"question": "protected_ground", "file": "wet.gpkg", "date": "2026-02-01"}
    deal = {"protected_ground": "clear", "water_right": "unknown", "file": "deal.csv", "overlays": [overlay]}
    ledger, problems = ledger_of(tmp_path, deal)
    assert not problems.faults
    assert [str(fault.code) for fault in problems.warnings] == ["W421"]
    first, second, third = (ledger.entry(name, "protected_ground") for name in ("p0", "p1", "p2"))
    assert first == DealEntry(DealState.CLEAR, "2026-01-31", "a letter", "", StatedBy.ROW)
    assert (second.state, second.source, second.date) == (DealState.BLOCKS, "wet.gpkg", "2026-02-01")
    assert second.share == pytest.approx(0.3, abs=1e-6)
    assert third == DealEntry(DealState.CLEAR, stated_by=StatedBy.PLAN)  # the map shows nothing: the plan's stands
    assert ledger.entry("p2", "water_right").note == "dry, they say"


@pytest.mark.parametrize("otherwise", ["unknown", "clear"])
def test_a_map_that_shows_nothing_clears_a_question_only_where_the_plan_says_that_it_is_complete(tmp_path, otherwise):
    write_shapes(tmp_path / "wet.gpkg", [SQUARES[0]], CRS)
    overlay = {"question": "protected_ground", "file": "wet.gpkg", "otherwise": otherwise}
    ledger, _ = ledger_of(tmp_path, {"overlays": [overlay]})
    assert ledger.entry("p0", "protected_ground").state is DealState.BLOCKS
    assert ledger.entry("p1", "protected_ground").state.value == otherwise


@pytest.mark.parametrize(("width", "state"), [(0.1, "clear"), (0.3, "unknown"), (9.9, "unknown"), (10.1, "blocks")])
def test_a_parcel_that_a_complete_map_touches_is_not_clear(tmp_path, width, state):
    write_shapes(tmp_path / "wet.gpkg", [shapely.box(400_000, 0, 400_000 + width, 5_000_000)], CRS)
    overlay = {"question": "clearing", "file": "wet.gpkg", "otherwise": "clear"}
    ledger, _ = ledger_of(tmp_path, {"clearing": "clear", "overlays": [overlay]})
    assert ledger.entry("p0", "clearing").state.value == state


@pytest.mark.parametrize(("width", "state"), [(9.9, "unknown"), (10.0, "blocks"), (10.1, "blocks")])
def test_a_share_of_a_twentieth_blocks(tmp_path, width, state):
    write_shapes(tmp_path / "wet.gpkg", [shapely.box(400_000, 0, 400_000 + width, 5_000_000)], CRS)
    ledger, _ = ledger_of(tmp_path, {"overlays": [{"question": "clearing", "file": "wet.gpkg"}]})
    assert ledger.entry("p0", "clearing").state.value == state


def test_shares_are_true_areas_whatever_cuts_the_shapes_have():
    rng = random.Random(7)
    low, high = 10.0, 20.0  # degrees: a strip to the latitude at which half the true area lies below
    field = parcels_of(shapely.box(0.0, 40.0, low, 60.0), crs="EPSG:4326")
    cuts = sorted(rng.uniform(40.0, 50.0) for _ in range(4))
    strips = [shapely.box(-5.0, 40.0, high, cut) for cut in cuts]  # they overlap: the highest holds the others
    share = covered_shares(field, np.array(strips, object))[0]
    parts = areas_ha(np.array([shapely.box(0.0, 40.0, low, cuts[-1])], object), "EPSG:4326")
    assert share == pytest.approx(parts[0] / field.area_ha[0], abs=1e-9)
    assert share > (cuts[-1] - 40.0) / 20.0  # nearer the equator a degree holds more land


def test_a_question_of_your_own_is_asked_like_the_others(tmp_path):
    deal = {"also": {"mines": {"about": "rights below the ground", "state": "blocks"}}}
    ledger, _ = ledger_of(tmp_path, deal)
    assert ledger.questions == (*QUESTIONS, "mines")
    table = with_deal(pd.DataFrame({"id": ["p0"], "verdict": [Verdict.YES]}), ledger)
    assert table["deal_blocks"][0] == (Block("mines"),)


@pytest.mark.parametrize(
    ("text", "code", "says"),
    [
        ("parcel,question,state\np9,title,clear\n", "E416", 'line 2: there is no parcel "p9"'),
        ("parcel,question,state\np0,titel,clear\n", "E416", 'line 2: there is no question "titel"'),
        ("parcel,question,state\np0,title,perhaps\n", "E416", 'line 2: the state "perhaps" is not known'),
        ("parcel,question,state\np0,title,clear\np0,title,blocks\n", "E417", "line 3: line 2 has the same"),
        ("parcel,question,state,date\np0,title,clear,31.1.2026\n", "E412", 'date "31.1.2026" is none'),
        ("parcel,question\np0,title\n", "E411", 'there is no column "state"'),
    ],
)
def test_a_fault_of_the_file_names_its_line(tmp_path, text, code, says):
    (tmp_path / "deal.csv").write_text(text, encoding="utf-8")
    _, problems = ledger_of(tmp_path, {"file": "deal.csv"})
    assert [fault.code for fault in problems.faults] == [code]
    assert says in problems.faults[0].what


@pytest.mark.parametrize(
    ("deal", "says"),
    [
        ({"titel": "clear"}, "titel"),
        ({"title": "perhaps"}, "deal.title"),
        ({"title": {"state": "clear", "date": "31.1.2026"}}, "should be a date"),
        ({"overlays": [{"question": "titel", "file": "a.gpkg"}]}, 'there is no question "titel"'),
        ({"overlays": [{"question": "title", "file": "a.gpkg", "blocks_at": 0}]}, "must be more than 0"),
        ({"also": {"title": {"about": "title", "state": "clear"}}}, "is a question of its own already"),
    ],
)
def test_a_slip_in_the_plan_is_named(tmp_path, deal, says):
    with pytest.raises(UnderoakError) as caught:
        plan_of(tmp_path, deal)
    assert says in str(caught.value)


@given(st.dates(datetime.date(2000, 1, 1), datetime.date(2090, 1, 1)), st.integers(1, 48))
def test_an_entry_is_old_after_so_many_months(date, months):
    entry = DealEntry(DealState.CLEAR, date.isoformat())
    total = date.year * 12 + date.month - 1 + months
    end = datetime.date(total // 12, total % 12 + 1, 28)
    assert entry.age(end.replace(day=1) - datetime.timedelta(1), months) in (Age.FRESH, Age.STALE)
    assert entry.age(end + datetime.timedelta(5), months) is Age.STALE
    assert entry.age(date, months) is Age.FRESH
    assert entry.age(date - datetime.timedelta(1), months) is Age.FUTURE


@pytest.fixture(scope="module")
def land(tmp_path_factory):
    """A run to buy on white noise, with a ledger."""
    folder = tmp_path_factory.mktemp("deal")
    plan = small_country(folder, parcels=60) | {
        "purpose": "buy",
        "uncertainty": {"draws": 8},
        "verdict": {"yes_at": 0.3},
    }
    plan["layers"]["soil_ph"]["sd"] = "0.1 pH"
    plan["classes"] = {"S1": 0.5, "S2": 0.2, "S3": 0.1}
    (folder / "deal.csv").write_text(
        "parcel,question,state,date,source\n"
        + "".join(f"f{n:02d},{name},clear,2026-05-01,office\n" for n in range(0, 60, 3) for name in QUESTIONS)
        + "".join(f"f{n:02d},lease,blocks,2020-05-01,tenant\n" for n in range(1, 60, 3)),
        encoding="utf-8",
    )
    plan["deal"] = {"file": "deal.csv"}
    return folder, plan, uo.run(uo.load_plan(plan, base=folder), out=folder / "out")


def test_the_ledger_changes_the_answer_and_nothing_of_the_ground(land, tmp_path):
    folder, plan, run = land
    bare = uo.run(uo.load_plan({key: plan[key] for key in plan if key != "deal"}, base=folder), out=tmp_path)
    ground = [name for name in run.parcels.columns if not name.startswith(("deal", "answer"))]
    pd.testing.assert_frame_equal(pd.DataFrame(run.parcels[ground]), pd.DataFrame(bare.parcels[ground]))
    for name in ("suitability.tif", "class.tif", "spread.tif", "limiting.tif"):
        assert (run.folder / name).read_bytes() == (bare.folder / name).read_bytes()
    table = run.parcels.set_index("id")
    yes = table[table["verdict"] == "yes"]
    assert len(yes) > 5
    groups = [yes[[int(name[1:]) % 3 == n for name in yes.index]] for n in range(3)]
    assert [set(group["answer"]) for group in groups] == [{"buy"}, {"do not buy"}, {"not yet"}]
    assert [set(group["deal"]) for group in groups] == [{"clear"}, {"blocks"}, {"unknown"}]
    assert set(bare.parcels.loc[bare.parcels["verdict"] == "yes", "answer"]) == {"not yet"}


def test_every_screen_says_the_answer_and_no_screen_says_buy_where_the_deal_is_open(land):
    _, _, run = land
    table = run.parcels.set_index("id")
    open_id = table.index[(table["verdict"] == "yes") & (table["answer"] == "not yet")][0]
    blocked = table.index[(table["verdict"] == "yes") & (table["answer"] == "do not buy")][0]
    lines = {
        line.split()[1]: line for line in ranking(run.findings[0], most=60).splitlines() if line[:5].strip().isdigit()
    }
    assert "not yet" in lines[open_id]
    assert "do not buy" in lines[blocked]
    assert "deal: lease" in lines[blocked]
    wide = {
        line.split()[1]: line for line in ranking(run.findings[0], 60, 150).splitlines() if line[:5].strip().isdigit()
    }
    assert re.search(r" unknown +not yet ", wide[open_id])
    assert re.search(r" blocks +do not buy ", wide[blocked])
    told = " ".join(run.explain(open_id).split())
    assert told.startswith(f"Parcel {open_id}: NOT YET. P(S2 or better)")
    assert "Deal: 10 unknown." in told
    assert "Next: Settle the deal first: land plan, protected ground" in told
    told = " ".join(run.explain(blocked, datetime.date(2021, 6, 1)).split())
    assert told.startswith(f"Parcel {blocked}: DO NOT BUY.")
    assert "Deal: 1 blocks (leases and hunting or foraging rights), 9 unknown" in told
    assert "blocks (tenant, 2020-05-01; older than 12 months: ask again)" in told
    assert "older than" not in run.explain(blocked, datetime.date(2021, 4, 30))
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "<th>Ground</th><th>Deal</th><th>Answer</th>" in page
    assert "<td>yes</td><td>10 unknown</td><td>not yet</td>" in page


def test_the_entries_come_back_from_the_run_folder(land):
    _, plan, run = land
    entries = read_deal(run.folder, "f01", QUESTIONS)
    assert entries["lease"] == DealEntry(DealState.BLOCKS, "2020-05-01", "tenant", "", StatedBy.ROW)
    assert entries["title"].state is DealState.UNKNOWN
    assert {output.path for output in run.manifest.outputs} >= {"deal.csv"}
    assert yaml.safe_load(yaml.safe_dump(dict(run.manifest.plan)))["deal"]["file"] == plan["deal"]["file"]


def test_two_runs_with_other_ledgers_differ_in_their_answers(land, tmp_path):
    from underoak.report import compare, comparison_text

    folder, plan, run = land
    other = uo.run(uo.load_plan(plan | {"deal": {"title": "blocks"}}, base=folder), out=tmp_path)
    text = comparison_text(compare(run, other))
    assert "not yet -> do not buy" in text
    assert "buy -> do not buy" in text
