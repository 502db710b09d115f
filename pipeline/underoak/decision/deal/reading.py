"""The ledger of a plan, read: its own entries, its file of single parcels, its overlays."""

from __future__ import annotations

from typing import TYPE_CHECKING

from underoak.base.errors import Problems, did_you_mean
from underoak.base.number_words import TIE, percent
from underoak.decision.deal.ledger import DealEntry, Ledger, StatedBy
from underoak.decision.deal.overlays import read_overlay
from underoak.places.answers.deal import DealState
from underoak.places.tables.fields import TableFields
from underoak.places.tables.text_table import TableColumns, read_rows, read_text
from underoak.plan.keys.decision.deal import QUESTIONS, STATES, DealSpec, EntrySpec, OverlaySpec

if TYPE_CHECKING:
    from underoak.places.geometry.parcel_shapes import Parcels
    from underoak.plan.plan import Plan

COLUMNS = TableColumns("deal.file", ("parcel", "question", "state"), ("date", "source", "note"))
_SLIVER = 0.001  # share of a parcel that lines of two offices may differ by; common practice, no source
_ByParcel = dict[tuple[str, str], DealEntry]


def read_ledger(plan: Plan, parcels: Parcels, problems: Problems) -> Ledger | None:
    """Return the ledger of a plan; None where it asks for none.

    Without `deal` in the plan, a plan to buy has every question unknown, and other plans ask none. An entry of a parcel
    in the file wins over an overlay, and an overlay over an entry of the plan.

    Faults go to `problems`: E410, E411, E412 as for any table, E416 an unknown parcel, question or state, E417 two rows
    for one question, those of vector files; W421 where a person and an overlay disagree, W423 no row.
    """
    spec = plan.spec.deal
    if spec is None:
        return Ledger(QUESTIONS) if plan.purpose == "buy" else None
    for_all = {name: _entry(entry) for name, entry in spec.entries.items()}
    by_overlay = _read_overlays(plan, spec, parcels, problems)
    rows = {} if spec.file is None else _read_rows(plan, spec, spec.file, set(parcels.ids), problems)
    _check_disagreement(rows, by_overlay, problems)
    return Ledger(spec.questions, for_all, by_overlay | rows, spec.stale_after)


def _entry(spec: EntrySpec) -> DealEntry:
    return DealEntry(DealState(spec.state), spec.date or "", spec.source or "", spec.note or "", StatedBy.PLAN)


def _read_overlays(plan: Plan, spec: DealSpec, parcels: Parcels, problems: Problems) -> _ByParcel:
    """Return the entries that overlays give; of several for one question, that which covers most."""
    entries: _ByParcel = {}
    for n, overlay in enumerate(spec.overlays):
        where = f"deal.overlays.{n} ({overlay.file})"
        shares = read_overlay(plan.base / overlay.file, overlay.features, parcels, where, problems)
        for parcel, share in zip(parcels.ids, [] if shares is None else shares.tolist(), strict=shares is not None):
            entry, other = _overlay_entry(overlay, share), entries.get((parcel, overlay.question))
            if entry is not None and (other is None or _is_worse(entry, other)):
                entries[parcel, overlay.question] = entry
    return entries


def _overlay_entry(overlay: OverlaySpec, share: float) -> DealEntry | None:
    """Return what an overlay says of a parcel; None where it says nothing."""
    blocks, is_met = share >= overlay.blocks_at - TIE, share > _SLIVER
    if not blocks and (overlay.otherwise == "unknown" and not is_met):
        return None
    state = DealState.BLOCKS if blocks else DealState.UNKNOWN if is_met else DealState(overlay.otherwise)
    source = overlay.source or overlay.file
    return DealEntry(state, overlay.date or "", source, overlay.note or "", StatedBy.OVERLAY, share)


def _is_worse(entry: DealEntry, other: DealEntry) -> bool:
    rank = {DealState.CLEAR: 0, DealState.UNKNOWN: 1, DealState.BLOCKS: 2}
    return (rank[entry.state], entry.share or 0.0) > (rank[other.state], other.share or 0.0)


def _read_rows(plan: Plan, spec: DealSpec, file: str, ids: set[str], problems: Problems) -> _ByParcel:
    where, entries, lines = f"deal ({file})", _ByParcel(), dict[tuple[str, str], int]()
    text = read_text(plan.base / file, COLUMNS.key, where, problems)
    if text is None:
        return entries
    before, fields = len(problems.faults), TableFields(where, problems)
    for line, row in read_rows(text, COLUMNS, plan.parcels.id if plan.parcels else "parcel", where, problems):
        parcel, question, state = row["parcel"], row["question"], row["state"].lower()
        first = lines.setdefault((parcel, question), line)
        ids_fix = did_you_mean(parcel, sorted(ids), "write it as the shapes of the plan's `parcels` name it")
        questions_fix = did_you_mean(question, spec.questions, f"write one of: {', '.join(spec.questions)}")
        date = fields.date(line, row.get("date", ""))
        if all(
            (
                fields.check(parcel in ids, line, f'there is no parcel "{parcel}"', ids_fix, "E416"),
                fields.check(
                    question in spec.questions, line, f'there is no question "{question}"', questions_fix, "E416"
                ),
                fields.check(
                    state in STATES, line, f'the state "{row["state"]}" is not known',
                    f"write one of: {', '.join(STATES)}", "E416",
                ),
                fields.check(
                    first == line, line, f"line {first} has the same parcel and question",
                    "delete the older one of the two", "E417",
                ),
            )
        ):  # fmt: skip
            date_text = "" if date is None else date.isoformat()
            entries[parcel, question] = DealEntry(
                DealState(state), date_text, row.get("source", ""), row.get("note", ""), StatedBy.ROW
            )
    if not lines and len(problems.faults) == before:
        problems.add("W423", "names its columns and holds no row", where, "add a row for each answer you have")
    return entries


def _check_disagreement(rows: _ByParcel, by_overlay: _ByParcel, problems: Problems) -> None:
    """Warn of a clear row where the shapes of an overlay block (W421); the row counts."""
    for (parcel, question), entry in rows.items():
        overlay = by_overlay.get((parcel, question))
        if entry.state is DealState.CLEAR and overlay is not None and overlay.state is DealState.BLOCKS:
            share = percent(overlay.share or 0.0)
            what = f"parcel {parcel}: the file says that {question} is clear, and an overlay covers {share} of it"
            fix = "the file counts; keep the paper that says so, or delete the row"
            problems.add("W421", what, "deal", fix)
