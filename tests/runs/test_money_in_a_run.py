"""The break-even in a run: in explain, report and run.json, without a profit, and without effect on the rest."""

import json
import re

import pytest

import underoak as uo

from noise import LEFT, TOP, noise_country

COSTS = {
    "set_up_ha": 17300, "yearly_ha": 1310, "hours_per_kg": 9, "wage": 17, "price_kg": [290, 640], "saleable": 0.75,
    "discount": 0.05, "years": 28, "first_crop": 8, "full_crop": 14, "chances": [0.4], "stop_year": 16,
    "yields_kg_ha": [31],
}  # fmt: skip


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("money")
    plan = noise_country(folder, 300, 320)
    plan["region"] = {"bounds": [LEFT, TOP - 9000, LEFT + 9600, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    rich = plan | {"costs": COSTS, "prices": {"currency": "CHF"}}
    return [uo.run(uo.load_plan(each, base=folder), out=folder / name) for name, each in (("a", plan), ("b", rich))]


def screens(run):
    best = str(run.parcels.iloc[0]["id"])
    texts = [run.explain(best), (run.folder / "report.html").read_text(encoding="utf-8")]
    return [" ".join(text.split()) for text in texts]


def test_costs_change_no_raster_and_no_table(pair):
    plain, with_costs = pair
    for path in [*sorted(plain.folder.glob("*.tif")), plain.folder / "parcels.csv"]:
        assert path.read_bytes() == (with_costs.folder / path.name).read_bytes()


def test_every_screen_has_the_break_even_and_none_a_profit(pair):
    plain, with_costs = pair
    for text in screens(with_costs):
        assert "what would have to be true" in text
        assert "17 300 CHF/ha" in text
        assert not re.search(r"profit|surplus|net present|pays back|\bearn", text, re.IGNORECASE)
    for text in screens(plain):
        assert "what would have to be true" not in text


def test_run_json_holds_needed_figures_and_no_sum_of_money_left_over(pair):
    plain, with_costs = (json.loads((run.folder / "run.json").read_text(encoding="utf-8")) for run in pair)
    assert "break_even" not in plain
    result = with_costs["break_even"]
    assert set(result) == {"yields", "prices", "chances", "stop"}
    assert set(result["yields"][0]) == {"price_kg", "chance", "kg_ha"}
    assert [each["chance"] for each in result["yields"]] == [1.0, 1.0, 0.4, 0.4]
    assert result["stop"]["stop_year"] == 16
