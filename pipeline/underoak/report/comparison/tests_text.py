"""The tests of single changes as text for a terminal, and as plain values for machines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from underoak.base.errors import count_of
from underoak.report.comparison.compare import Comparison, ParcelChange, moves_results
from underoak.report.comparison.single_changes import ChangeTest, ChangeTests, Effect

_MOST_IDS = 8


def tests_lines(comparison: Comparison, tests: ChangeTests) -> Iterator[str]:
    """Yield what each change does by itself, and what follows from it; nothing if none was tested."""
    if not tests.tests:
        return
    yield "Each change by itself, with the first run's plan and files otherwise:"
    for number, test in enumerate(tests.tests, 1):
        does = f"not tested: {test.reason}" if test.effect is None else _effect_words(test.effect)
        yield f"  {number}. {test.cause.words}: {does}"
    yield from _conclusion(comparison, tests)
    together = tests.only_together(comparison)
    for folder, ids in together.items():
        place = f" of {folder}" if folder else ""
        listed = ", ".join(ids[:_MOST_IDS]) + (f" and {len(ids) - _MOST_IDS} more" if len(ids) > _MOST_IDS else "")
        yield f"Parcels{place} that no change moves by itself, but several together: {listed}."


def _conclusion(comparison: Comparison, tests: ChangeTests) -> Iterator[str]:
    single, active = tests.explanation, tests.active
    untested = [number for number, test in enumerate(tests.tests, 1) if test.effect is None]
    if single is not None:
        yield f"Explained by: {single.words}. Alone it gives all results of the second run; the others change none."
    elif len(untested) == 1:
        yield f"What the others do not explain can come from change {untested[0]}, or from several together."
    elif untested:
        yield f"Changes {_listed(untested)} cannot be told apart: any can be what the others do not explain."
    elif not active and Effect.of(comparison).moves_results:
        yield "No change moves a result by itself: several act together."
    elif not active:
        yield "No change moves a cell or parcel, by itself or with the others."
    elif len(active) == 1:
        number = tests.tests.index(active[0]) + 1
        yield f"Only change {number} moves results by itself, but not to those of the second run: others act with it."
    else:
        numbers = [number for number, test in enumerate(tests.tests, 1) if test in active]
        yield f"Changes {_listed(numbers)} each move results. What they do not do alone, they do together."


def moved_by(tests: ChangeTests, folder: str, change: ParcelChange) -> str:
    """Return the numbers of the changes that move a parcel by themselves."""
    numbers = [number + 1 for number in tests.movers(folder, change)]
    if numbers:
        return ", ".join(map(str, numbers))
    return "several together" if tests.is_complete else "none that was tested"


def _listed(numbers: Sequence[int]) -> str:
    *others, last = map(str, numbers)
    return f"{', '.join(others)} and {last}" if others else last


def _effect_words(effect: Effect) -> str:
    if not effect.moves_results:
        named = ", ".join(effect.files[:_MOST_IDS]) + (", ..." if len(effect.files) > _MOST_IDS else "")
        return "no cell and no parcel changes" + (f", but these files: {named}" if effect.files else "")
    return "; ".join(_case_words(effect, folder) for folder in effect.cells)


def _case_words(effect: Effect, folder: str) -> str:
    cells, parcels = effect.cells[folder], effect.parcels[folder]
    words = [f"{folder}: "] if folder else []
    if cells is None:
        words.append("cells cannot be compared")
    elif not moves_results(cells):
        words.append("no cell changes")
    elif cells.judged:
        share = cells.changed / cells.judged
        percent = f"{share:.0%}" if share >= 0.01 or share == 0.0 else "less than 1%"
        words.append(f"suitability changes on {percent.replace('%', ' %')} of the cells")
    else:
        words.append("cells change")
    if parcels is not None:
        changed = parcels.changed
        moves = ", ".join(map(_parcel_words, changed[:_MOST_IDS])) + (", ..." if len(changed) > _MOST_IDS else "")
        words.append(f", {count_of(len(changed), 'parcel')}: {moves}" if changed else ", no parcel")
        n_other = len(parcels.only_first) + len(parcels.only_second)
        words += [f", {count_of(n_other, 'parcel')} in one run only"] if n_other else []
    return "".join(words)


def _parcel_words(change: ParcelChange) -> str:
    before, after = change.rank
    if before == after:
        return change.id
    return f"{change.id} (rank {before or 'none'} -> {after or 'none'})"


def tests_values(comparison: Comparison, tests: ChangeTests) -> dict[str, Any]:
    """Return the tests of single changes as plain values for JSON."""
    return {
        "not_made": tests.reason or None,
        "changes": [_test_values(test) for test in tests.tests],
        "only_together": {folder or ".": ids for folder, ids in tests.only_together(comparison).items()},
    }


def _test_values(test: ChangeTest) -> dict[str, Any]:
    values: dict[str, Any] = {
        "change": test.cause.words, "plan": test.cause.keys, "inputs": test.cause.inputs,
        "not_tested": test.reason or None, "gives_second_run": test.is_enough,
    }  # fmt: skip
    if test.effect is None:
        return values
    views = {}
    for folder, cells in test.effect.cells.items():
        parcels = test.effect.parcels[folder]
        views[folder or "."] = {
            "judged_in_both": None if cells is None else cells.judged,
            "changed": None if cells is None else cells.changed,
            "parcels": [
                {
                    "id": c.id,
                    "rank": c.rank,
                    "suitability": c.suitability,
                    "class": c.classes,
                    "verdict": c.verdicts,
                    "answer": c.answers,
                }
                for c in (() if parcels is None else parcels.changed)
            ],
        }
    return values | {"files": test.effect.files, "moves_results": test.effect.moves_results, "views": views}
