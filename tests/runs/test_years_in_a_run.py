"""Single years and water held in a run: on every screen, without effect on rasters and verdicts, by the right rules."""

from __future__ import annotations

import json

import numpy as np
import pytest

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.base.number_words import figure

from noise import LEFT, TOP, noise_country, write_raster

SUMMERS = [171.0, 92.0, 88.0, 160.0, 61.0, 118.0, 149.0, 152.0, 33.0, 97.0, 141.0, 76.0]
YEARS = {"rain": {"file": "rain.csv", "unit": "mm"}, "source": "Noise station, invented"}
WELL = {"well": {"right": "40000000 m3", "source": "invented permit"}}


def country(folder):
    plan = noise_country(folder, 300, 320)
    plan["region"] = {"bounds": [LEFT, TOP - 9000, LEFT + 9600, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    rng = np.random.default_rng(5)
    rain = rng.uniform(60, 190, (40, 42)).astype(np.float32)
    write_raster(folder / "summer.tif", rain, "EPSG:25831", (250, 0, LEFT - 300, 0, -250, TOP + 300))
    plan["layers"]["rain_summer"] = {"file": "summer.tif", "unit": "mm", "season": "summer", "sd": "15 %"}
    plan["layers"]["rain_summer"].pop("season")
    plan |= {"species": ["tuber_melanosporum"], "purpose": "orchard", "weights": {"direct": {"ph": 0.5, "water": 0.5}}}
    plan["criteria"] = dict.fromkeys(("slope", "elevation"), "off")
    rows = [f"{1990 + i},{m},{s / 3 if m in (6, 7, 8) else 40.0}" for i, s in enumerate(SUMMERS) for m in range(1, 13)]
    (folder / "rain.csv").write_text("\n".join(["year,month,rain", *rows]) + "\n", encoding="utf-8")
    return plan


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("years")
    plan = country(folder)
    runs = {"plain": plan, "years": plan | {"years": YEARS, "water_supply": WELL}}
    return (
        folder,
        plan,
        {name: uo.run(uo.load_plan(each, base=folder), out=folder / name) for name, each in runs.items()},
    )


def test_years_change_no_raster_and_no_verdict(made):
    _, _, runs = made
    for path in sorted(runs["plain"].folder.glob("*.tif")):
        assert path.read_bytes() == (runs["years"].folder / path.name).read_bytes()
    plain, years = (runs[name].parcels for name in ("plain", "years"))
    for column in ("id", "suitability", "class", "p_s2", "verdict", "water_mm"):
        assert plain[column].equals(years[column])


def test_columns_count_the_years_of_the_file(made):
    _, _, runs = made
    table = runs["years"].parcels
    assert set(table["years"]) == {len(SUMMERS)}
    assert set(table["years_rain_enough"]) == {sum(each >= 150.0 for each in SUMMERS)}
    assert table["water_years_mm"].iloc[0] == pytest.approx(np.mean([max(150.0 - each, 0.0) for each in SUMMERS]))
    assert table["water_dry_10_mm"].isna().all()  # twelve years are fewer than twenty
    assert not any(name.startswith("years") for name in runs["plain"].parcels)


def test_every_screen_tells_them_and_run_json_holds_them(made):
    _, _, runs = made
    run = runs["years"]
    best = str(run.parcels.iloc[0]["id"])
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    for text in (run.explain(best), page):
        flat = " ".join(text.split())
        assert "in 3 of 12 years of the file (1990–2001)" in flat
        assert "no probability of the future" in flat
        assert f"In its mean year {figure(np.mean(SUMMERS))} mm fell in these months" in flat
        assert "Water held: well (invented permit)" in flat
    record = json.loads((run.folder / "run.json").read_text(encoding="utf-8"))["views"][0]
    assert record["years"]["places"][0]["dry"]["one_in_10"] is None
    assert record["water_held"][0]["name"] == "well"
    assert any("rain.csv" in each["path"] for each in json.loads((run.folder / "run.json").read_text())["inputs"])


def test_p_with_the_water_held_stands_beside_the_verdicts_own(made):
    _, _, runs = made
    table = runs["years"].parcels
    shown = table[table["p_water_held"].notna()]
    assert len(shown)  # the right is plenty
    assert (shown["p_water_held"] >= shown["p_s2"]).all()
    assert shown["p_water_held"].equals(shown["p_with_water"])


def test_wild_ground_learns_what_happened_and_is_offered_no_water(made):
    folder, plan, _ = made
    wild = plan | {"purpose": "restore", "years": YEARS, "water_supply": WELL, "zones": {"at_least": "S3"}}
    run = uo.run(uo.load_plan(wild, base=folder), out=folder / "wild")
    assert set(run.parcels["years_rain_enough"].dropna()) <= {3}
    assert not any(name.startswith("water_") and name != "water_mm" for name in run.parcels)
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "Water held" not in page
    assert "lacked" not in " ".join(page.split()).partition("What single years brought")[2][:900]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"years": {"rain": {"file": "gone.csv", "unit": "mm"}, "source": "x"}}, "E246"),
        ({"years": {"rain": {"file": "rain.csv", "unit": "degC"}, "source": "x"}}, "E341"),
        ({"years": {"source": "x"}}, "E304"),
        ({"years": {"rain": {"file": "summer.tif", "unit": "mm"}, "source": "x"}}, "E304"),
        ({"years": YEARS | {"first": 2050}}, "E452"),
        ({"years": YEARS, "water_supply": {"w": {"right": "5 m3", "source": "x", "parcels": ["f777"]}}}, "E453"),
        ({"years": YEARS, "water_supply": {"w": {"rate": "5 m3/h", "source": "x"}}}, "E304"),
        ({"years": YEARS, "water_supply": {"w": {"right": "5 mm", "source": "x"}}}, "E304"),
    ],
)
def test_wrong_input_is_refused_before_a_run(made, change, code):
    folder, plan, _ = made
    with pytest.raises(UnderoakError) as raised:
        uo.check(uo.load_plan(plan | change, base=folder))
    codes = [fault.code for fault in raised.value.faults]
    assert code in codes or codes[0].startswith("E34")


def test_water_without_years_says_that_it_is_held_against_nothing(made):
    folder, plan, _ = made
    lines = uo.check(uo.load_plan(plan | {"water_supply": WELL}, base=folder))
    assert any(line.startswith("W453") for line in lines)


def test_a_check_names_the_years_it_read(made):
    folder, plan, _ = made
    assert "years     1990 to 2001: rain" in uo.check(uo.load_plan(plan | {"years": YEARS}, base=folder))


def test_a_year_that_is_still_to_come_is_refused(made):
    folder, plan, _ = made
    rows = [f"{year},{month},40.0" for year in (2001, 2999) for month in range(1, 13)]
    (folder / "later.csv").write_text("\n".join(["year,month,rain", *rows]) + "\n", encoding="utf-8")
    later = plan | {"years": YEARS | {"rain": {"file": "later.csv", "unit": "mm"}}}
    with pytest.raises(UnderoakError, match="E452 years: the series have years still to come, up to 2999"):
        uo.check(uo.load_plan(later, base=folder))
    uo.check(uo.load_plan(later | {"years": later["years"] | {"last": 2001}}, base=folder))
