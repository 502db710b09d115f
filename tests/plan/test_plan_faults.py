from __future__ import annotations

import pytest

from plan_texts import GOOD, faults, loaded, place, spoiled

CURVE = "{shape: table, of: {1: 1.0, 2: 0.6, 3: 0.0}}"
WATER = "  water: {layer: rain, source: profile}\n"


def own(curve: str) -> tuple[str, str]:
    """A criterion of the plan's own on elevation, beside the others."""
    return WATER, WATER + f"  mine: {{layer: elevation, curve: {curve}, weight: 0.1, source: ours}}\n"


def weights(text: str) -> tuple[str, str]:
    return "combine:", f"weights: {text}\ncombine:"


# name, edits, code, text at the place reported, part of what, part of fix
PARCELS = "parcels: {file: data/fields.gpkg, id: field_id}\n"
CASES = [
    # YAML itself (rows 55 to 59)
    ("anchor", [("{layer: rain, source", "&w {layer: rain, source")], "E301", "&w", "anchor", "in full"),
    ("tag", [("title: Lime", "title: !!python/object:os.system Lime")], "E301", "!!python", "tag", "remove the tag"),
    ("key twice", [("purpose: buy", "purpose: buy\npurpose: region")],
     "E302", "purpose: region", "3:1 and 4:1", "keep one"),
    ("unknown key", [("species:", "speceis:")], "E303", "speceis", '"speceis" is not known',
     'did you mean "species" or'),
    ("unknown key inside", [("method:", "metod:")], "E303", "metod", '"metod" is not known', 'did you mean "method"?'),
    ("unknown key, nothing near", [("{roots:", "{zzz: 1, roots:")],
     "E303", "zzz", '"zzz"', "known here: roots, max_cells, allow_hosts, vrt"),
    ("decimal comma", [("weight: 0.1", "weight: '0,1'")], "E304", "'0,1'", 'not "0,1"', "write 0.1, with a point"),
    ("criteria as kinds of weights", [weights("{direct: {water: 1}, water: 2}")],
     "E303", "water: 2", '"water" is not known', "`direct: {water: ...}`"),
    ("species by its common name", [("[tuber_melanosporum]", "[Black truffle]")],
     "E332", "Black truffle", '"Black truffle"', 'write "tuber_melanosporum"'),
    ("species by its Latin name", [("[tuber_melanosporum]", "[Tuber melanosporum]")],
     "E332", "Tuber melanosporum", '"Tuber melanosporum"', 'write "tuber_melanosporum"'),
    ("nan weight", [("weight: 0.1", "weight: .nan")], "E310", ".nan", "not a finite number", "write a finite number"),
    ("nan as text", [("weight: 0.1", "weight: nan")], "E310", "nan,", "finite number", "write a finite number"),
    ("infinite", [("S1: 0.75", "S1: 1e999")], "E310", "1e999", "not a finite number", "write a finite number"),
    ("negative weight", [("weight: 0.1", "weight: -0.1")],
     "E310", "-0.1", "cannot be negative (-0.1)", "write 0 or more"),
    # weights (rows 60 to 62)
    ("all zero", [weights("{direct: {water: 0}}"), ("weight: 0.1", "weight: 0")],
     "E311", "{water: 0}", "no criterion has", "at least one"),
    ("not linked", [weights("{pairwise: [[water, ph, 2]]}"), ("weight: 0.1, ", "")],
     "E312", "[[water", "links rock", "compare each"),
    ("contradictory",
     [weights("{pairwise: [[water, rock, 9], [rock, ph, 9], [water, ph, 0.2]]}"), ("weight: 0.1, ", "")],
     "E313", "[[water", "worst triple", "revise these ratios"),
    ("ratio of nothing", [weights("{pairwise: [[water, rock, 0]]}"), ("weight: 0.1, ", "")],
     "E314", "[water, rock, 0]", "cannot be 0", "above 0"),
    ("pair twice", [weights("{pairwise: [[water, rock, 2], [rock, water, 3]]}"), ("weight: 0.1, ", "")],
     "E314", "[rock, water", "twice", "keep one"),
    ("weight of nothing", [weights("{direct: {watr: 1, water: 1}}")],
     "E315", "watr", '"watr" is not a criterion', 'did you mean "water"?'),
    ("weight lacking", [weights("{direct: {ph: 1}}")],
     "E315", "{ph: 1}", 'the criterion "water" of Tuber melanosporum has no weight', "add it"),
    ("ranked twice", [weights("{ranked: [water, rock, water]}"), ("weight: 0.1, ", "")],
     "E315", "water]}", "ranked twice", "keep one"),
    ("weight beside a ranking", [weights("{ranked: [water, rock]}")],
     "E315", "0.1, source", "cannot have a weight beside", "remove it"),
    ("weighed twice", [weights("{direct: {rock: 1, water: 1}}")], "E315", "0.1, source", "has two weights", "keep one"),
    ("two ways", [weights("{direct: {rock: 1}, ranked: [rock]}")],
     "E304", "{direct: {rock", "`direct` and `ranked`", "keep one of"),
    ("bound without pairs", [weights("{ranked: [water, rock], max_inconsistency: 0.2}"), ("weight: 0.1, ", "")],
     "E304", "{ranked", "for pairwise weights", "remove it"),
    # combination and classes
    ("order without its weights", [("rule: geometric", "rule: ordered")],
     "E316", "{rule: ordered", "needs one of", "exactly one"),
    ("alpha without order", [("rule: geometric", "rule: linear, alpha: 2")],
     "E316", "{rule: linear", "`alpha` is for", "remove it"),
    ("order weights and unequal ones", [("rule: geometric", "rule: ordered, order_weights: [4, 3, 2, 1, 0]")],
     "E316", "[4, 3", "must be equal", "`alpha`"),
    ("rule", [("geometric", "geometrical")],
     "E304", "geometrical", 'cannot be "geometrical"', 'did you mean "geometric"?'),
    ("cuts", [("S2: 0.50", "S2: 0.80")], "E318", "{S1", "must fall", "0.75, 0.50, 0.25"),
    # curves (rows 63, 64)
    ("not rising", [own("{shape: hump, at: [1, 7, 6, 8]}")],
     "E320", "{shape: hump", "point 3 (6) is below point 2 (7)", "low to high"),
    ("above one", [("2: 0.6", "2: 1.2")], "E321", "{shape", "membership 1.2", "from 0"),
    ("points above one", [own("{shape: points, of: [[1, 0.5], [2, 1.2]]}")],
     "E321", "{shape: points", "1.2 (value 2", "from 0"),
    ("too few corners", [own("{shape: hump, at: [1, 2, 3]}")],
     "E304", "[1, 2, 3]", "needs at least 4 values, has 3", ""),
    ("shape", [("{shape: table", "{shape: tabel")], "E304", "{shape", 'shape "tabel" is not known', '"table"'),
    ("no shape", [("{shape: table, of", "{of")], "E304", "{of", '"shape" is missing', "add it"),
    ("steps and gives", [own("{shape: steps, at: [1, 2], give: [0, 1]}")],
     "E320", "{shape: steps", "3 pieces, but 2", "one more number"),
    ("flat bell", [own("{shape: bell, at: 5, width: 0}")], "E304", "0}, weight", "more than 0", ""),
    ("code is no code", [("{1: 1.0", "{one: 1.0")], "E304", "1.0, 2", 'whole number, not "one"', ""),
    ("codes judged by a hump", [(CURVE, "{shape: hump, at: [1, 2, 3, 4]}")],
     "E336", "{shape: hump", "class codes", "shape: table"),
    # constraints (row 65)
    ("code", [('"> 30 degree"', "\"__import__('os').system('true')\"")],
     "E322", '"__import__', "not a comparison", "> 30 degree"),
    ("arithmetic", [('"> 30 degree"', '"> 30 * 2"')], "E322", '"> 30 *', "not a comparison", "> 30 degree"),
    ("two comparisons", [('"> 30 degree"', '"> 3 and < 5"')], "E322", '"> 3 and', "", ""),
    ("hexadecimal", [('"> 30 degree"', '"> 0x10"')], "E322", '"> 0x10', "", ""),
    ("unit of another kind", [('"> 30 degree"', '"> 30 mm"')], "E341", '"> 30 mm"', "measure different things", ""),
    ("codes of values", [('"> 30 degree"', '"in 1, 2"')], "E322", '"in 1', "layers of classes", "> 30 degree"),
    ("layer beside file", [("file: data/built.gpkg, ex", "file: data/built.gpkg, layer: x, ex")],
     "E303", "layer: x", '"layer"', "features"),
    ("side", [("exclude: inside", "exclude: within")],
     "E304", "within", 'cannot be "within"', "write one of: inside, outside"),
    ("same name", [("name: steep", "name: built")], "E304", "built, layer", "two constraints", "rename"),
    ("constraint on nothing", [("name: steep, layer: slope", "name: steep, layer: slop")],
     "E331", "slop, ex", '"slop"', 'did you mean "slope"?'),
    # layers
    ("unit", [("unit: g/kg", "unit: g/kgg")], "E340", "g/kgg", '"g/kgg"', ""),
    ("unit like code", [("unit: g/kg", "unit: \"__import__('os')\"")],
     "E340", '"__import__', "is not known", "such as"),
    ("unit that never ends", [("unit: g/kg", "unit: m^9^9^9^9")], "E340", "m^9", "is not known", "such as"),
    ("unit to another kind", [("unit: g/kg,", "unit: g/kg, to: mm,")], "E341", "mm, resample", "different things", ""),
    ("unit the profile cannot use", [("unit: g/kg", "unit: K")],
     "E341", "K, res", "cannot become percent", "correct it"),
    ("unit the profile does not judge in", [("unit: g/kg,", "unit: g/kg, to: g/kg,")],
     "E344", "g/kg, res", "clay content in percent", "to: percent"),
    ("bare number in an unclear unit", [("unit: g/kg,", "unit: g/kg, valid: [0, 900],")],
     "E344", "[0, 900]", "g/kg or percent?", "to: percent"),
    ("bare comparison in an unclear unit", [('layer: slope, exclude: "> 30 degree"', 'layer: clay, exclude: "> 500"')],
     "E344", '"> 500"', "g/kg or percent?", "to: percent"),
    ("codes blended", [("kind: classes", "kind: classes, resample: bilinear")],
     "E226", "bilinear", "cannot be resampled", "nearest, mode or share"),
    ("values by majority", [("resample: mean", "resample: mode")], "E226", "mode", "for class codes", "kind: classes"),
    ("neither file nor from", [("{file: data/clay.tif, ", "{")],
     "E304", "{unit: g", "neither `file` nor `from`", "raster"),
    ("both", [("{from: elevation", "{file: x.tif, from: elevation")],
     "E304", "{file: x.tif", "both `file` and `from`", "raster"),
    ("from nothing", [("from: elevation", "from: elevatoin")],
     "E331", "elevatoin", "no layer", 'did you mean "elevation"?'),
    ("from a derived one",
     [("rock: {file: data/geology.tif, kind: classes}", "rock: {from: slope, derive: northness}")],
     "E335", "slope, derive: north", "derived itself", "name the layer with the file"),
    ("indicator", [("derive: slope", "derive: slop")], "E350", "slop}", '"slop"', 'did you mean "slope"?'),
    ("valid falls", [("[2, 11]", "[11, 2]")], "E304", "[11, 2]", "must rise", "swap"),
    ("band", [("unit: m, nod", "band: 0, unit: m, nod")], "E304", "0, unit", "at least 1", ""),
    ("scale of nothing", [("unit: m, nod", "scale: 0, unit: m, nod")], "E304", "0, unit", "is 0", "true factor"),
    ("quantity", [("unit: m, nod", "quantity: elevatio, unit: m, nod")],
     "E343", "elevatio,", "not known", '"elevation"'),
    ("month", [("season: summer", "months: [6, 13]")], "E304", "13", "at most 12", ""),
    ("month twice", [("season: summer", "months: [6, 6]")], "E304", "[6, 6]", "twice", "once"),
    ("months and season", [("season: summer", "season: summer, months: [6]")], "E304", "summer", "both", "keep one"),
    ("name of a layer", [("  clay: {file", "  clay 1: {file")],
     "E304", "{file: data/clay", 'name "clay 1"', 'write "clay_1"'),
    ("grain", [("grain: 250 m", "grain: 250")], "E342", "250}", "number and a unit, not 250", "30 m"),
    # criteria
    ("no source", [("weight: 0.1, source: survey legend", "weight: 0.1")],
     "E334", "{layer: rock", '"source" is missing', "common practice"),
    ("source of another's", [("source: survey legend", "source: profile")],
     "E334", "profile}\n  water", "no criterion of this name", "add `source:`"),
    ("essential without a source", [("weight: 0.1, source: survey legend", "weight: 0.1, source: x, essential: true")],
     "E334", "true}\n  water", "`essential_source` is missing", "cite why"),
    ("a source of what is not said",
     [("weight: 0.1, source: survey legend", "weight: 0.1, source: x, essential_source: y")],
     "E304", "{layer: rock", "`essential_source` needs `essential`", "remove the source"),
    ("source of changed numbers",
     [("{layer: rain, source", "{layer: rain, curve: {shape: ramp_up, at: [1, 2]}, source")],
     "E334", "profile}\ncons", "not the profile's", "add the source"),
    ("criterion on nothing", [("{layer: rain,", "{layer: rian,")], "E331", "rian", "no layer", 'did you mean "rain"?'),
    ("no curve", [(f"layer: rock, curve: {CURVE}", "layer: rock")],
     "E333", "{layer: rock, w", '"curve" is missing', "add it"),
    ("off what is not", [(WATER, WATER + "  watter: off\n")], "E333", "off", "switch off", 'did you mean "water"?'),
    ("remedy", [("{layer: rain,", "{layer: rain, remedy: {by: irigation},")],
     "E304", "irigation", "cannot be", '"irrigation"'),
    ("remedy in another unit", [("{layer: rain,", "{layer: rain, remedy: {by: irrigation, limit: 3 K},")],
     "E341", "3 K", "different", ""),
    # the rest
    ("species", [("[tuber_melanosporum]", "[tuber_melanosporun]")],
     "E332", "tuber_melanosporun", "no profile", '"tuber_melanosporum"'),
    ("host", [("quercus_ilex", "quercus_ilx")],
     "E332", "quercus_ilx", "not a host of Tuber melanosporum", '"quercus_ilex"'),
    ("a host by its Latin name", [("quercus_ilex", '"Quercus ilex"')],
     "E304", '"Quercus', "cannot be used", 'write "quercus_ilex"'),
    ("a species twice", [("[tuber_melanosporum]", "[tuber_melanosporum, tuber_melanosporum]")],
     "E304", "tuber_melanosporum]", "named twice", "once"),
    ("crs", [("EPSG:25831", "EPSG:999999")], "E202", "EPSG:999999", "not known", "EPSG code"),
    ("degrees", [("EPSG:25831", "EPSG:4326")], "E205", "EPSG:4326", "degrees", "UTM zone"),
    ("bare cell", [("cell: 30 m", "cell: 30")], "E342", "30, snap", "number and a unit", "30 m"),
    ("no cell", [("cell: 30 m, ", "")], "E304", "{area", '"cell" is missing', "add it"),
    ("cell in kelvin", [("cell: 30 m", "cell: 30 K")], "E341", "30 K", "different", ""),
    ("cell of no size", [("cell: 30 m", "cell: 0 m")], "E304", "0 m, snap", "more than 0 m", ""),
    ("two regions", [("{area:", "{bounds: [0, 0, 1, 1], area:")], "E304", "{bounds", "both `area` and `bounds`", ""),
    ("bounds without ground", [("{area: data/region.gpkg, features: outline", "{bounds: [5, 0, 5, 1]")],
     "E304", "[5, 0", "are empty", "left"),
    ("purpose", [("purpose: buy", "purpose: by")], "E304", "by\n", 'cannot be "by"', '"buy"'),
    ("purpose without parcels", [("parcels: {file: data/fields.gpkg, id: field_id}\n", "")],
     "E304", "buy", "needs `parcels`", "add `parcels`"),
    ("format", [("format: 1", "format: 2")], "E304", "2\n", "cannot be 2", "1"),
    ("title is a number", [("Limestone hills", "2024")], "E304", "2024", "should be text, not 2024", "quotes"),
    ("id is a number", [("id: field_id", "id: 7")], "E304", "7}", "should be text, not 7", "quotes"),
    ("weight as text", [("weight: 0.1", "weight: '0.1'")], "E304", "'0.1'", "should be a number", "without quotes"),
    ("switch for a number", [("S1: 0.75", "S1: true")], "E304", "true", "should be a number, not true", ""),
    ("max_cells", [("2e9", "2.5")], "E304", "2.5", "should be a whole number", ""),
    ("text for a list", [("roots: [data]", "roots: data")], "E304", "data, max", 'should be a list, not "data"', ""),
    ("list for a mapping", [("parcels: {file: data/fields.gpkg, id: field_id}", "parcels: [a]")],
     "E304", "[a]", "mapping of keys, not a list", ""),
    ("empty file name", [("data/dem.tif", "''")], "E304", "''", "should not be empty", ""),
    ("control character", [("data/dem.tif", '"a\\0b"')], "E304", '"a\\0b"', "control character", "remove"),
    ("share as a number of per cent", [(PARCELS, PARCELS + "verdict: {usable_share: 50}\n")], "E304", "50}",
     "should be at most 1, not 50", "write a number from 0 to 1, such as 0.5"),
    ("share in per cent", [(PARCELS, PARCELS + "verdict: {usable_share: 35 %}\n")], "E304", "35 %",
     'not "35 %"', "write a share, such as 0.35"),
    ("share below 0", [(PARCELS, PARCELS + "verdict: {judged_at: -0.2}\n")], "E304", "-0.2}",
     "should be at least 0, not -0.2", "write a number of at least 0"),
    ("decimal comma in an area", [(PARCELS, PARCELS + "verdict: {usable_area: '0,1 ha'}\n")], "E342", "'0,1",
     "number and a unit", "write 0.1 ha, with a point"),
    ("area in kilograms", [(PARCELS, PARCELS + "verdict: {usable_area: 3 kg}\n")], "E341", "3 kg",
     "they measure different things", 'write it like "2 ha"'),
    ("decimal comma within a field", [(PARCELS, PARCELS + "lab: {file: l.csv, within_field: {clay: '0,2'}}\n")], "E342",
     "'0,2'", "number and a unit", "write 0.2, with a point"),
    ("wrong unit within a field", [(PARCELS, PARCELS + "lab: {file: l.csv, within_field: {clay: 3 mm}}\n")], "E341",
     "3 mm", "they measure different things", "write it in g/kg"),
    ("too many cores", [(PARCELS, PARCELS + "lab: {file: l.csv, cores: 2000}\n")], "E304", "2000",
     "should be at most 1000, not 2000", "write a number of at most 1000"),
    ("connect", [("connect: 8", "connect: 6")], "E304", "6}", "cannot be 6", "4, 8"),
]  # fmt: skip


@pytest.mark.parametrize(("edits", "code", "mark", "what", "fix"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_a_fault_has_its_code_place_and_fix(tmp_path, edits, code, mark, what, fix) -> None:
    text = spoiled(*edits)
    (fault,) = faults(text, tmp_path)
    assert fault.code == code
    assert fault.where.startswith(f"plan.yaml:{place(text, mark)}"), fault
    assert what in fault.what
    assert fix in fault.fix
    assert "pydantic" not in str(fault).lower()
    assert "input" not in str(fault).lower()
    assert "http" not in str(fault)


def test_the_plan_that_is_spoiled_here_is_good(tmp_path) -> None:
    plan = loaded(GOOD, tmp_path)
    assert plan.warnings == ()
    assert plan.title == "Limestone hills"


EIGHT = [
    ("title: Limestone hills", "title: Limestone hills\ntitle: again"),
    ("purpose: buy", "purpose: by"),
    ("cell: 30 m", "cell: 30"),
    ("method: water", "metod: water"),
    ("derive: slope", "derive: slop"),
    ("2: 0.6", "2: 1.2"),
    ('"> 30 degree"', '"> thirty"'),
    ("id: field_id", "idd: field_id"),
]


def test_eight_faults_are_told_in_one_go(tmp_path) -> None:
    found = faults(spoiled(*EIGHT), tmp_path)
    assert sorted(fault.code for fault in found) == ["E302", "E303", "E303", "E304", "E321", "E322", "E342", "E350"]


@pytest.mark.parametrize("kept", range(len(EIGHT)))
def test_each_of_the_eight_is_told_alone_too(tmp_path, kept: int) -> None:
    assert len(faults(spoiled(EIGHT[kept]), tmp_path)) == 1


def test_faults_between_parts_are_told_beside_faults_within_parts(tmp_path) -> None:
    text = spoiled(
        ("method: water", "metod: water"), ("from: elevation", "from: elevatoin"), ("layer: rain,", "layer: rian,")
    )
    assert sorted(fault.code for fault in faults(text, tmp_path)) == ["E303", "E331", "E331"]


def test_nothing_is_told_that_only_follows_from_another_fault(tmp_path) -> None:
    for edits, codes in [
        ([("[tuber_melanosporum]", "[tuber_x]")], ["E332"]),
        ([("layers:\n", "layres:\n")], ["E303"]),
        ([("criteria:\n", "criterai:\n")], ["E303"]),
        ([("  clay: {file", "  clay: [file, a]\n  other: {file")], ["E304"]),
        ([weights("{direct: {water: -1, rock: 1, ph: .nan}}"), ("weight: 0.1, ", "")], ["E310", "E310"]),
        ([weights("5")], ["E304"]),
        ([weights("{pairwise: [[rock, water, 2], [{a: 1}, water, 3]]}"), ("weight: 0.1, ", "")], ["E304"]),
        ([weights("{direct: {rock: 1, water: 1}}"), (", weight: 0.1, source: survey legend", "")], ["E334"]),
        ([("file: data/built.gpkg, ex", "file: 5, ex")], ["E304"]),
        ([("file: data/built.gpkg, ex", "file: .nan, ex")], ["E310"]),
        ([("unit: pH*10", "unit: ph")], ["E341"]),
        ([("unit: kg m-2 s-1", "unit: g/kg")], ["E341"]),
        ([("{roots:", "{1: x, roots:")], ["E303"]),
        ([("combine:", "wieghts: {direct: {ph: 1}}\ncombine:")], ["E303"]),
        ([("region: {", "region: 5\nx: {")], ["E303", "E304"]),
    ]:  # fmt: skip
        assert sorted(fault.code for fault in faults(spoiled(*edits), tmp_path)) == codes, edits


def test_no_more_than_fifty_faults_are_told(tmp_path) -> None:
    text = GOOD + "".join(f"zz{n}: 1\n" for n in range(90))
    found = faults(text, tmp_path)
    assert len(found) == 51
    assert "and 40 more" in found[-1].what


def test_weights_that_do_not_add_up_to_one_are_a_warning_that_says_the_sum(tmp_path) -> None:
    text = spoiled(weights("{direct: {rock: 0.2, water: 1}}"), ("weight: 0.1, ", ""))
    plan = loaded(text, tmp_path)
    (warning,) = plan.warnings
    assert (warning.code, warning.is_warning) == ("W311", True)
    assert "1.2" in warning.what
    assert f"plan.yaml:{place(text, '{rock: 0.2')}" in warning.where
    assert plan.weights == pytest.approx((1 / 6, 5 / 6))
    (fault,) = faults(text, tmp_path, strict=True)
    assert fault.code == "W311"


@pytest.mark.parametrize("key", ["bias_share: 0.4", "is_soil: true"])
def test_a_key_that_only_a_constraint_could_use_is_told(tmp_path, key) -> None:
    edit = ("unit: m, nodata: -32768}", f"unit: m, nodata: -32768, {key}}}")
    constraint = ("constraints:\n", 'constraints:\n  - {name: high, layer: elevation, exclude: "> 900 m"}\n')
    warnings = [fault for fault in loaded(spoiled(edit, constraint), tmp_path).warnings if fault.code == "W219"]
    assert len(warnings) == 1
    assert key.split(":")[0] in warnings[0].what
    used = (
        "criteria:\n",
        "criteria:\n  up: {layer: elevation, curve: {shape: ramp_up, at: [1, 9]}, weight: 1, source: us}\n",
    )
    assert not [f for f in loaded(spoiled(edit, constraint, used), tmp_path).warnings if f.code == "W219"]
