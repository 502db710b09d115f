"""The columns on truffle and host in the tables of parcels, and the report's rows on planting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from underoak.base.number_words import percent, score, thousands
from underoak.places.answers.pairs import PairName
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import PARCELS
from underoak.places.parcels.ranking import large_enough
from underoak.places.planting.mix import mix_of
from underoak.places.planting.pairs import PairScores, hosts_of, middle_of, origins_at, pair_columns
from underoak.places.planting.planting import rounded, rounded_words
from underoak.places.wild.native_rules import range_of
from underoak.report.text.findings import Findings
from underoak.report.text.pair_words import pair_words

if TYPE_CHECKING:
    import pandas as pd

    from underoak.engine.prepare.prepare import Prepared
    from underoak.overlay import Rules
    from underoak.places.answers.native import Origin
    from underoak.places.geometry.parcel_shapes import Parcels
    from underoak.places.parcels.draws import ParcelDraws
    from underoak.plan.case import Case

SHORTLIST = 5  # parcels with a row on planting in the report


def with_pairs(
    findings: Sequence[Findings], prepared: Prepared, parcels: Parcels | None, draws: Mapping[Case, ParcelDraws]
) -> list[Findings]:
    """Return the findings with the columns of `places.pair_columns` in every table of parcels, before the area.

    The first findings also have `pairs`: those columns over all species of the present, by id.
    """
    if parcels is None or not any(each.case.species for each in findings):
        return list(findings)
    origins: dict[str, Sequence[Origin | None]] = {}
    paired, present = [], []
    for case_findings in findings:
        case = case_findings.case
        if not case.species:
            paired.append(case_findings)
            continue
        if case.species not in origins:
            origins[case.species] = origins_at(range_of(case_findings.plan, prepared), parcels.shapes)
        table, case_draws = case_findings.ranked.set_index("id").loc[list(parcels.ids)], draws.get(case)
        rules, column = case_findings.plan.rules, table["suitability"].to_numpy(float)
        if rules.essential:
            column = np.where(table["class"] == "N", 0.0, column)  # whatever its score, nothing is planted there
        suitability = None if case_draws is None else _parcel_draws(case_draws, rules, table, parcels.ids)
        scores = PairScores(
            (case_findings.plan,),
            column[:, None],
            (origins[case.species],),
            _stacked([suitability], [column]),
            middle_of(prepared.grid),
        )
        paired.append(replace(case_findings, parcels=_joined(case_findings.ranked, pair_columns(scores), parcels.ids)))
        if case.is_present:
            present.append((case_findings.plan, column, suitability))
    plans, columns, every = zip(*present, strict=True)
    together = PairScores(
        plans,
        np.stack(columns, axis=1),
        tuple(origins[plan.case.species] for plan in plans),
        _stacked(every, columns),
        middle_of(prepared.grid),
    )
    table = pair_columns(together)
    table.insert(0, "id", list(parcels.ids))
    paired[0] = replace(paired[0], pairs=table.set_index("id"))
    return paired


def _parcel_draws(spread: ParcelDraws, rules: Rules, table: pd.DataFrame, ids: Sequence[str]) -> Any:
    """Return the draws of the parcels (parcels, draws), in the order of the table; NaN without P(S2 or better)."""
    place = {id: i for i, id in enumerate(spread.ids)}
    draws = spread.outside_n(rules)[[place[id] for id in ids]].copy()
    if "p_s2" in table:
        draws[table["p_s2"].isna().to_numpy()] = np.nan
    return draws


def _stacked(every: Sequence[Any], columns: Sequence[Any]) -> Any:
    """Return the draws of all species (parcels, draws, species); a species without draws keeps its value in each."""
    count = next((draws.shape[1] for draws in every if draws is not None), None)
    if count is None:
        return None
    filled = [
        np.repeat(column[:, None], count, axis=1) if draws is None else draws
        for draws, column in zip(every, columns, strict=True)
    ]
    return np.stack(filled, axis=2)


def _joined(table: pd.DataFrame, columns: pd.DataFrame, ids: Sequence[str]) -> pd.DataFrame:
    columns.index = list(ids)
    pairs = columns.loc[table["id"]]
    return arrange(table.assign(**{str(name): pairs[name].array for name in pairs}), PARCELS)


def planting_rows(findings: Findings) -> list[dict[str, str]]:
    """Return the best parcels' hosts, score, number of trees that fit, and mix. Wild ground has no number of trees."""
    plan = findings.plan
    if not findings.has_parcels or "best_host" not in findings.ranked:
        return []
    ranked = large_enough(findings.ranked).head(SHORTLIST)
    assert plan.profile is not None
    hosts = hosts_of(plan, middle_of(findings.grid))
    rows = []
    for _, row in ranked.iterrows():
        chance = row.get("p_pair", np.nan)
        cells = {
            "id": str(row["id"]), "pair": tree_names(row["best_host"], hosts),
            "score": f"{score(row['pair'])}" + (f", in {percent(chance)} of draws" if chance == chance else ""),
            "next": tree_names(row["runner_up"], hosts) if isinstance(row["runner_up"], tuple) else "–",
            "trees": "–", "mix": "–",
        }  # fmt: skip
        if row["best_host"] and plan.purpose != "restore":
            trees = int(row["trees"])
            mix = mix_of(hosts, trees, plan.profile.practice.mix, bool(plan.spec.hosts))
            cells["trees"] = rounded_words(trees)
            cells["mix"] = ", ".join(f"{_count(part.trees)} {part.host.common}" for part in mix) or "–"
        rows.append(cells)
    return rows


def _count(trees: int) -> str:
    return thousands(rounded(trees))


def tree_names(names: Sequence[PairName], hosts: Sequence[Any]) -> str:
    """Return the common names of hosts, introduced ones marked; "no pair" for none. Unknown hosts keep their names.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> tree_names([PairName("quercus_ilex"), PairName("cedrus")], load_profile("tuber_aestivum").hosts)
    'holm oak, cedar (introduced)'
    """
    name_of = {host.name: host.common + (" (introduced)" if host.introduced else "") for host in hosts}
    return ", ".join(name_of.get(name.host, name.host) for name in names) or pair_words(())
