"""The columns of `parcels.csv` and `parcels.gpkg`."""

from __future__ import annotations

from dataclasses import dataclass, replace

from underoak.places.answers.deal import DealState
from underoak.places.answers.limits import Side
from underoak.places.answers.verdict import DecidedBy, Purpose, TooSmall, Verdict
from underoak.places.columns.cell_text import (
    AnswerText,
    BlocksText,
    MemberText,
    NamesText,
    NotJudgedText,
    OriginsText,
    PairsText,
    RulesText,
    SoilTestsText,
    SpeciesText,
)
from underoak.places.columns.column import CellText, Column, Kind, When

_TEXT, _INTEGER, _NUMBER = Kind.TEXT, Kind.INTEGER, Kind.NUMBER
_NAMES, _PAIRS, _SPECIES, _ORIGINS = NamesText(), PairsText(), SpeciesText(), OriginsText()

MOST_CHANCES = 200  # parcels, the best, for which P after remedies is drawn

PAIRS = (
    Column("best_species", _TEXT, "truffle of the best pair; several when they tie", "", False, When.SEVERAL, _SPECIES),
    Column(
        "best_host", _TEXT, "host tree of the best pair, `no pair` where none reaches S3; several when they tie", "",
        False, When.SPECIES, _PAIRS,
    ),
    Column("pair", _NUMBER, "suitability for the truffle times the factor of the host", "0..1", when=When.SPECIES),
    Column("runner_up", _TEXT, "the next best pair", when=When.SPECIES, cell=_PAIRS),
    Column("runner_up_pair", _NUMBER, "its suitability times its factor", "0..1", when=When.SPECIES),
    Column(
        "p_pair", _NUMBER, "share of the draws in which the pair is the best and reaches S3", "0..1",
        when=When.PAIR_DRAWS,
    ),
    Column(
        "origin", _TEXT, "origin of truffle and host there: see [fieldwork.md](fieldwork.md)", when=When.SPECIES,
        cell=_ORIGINS,
    ),
)  # fmt: skip

DEAL = (
    Column(
        "deal", _TEXT,
        "`blocks` if a question of the deal ends it, else `unknown` if one is not answered, else `clear`; empty if the "
        "plan asks for no deal: see [deal.md](deal.md)",
        when=When.DEAL, cell=MemberText(DealState),
    ),
    Column(
        "deal_blocks", _TEXT, "the questions that end it, with the share of the parcel that shapes cover",
        when=When.DEAL, cell=BlocksText(),
    ),
    Column("deal_unknown", _TEXT, "the questions that are not answered", when=When.DEAL, cell=_NAMES),
    Column(
        "answer", _TEXT,
        "verdict and deal together, in the words of your purpose: no if either is no; `not yet` if the ground is good "
        "and the deal not known; else the verdict",
        when=When.DEAL,
    ),
)  # fmt: skip

PARCELS = (
    Column("id", _TEXT, "as in your file of parcels", is_nullable=False),
    Column(
        "rank", _INTEGER,
        "1 is the best: by suitability times the share that no constraint excludes. Equal values share a rank. Parcels "
        "that are too small follow the others",
    ),
    Column("suitability", _NUMBER, "mean over the judged land", "0..1"),
    Column(
        "class", _TEXT,
        "class of that mean: S1 highly, S2 moderately, S3 marginally, N not suitable. At most one class above that of "
        "the limiting factor, unless the plan says otherwise, and never above that of an essential criterion",
    ),
    Column(
        "held_by", _TEXT,
        "the criteria that hold the class below that of the suitability; empty where the two agree", cell=_NAMES,
    ),
    *(
        Column(f"share_{name.lower()}", _NUMBER, f"share of the judged land of class {name}", "0..1")
        for name in ("S1", "S2", "S3", "N")
    ),
    Column("p_s2", _NUMBER, "share of draws in which the parcel is class S2 or better", "0..1", when=When.DRAWS),
    Column("sd", _NUMBER, "standard deviation of suitability over the draws", "0..1", when=When.DRAWS),
    Column("low", _NUMBER, "suitability is above this in 95 % of the draws", "0..1", when=When.DRAWS),
    Column("high", _NUMBER, "suitability is below this in 95 % of the draws", "0..1", when=When.DRAWS),
    Column(
        "verdict", _TEXT, "the verdict on the ground: yes, no, test first or open. It says nothing of the deal",
        when=When.VERDICT, cell=MemberText(Verdict),
    ),
    *DEAL,
    Column(
        "decided_by", _TEXT, "the rule that decided it: see [verdicts.md](verdicts.md)", when=When.VERDICT,
        cell=MemberText(DecidedBy),
    ),
    Column("verdict_reason", _TEXT, "the figures behind the verdict", when=When.VERDICT),
    Column(
        "judged_weight", _NUMBER,
        "share of the species profile's weight that is looked at: that of its criteria with a layer and a weight in "
        "the plan",
        "0..1", when=When.SPECIES,
    ),
    Column(
        "best_test", _TEXT,
        "the layer whose lab test is worth most; empty if no worth is above twice its standard error",
        when=When.VERDICT,
    ),
    Column("flip_chance", _NUMBER, "chance that this test changes the verdict", "0..1", when=When.VERDICT),
    Column(
        "worth", _NUMBER,
        "expected gain from this test, in suitability; by draw, suitability counts as min(S, lowest mean membership of "
        "a criterion with weight + cut S2 - cut S3, mean memberships of essential criteria): see "
        "[verdicts.md](verdicts.md)",
        "0..1", when=When.VERDICT,
    ),
    Column(
        "test_pays_above", _NUMBER,
        "this test pays if a wrong choice about this parcel costs more than this: see [verdicts.md](verdicts.md)",
        "currency", when=When.PRICES,
    ),
    Column(
        "tests", _TEXT,
        "every lab test that could change the verdict, by worth: layer, flip chance, worth, each ± its standard error "
        "from the number of draws",
        when=When.VERDICT, cell=SoilTestsText(),
    ),
    Column("first_share", _NUMBER, "share of the draws of weights and data with rank 1", "0..1", when=When.RANKS),
    Column("top3_share", _NUMBER, "share of these draws with rank 1 to 3", "0..1", when=When.RANKS),
    Column("mean_rank", _NUMBER, "mean rank over these draws", when=When.RANKS),
    Column("valid_share", _NUMBER, "share of the land that is not excluded with a known suitability", "0..1"),
    Column("excluded_share", _NUMBER, "share of the parcel that constraints exclude", "0..1"),
    Column(
        "limiting", _TEXT,
        "the limiting factor on most of the judged land; several when they tie. An essential criterion that lowers the "
        "class, if one does", cell=_NAMES,
    ),
    Column("limiting_share", _NUMBER, "share of the judged land that it limits", "0..1"),
    Column(
        "most_gainful", _TEXT,
        "the criterion whose improvement raises suitability most, on most of the judged land; several when they tie",
        cell=_NAMES,
    ),
    Column("most_gainful_share", _NUMBER, "share of the judged land where it is that criterion", "0..1"),
    Column("gain", _NUMBER, "how much suitability would rise if its membership were 1", "0..1"),
    Column("potential", _NUMBER, "suitability after lime, water and the other remedies", "0..1"),
    Column("potential_class", _TEXT, "class of that suitability"),
    Column(
        "potential_held_by", _TEXT, "the criteria that hold that class below that of the suitability", cell=_NAMES,
    ),
    Column(
        "with_lime", _NUMBER, "suitability after lime alone; the same as `suitability` where it does not help", "0..1",
        when=When.LIME,
    ),
    Column("with_lime_class", _TEXT, "class of that suitability", when=When.LIME),
    Column(
        "p_with_lime", _NUMBER,
        f"share of draws in which it is S2 or better after lime alone; for the {MOST_CHANCES} best", "0..1",
        when=When.LIME_DRAWS,
    ),
    Column(
        "with_water", _NUMBER,
        "suitability after water alone, if you had it: it counts only where the plan names a source of water", "0..1",
        when=When.WATER,
    ),
    Column("with_water_class", _TEXT, "class of that suitability", when=When.WATER),
    Column(
        "p_with_water", _NUMBER,
        f"share of draws in which it is S2 or better after water alone; for the {MOST_CHANCES} best", "0..1",
        when=When.WATER_DRAWS,
    ),
    Column(
        "p_with_both", _NUMBER,
        f"share of draws in which it is S2 or better after lime and water; for the {MOST_CHANCES} best", "0..1",
        when=When.BOTH_DRAWS,
    ),
    Column("remedies", _TEXT, "the remedies that help, with amounts, and why others would not"),
    Column(
        "lime_t_ha", _NUMBER,
        "lime on the land that needs it, at least; land that takes more than the profile's `most_lime` is not counted",
        "t/ha",
    ),
    Column("lime_plan_t_ha", _NUMBER, "the same to plan with: the upper end of the profile's rule of lime", "t/ha"),
    Column("water_mm", _NUMBER, "water on the land that needs it, at least", "mm"),
    Column(
        "years", _INTEGER, "complete years of the file, by the months of the limit of rain: see [water.md](water.md)",
        when=When.YEARS,
    ),
    Column("years_rain_enough", _INTEGER, "years of the file in which rain alone was enough", when=When.YEARS),
    Column("years_frost", _INTEGER, "winters of the file with hard frost", when=When.YEARS),
    Column("years_wet_autumn", _INTEGER, "years of the file with an autumn in which truffles rot", when=When.YEARS),
    Column("water_years_mm", _NUMBER, "water that rain lacked in the mean of these years", "mm", when=When.YEARS),
    Column(
        "water_dry_5_mm", _NUMBER, "water that it lacked in the driest year of five; empty for fewer than ten years",
        "mm", when=When.YEARS,
    ),
    Column(
        "water_dry_10_mm", _NUMBER, "water that it lacked in the driest of ten; empty for fewer than twenty years",
        "mm", when=When.YEARS,
    ),
    Column(
        "water_held_ha", _NUMBER,
        "land that the water held carries in all, not on this parcel alone, in four seasons of five; empty for fewer "
        "than ten seasons", "ha", when=When.WATER_HELD,
    ),
    Column(
        "water_held_full", _INTEGER, "seasons in which it carried all of the land that shares it",
        when=When.WATER_HELD,
    ),
    Column(
        "p_water_held", _NUMBER,
        "`p_with_water` where the water held was enough in four seasons of five, of ten or more; else empty. The "
        "verdict is that of unwatered ground",
        "0..1", when=When.WATER_HELD,
    ),
    Column(
        "lab", _TEXT,
        "the lab result with its standard deviation, the value of the map, and the value that is used, or why none is",
        when=When.LAB,
    ),
    Column(
        "rules", _TEXT, "your own rules: met, not met or not known, and the amount in the currency of `prices`: see "
        "[rules.md](rules.md)",
        when=When.RULES, cell=RulesText(),
    ),
    *PAIRS,
    Column("area_ha", _NUMBER, "true area", "ha"),
    Column("usable_ha", _NUMBER, "true area of its land that is judged and that no constraint excludes", "ha"),
    Column(
        "trees", _INTEGER,
        "trees that fit there, in rows along its longest side, inside a headland of 4 m, at the usual spacing of the "
        "truffle",
        when=When.ROWS,
    ),
    Column(
        "too_small", _TEXT, "why it counts as too small and ranks after the others: `too little usable land` or "
        "`no tree fits`", cell=MemberText(TooSmall),
    ),
    Column("cells", _NUMBER, "cells of the analysis grid that it covers", is_nullable=False),
    Column("overlap_share", _NUMBER, "share of it that lies in other parcels too, at least", "0..1"),
    Column("excluded_by", _TEXT, "the constraint that excludes most of it; several when they tie", cell=_NAMES),
    Column("reason", _TEXT, "why it is not judged", cell=NotJudgedText()),
    Column(
        "membership_<criterion>", _NUMBER, "mean membership: 1 in the best range, 0 where it is unsuitable", "0..1",
        group="membership",
    ),
    Column(
        "value_<criterion>", _NUMBER, "mean of the layer", "the criterion's", when=When.MEASURED, group="value",
    ),
    Column(
        "side_<criterion>", _TEXT, "`low` or `high`: the side of the best range on which most membership is lost",
        when=When.MEASURED, cell=MemberText(Side), group="value",
    ),
    Column(
        "distance_m_<neighbour>", _NUMBER,
        "distance to the nearest shape of that file under `neighbours`; empty if none is within its `within`", "m",
        when=When.NEIGHBOURS, group="neighbour",
    ),
    Column(
        "shapes_<neighbour>", _INTEGER, "how many of its shapes are within that distance", when=When.NEIGHBOURS,
        group="neighbour",
    ),
    Column(
        "hectares_<neighbour>", _NUMBER, "area of its polygons within that distance and outside the parcel", "ha",
        when=When.NEIGHBOURS, group="neighbour",
    ),
    Column(
        "edge_m_<neighbour>", _NUMBER, "length of the parcel's outline along which its polygons are within `touching`",
        "m", when=When.NEIGHBOURS, group="neighbour",
    ),
    Column(
        "whole_ha_<neighbour>", _NUMBER, "whole area of the largest of its polygons that touch, with all that meet it",
        "ha", when=When.NEIGHBOURS, group="neighbour",
    ),
)  # fmt: skip

JOINED_PARCELS = (
    Column("id", _TEXT, "as in your file of parcels", is_nullable=False),
    Column("rank", _INTEGER, "rank by the best species of the present"),
    Column("best", _TEXT, "the species of the present that suits the parcel best"),
    Column("verdict", _TEXT, "the verdict on the ground for that species", when=When.DRAWS, cell=MemberText(Verdict)),
    *DEAL,
    Column("p_s2", _NUMBER, "share of its draws with class S2 or better", "0..1", when=When.DRAWS),
    Column(
        "judged_weight", _NUMBER, "share of that species profile's weight that is looked at", "0..1", when=When.SPECIES
    ),
    *PAIRS,
    Column("area_ha", _NUMBER, "true area", "ha"),
    Column("rank_<case>", _INTEGER, "rank in that case: a species, a scenario or both", group="case"),
    Column("suitability_<case>", _NUMBER, "suitability in that case", "0..1", group="case"),
    Column("class_<case>", _TEXT, "class in that case", group="case"),
    Column(
        "verdict_<case>",
        _TEXT,
        "verdict on the ground in that case",
        when=When.VERDICT,
        cell=MemberText(Verdict),
        group="case",
    ),
)


@dataclass(frozen=True, slots=True)
class Sentences:
    """The texts of the columns that hold sentences; `report.text` makes them."""

    verdict_reason: CellText
    remedies: CellText
    lab: CellText


def parcel_columns(purpose: str, sentences: Sentences, is_joined: bool = False) -> tuple[Column, ...]:
    """Return the columns as files hold them, with the answer in the words of the plan's purpose.

    `is_joined`: those of the table on top of a run of several species or scenarios.
    """
    cells: dict[str, CellText] = {
        "answer": AnswerText(Purpose(purpose)),
        "verdict_reason": sentences.verdict_reason,
        "remedies": sentences.remedies,
        "lab": sentences.lab,
    }
    columns = JOINED_PARCELS if is_joined else PARCELS
    return tuple(replace(column, cell=cells.get(column.name, column.cell)) for column in columns)
