"""The field sheet: every quantity from the parcel, every number with its status, wild ground kept wild."""

import re

import numpy as np
import pytest
import shapely
from click.testing import CliRunner

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.cli import main
from underoak.places.answers.native import Origin
from underoak.places.answers.needs import LimeBeyond, LimeNeed, WaterNeed
from underoak.places.answers.verdict import DecidedBy, Verdict, VerdictReason
from underoak.places.planting.mix import mix_of
from underoak.places.planting.planting import lay_out, spacing_of
from underoak.plan.profiles.profile import load_profile, profile_names
from underoak.report import Field, field_sheet

from noise import LEFT, TOP, noise_country, write_shapes

LIME, WATER = LimeNeed(57.0, 114.0, 30.0, 7.5, 1.0, 57.0), WaterNeed(45.0, 450.0, "summer", 1.0)
CRS, X, Y = "EPSG:3035", 4_321_000.0, 3_210_000.0
ROW = {"class": "S2", "suitability": 0.61, "reason": None, "limiting": ("ph",), "lime_t_ha": np.nan, "water_mm": np.nan}


def field(way="pots", width=100, height=50, wild=False, **more):
    profile = load_profile(more.pop("species", "tuber_melanosporum"))
    layout = None if wild else lay_out(shapely.box(X, Y, X + width, Y + height), CRS, 5.0, 4.0)
    hosts = [host for host in profile.hosts if host.name in ("quercus_ilex", "corylus_avellana")]
    mix = mix_of(hosts or profile.hosts, 48 if wild else layout.trees, profile.practice.mix, named=bool(hosts))
    remedies = {c.remedy.by for c in profile.criteria.values() if c.remedy is not None and not wild}
    given = {
        "name": "Parcel 7", "row": ROW, "limiting": "soil pH", "purpose": "restore" if wild else "orchard", "way": way,
        "is_wild": wild, "profile": profile, "state": Origin.NATIVE, "is_south": False, "area_ha": 3.0 if wild else 0.5,
        "layout": layout, "plots": 3 if wild else 0, "mix": mix,
        "sampling": None, "no_sampling": "constraints exclude all of it", "remedies": frozenset(remedies),
        "spacing": spacing_of(profile),
    }  # fmt: skip
    return Field(**(given | more))


def flat(text):
    return re.sub(r"\s+", " ", text)


def test_trees_come_from_area_and_shape():
    told = flat(field_sheet(field()))
    assert "takes about 220 trees, counted in 9 rows" in told  # 216: 24 along 92 m, 9 across 42 m
    assert "500 trees per hectare at this spacing [400 trees a hectare: common practice" in told
    assert "About 140 hazel (Corylus avellana)" in told
    assert "72 holm oak (Quercus ilex)" in told
    smaller = flat(field_sheet(field(width=60)))
    assert "takes about 130 trees" in smaller  # 126: 14 along 52 m
    assert "takes 70 trees" in flat(field_sheet(field(width=60, height=28)))  # as many as they are, below a hundred


@pytest.mark.parametrize(("way", "says", "plants", "mix"), [
    ("pots", "Order about 240 certified potted seedlings", 240, "132 l of mix"),
    ("whips", "Order about 330 whips", 330, "181.5 l of mix"),
    ("nuts", "Gather about 880", 220, "121 l of mix"),
])  # fmt: skip
def test_plants_and_inoculum_follow_the_way(way, says, plants, mix):
    told = flat(field_sheet(field(way)))
    assert says in told
    assert f"For {plants} plants: " in told
    assert mix in told
    assert "read here as water on top of concentrate" in told


def test_only_large_seed_is_sown():
    profile = load_profile("tuber_melanosporum")
    hosts = [host for host in profile.hosts if host.name in ("quercus_ilex", "tilia_cordata")]
    told = flat(field_sheet(field("nuts", mix=mix_of(hosts, 90, profile.practice.mix, named=True))))
    assert "Sow 60 places" in told
    assert "30 with seed too fine to sow in place: 34 potted seedlings" in told


def test_lime_puts_planting_off_and_is_handled_with_care():
    beyond = LimeBeyond(57.0, 40.0, 0.3)  # on the rest of it lime would take more than counts
    limed = ROW | {"lime_t_ha": 57.0, "remedies": (LIME, beyond, WATER), "water_mm": 45.0}
    told = flat(field_sheet(field(row=limed)))
    assert "Lime, at least 57 t/ha, plan with 110 t/ha, to bring the top 30 cm to pH 7.5" in told
    assert "Year two, November to March" in told
    assert "No lime on 30 % of it: it would take 57 t/ha or more, and 40 t/ha is the most that counts." in told
    assert "other land is the better choice" in told
    assert "Water to plan for: 220 m3" in told  # 45 mm on half a hectare is 225, told in two figures
    assert "goggles, gloves and a mask" in told
    plain = flat(field_sheet(field()))
    assert "Year one, November to March" in plain
    assert "spread lime on dry ground" not in plain


def test_the_calendar_turns_south_of_the_equator():
    north, south = (flat(field_sheet(field(is_south=at))) for at in (False, True))
    assert "Fruits November to March" in north
    assert "Fruits May to September" in south
    assert "May to September, on days without frost: plant" in south
    assert "June to August of the first summers" in north
    assert "December to February of the first summers" in south


def test_wild_ground_is_never_limed_watered_or_planted_in_rows():
    limed = ROW | {"lime_t_ha": 57.0, "remedies": (LIME,), "water_mm": 45.0}
    told = flat(field_sheet(field("whips", wild=True, row=limed)))
    for kind in ("Died out", "All factors but none", "Already hunted"):
        assert f"- {kind}: " in told
    assert "Never lime wild ground, never water it" in told
    assert "3 trial plots of 20 x 20 m with 16 trees each, one per hectare: 48 trees" in told
    assert "Order 73 whips" in told
    assert "owner's written leave" in told
    assert "Secrecy" in told
    for word in ("57 t/ha", "3. Rows", "Water to plan for", "spread lime"):
        assert word not in told


def test_no_inoculum_before_a_truffle_is_known_to_be_native():
    told = flat(field_sheet(field("whips", wild=True, state=Origin.EVIDENCE)))
    assert "None before there is evidence that the truffle is native here" in told
    assert "l of concentrate" not in told


def test_origins_are_marked():
    assert "Tuber melanosporum is not native here: a crop" in flat(field_sheet(field(state=Origin.INTRODUCED)))
    assert "origin unknown here; wild in most of Europe" in flat(field_sheet(field()))
    profile = load_profile("tuber_lyonii")
    hazel = [host for host in profile.hosts if host.name == "corylus_avellana"]
    told = flat(field_sheet(field(species="tuber_lyonii", mix=mix_of(hazel, 90, named=True))))
    assert "90 hazel (Corylus avellana), introduced here" in told


@pytest.mark.parametrize("wild", [False, True])
def test_cautions_stand_on_every_sheet(wild):
    told = flat(field_sheet(field("whips", wild=wild)))
    for words in ("screening from open maps, not advice", "Never eat a fungus", "Each country has laws", "licensed"):
        assert words in told


def test_a_parcel_without_room_for_a_tree_says_so():
    told = flat(field_sheet(field(width=60, height=7)))
    assert "No tree fits inside a headland of 4 m" in told
    assert "plant." not in told.split("Calendar")[1].split("Cautions")[0]


@pytest.mark.parametrize("wild", [False, True])
@pytest.mark.parametrize("species", ["tuber_oregonense", "tuber_gibbosum"])
def test_a_truffle_of_acid_ground_is_never_limed_or_watered(species, wild):
    told = flat(field_sheet(field("whips", species=species, wild=wild))).lower()
    rest = told.replace("ruled out, even where the maps look good: limed", "").replace("never lime wild ground", "")
    rest = rest.replace("lime wild", "").replace("active carbonate (active lime)", "")
    assert not re.search(r"\b(lime|limed|liming|limes)\b", rest)
    assert "secure the water right" not in told
    assert "lay pipes" not in told


@pytest.mark.parametrize("species", profile_names())
@pytest.mark.parametrize("wild", [False, True])
def test_a_sheet_says_what_its_profile_carries_and_nothing_else(species, wild):
    practice = load_profile(species).practice
    told = flat(field_sheet(field("whips", species=species, wild=wild)))
    is_opened = practice.canopy is not None and practice.canopy.wild == "open"
    assert ("open the canopy" in told) == (is_opened and wild)
    assert ("thin trees" in told) == (is_opened and wild)
    assert ("l of concentrate into" in told) == (practice.inoculum is not None)
    if practice.inoculum is None:
        assert "does not say what a portion of inoculum is made of" in told
    assert ("First fruit, where there is any: no figure is on record" in told) == (practice.first_fruit is None)
    assert ("For a tenth of pH" in told) is False  # nothing is limed here
    if practice.tools is not None:
        assert practice.tools.words in told
        assert "Do not rake" in told  # unripe truffles are the harm
    assert ("Two hazels to an oak" in told) == (practice.mix is not None and not wild)
    assert "oaks of North America" not in told  # a genus, which nobody can order


def test_hazel_and_oak_are_spoken_of_only_where_both_are_planted():
    profile = load_profile("tuber_melanosporum")
    for names, says in ((("corylus_avellana", "quercus_ilex"), True), (("quercus_ilex", "ostrya_carpinifolia"), False)):
        mix = mix_of([host for host in profile.hosts if host.name in names], 90, profile.practice.mix, named=True)
        assert ("Two hazels to an oak" in flat(field_sheet(field(mix=mix)))) is says


def test_a_chestnut_comes_with_a_caution_on_blight():
    hosts = [host for host in load_profile("tuber_lyonii").hosts if host.name == "castanea_dentata"]
    told = flat(field_sheet(field(species="tuber_lyonii", mix=mix_of(hosts, 30, named=True))))
    assert "Caution, American chestnut: chestnut blight has killed nearly all of it" in told


def test_verdict_and_p_stand_on_the_sheet_and_a_no_is_not_glossed_over():
    reason = VerdictReason(DecidedBy.UNLIKELY, 0.03, 64, yes_at=0.8, no_at=0.2)
    row = ROW | {"class": "S3", "verdict": Verdict.NO, "verdict_reason": reason, "p_s2": 0.03, "area_ha": 0.5}
    told = flat(field_sheet(field(row=row)))
    assert "Answer: DO NOT PLANT. P(S2 or better) 0.03." in told
    assert "The answer is no: the rest of this sheet is for the case that you go ahead all the same" in told
    assert "would not make it good. The limiting factor is soil pH" in told
    assert "the soil test decides" not in told
    assert "Answer:" not in flat(field_sheet(field()))  # without draws there is no verdict


@pytest.mark.parametrize("more", [{}, {"width": 60, "height": 7}, {"way": "whips", "wild": True}])
def test_sections_are_numbered_without_a_gap(more):
    heads = re.findall(r"^(\d+)\. \w", field_sheet(field(**more)), re.MULTILINE)
    assert len(heads) >= 5
    assert heads == [str(n) for n in range(1, len(heads) + 1)]


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fielded")
    plan = noise_country(folder, 300, 320)
    plan["region"] = {"bounds": [LEFT, TOP - 9000, LEFT + 9600, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    plan |= {"species": ["tuber_melanosporum"], "constraints": plan["constraints"][:1], "zones": {"at_least": "S3"}}
    x, y = LEFT + 4800, TOP - 4500
    shapes = [shapely.box(x, y, x + 200, y + 100), None]
    write_shapes(folder / "few.gpkg", shapes, "EPSG:25831", name=["f1", "bare"])
    write_shapes(folder / "half.gpkg", [shapely.box(x, y, x + 100, y + 100)], "EPSG:25831")
    plan["constraints"] = [{"name": "half", "file": "half.gpkg", "exclude": "inside"}]
    plan["parcels"] = {"file": "few.gpkg", "id": "name"}
    return plan, folder, uo.run(uo.load_plan(plan, base=folder), out=folder / "out")


def explain(run, *words):
    return CliRunner().invoke(main, ["explain", str(run.folder), "--field-sheet", *words])


def test_the_command_counts_rows_on_ground_that_is_not_excluded(done):
    told = explain(done[2], "--parcel", "f1", "--spacing", "6x5", "--headland", "5m")
    assert told.exit_code == 0, told.output
    text = flat(told.stdout)
    assert "6 m between rows, 5 m along them: 333 trees per hectare" in text
    trees = int(re.search(r"takes about (\d+) trees", text)[1])
    shut = int(re.search(r"About (\d+) more places lie on land that is excluded or was not judged", text)[1])
    assert abs(trees + shut - 39 * 16) <= 10  # along 190 m, across 90 m; each is told to the nearest ten
    assert abs(trees - shut) <= 2 * 3 * 16  # cells of 30 m follow the border to 15 m, three trees
    assert re.search(r"f1-1 +\d\d\.\d{6}", told.stdout)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("--parcel", "f2"), 6, "E604"),
        (("--parcel", "bare"), 4, "E440"),
        (("--parcel", "f1", "--spacing", "0x5"), 2, "each from 1 to 100"),
        (("--parcel", "f1", "--spacing", "6x500"), 2, "each from 1 to 100"),
        (("--parcel", "f1", "--spacing", "6x5", "--establish", "wild"), 4, "E443"),
        (("--parcel", "f1", "--headland", "5m", "--establish", "wild"), 4, "E443"),
        (("--parcel", "f1", "--establish", "hope"), 2, "nuts"),
    ],
)
def test_what_cannot_be_told_is_refused(done, words, code, says):
    told = explain(done[2], *words)
    assert told.exit_code == code
    assert says in told.stderr


def test_options_of_the_sheet_ask_for_the_sheet(done):
    told = CliRunner().invoke(main, ["explain", str(done[2].folder), "--parcel", "f1", "--establish", "pots"])
    assert told.exit_code == 2
    assert "--field-sheet" in told.stderr


def test_wild_ground_where_the_truffle_is_not_native_is_refused(done, tmp_path):
    plan, folder, run = done
    assert "Which kind of wild ground" in explain(run, "--parcel", "f1", "--establish", "wild").stdout
    white = uo.run(uo.load_plan(plan | {"species": ["tuber_magnatum"]}, base=folder), out=tmp_path / "white")
    told = explain(white, "--parcel", "f1", "--establish", "wild")
    assert told.exit_code == 4
    assert "E442" in told.stderr
    assert "not native here: a crop" in flat(explain(white, "--parcel", "f1").stdout)
    with pytest.raises(UnderoakError, match="E442"):
        white.field_sheet(zone="1", establish="wild")


def test_a_zone_to_restore_gets_the_wild_sheet(done, tmp_path):
    plan, folder, _ = done
    wild = uo.run(uo.load_plan(plan | {"purpose": "restore"}, base=folder), out=tmp_path / "wild")
    told = explain(wild, "--zone", "1")
    assert told.exit_code == 0, told.output
    assert "Which kind of wild ground" in told.stdout
    trees = 16 * max(1, round(float(wild.zones["area_ha"].iloc[0])))
    assert trees <= 50 * 16  # no zone of wild ground is larger than 50 ha, so it can be worked
    assert f"one per hectare: {trees} trees" in flat(told.stdout)
    refused = explain(wild, "--zone", "1", "--spacing", "6x5")
    assert refused.exit_code == 4
    assert "remove --spacing and --headland" in refused.stderr


def test_trial_plots_are_what_they_are_up_to_a_hundred_and_about_so_many_beyond():
    few = flat(field_sheet(field("whips", wild=True, plots=7, mix=mix_of(load_profile("tuber_aestivum").hosts, 112))))
    assert "7 trial plots of 20 x 20 m with 16 trees each, one per hectare: 112 trees" in few
    hosts = load_profile("tuber_aestivum").hosts
    many = flat(field_sheet(field("whips", wild=True, plots=2688, mix=mix_of(hosts, 43_008))))
    assert "About 2 700 trial plots of 20 x 20 m with 16 trees each, one per hectare: about 43 000 trees" in many
    assert not re.search(r"\b(2688|43008)\b", many)
