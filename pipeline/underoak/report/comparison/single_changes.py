"""What each of several changes does by itself, as judging once more with only that one tells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from underoak.engine.raster_difference import RasterDifference
from underoak.report.comparison.causes import Cause
from underoak.report.comparison.compare import Comparison, ParcelChange, ParcelsChange, moves_results


@dataclass(frozen=True, slots=True)
class Effect:
    """What changed between two runs."""

    cells: Mapping[str, RasterDifference | None]  # by folder of the case; None where cells were not compared
    parcels: Mapping[str, ParcelsChange | None]  # by folder of the case; None without parcels
    files: tuple[str, ...]  # that differ

    @classmethod
    def of(cls, comparison: Comparison) -> Effect:
        """Return what a comparison found."""
        outputs, cases = comparison.outputs, comparison.cases
        return cls(
            {folder: case.cells for folder, case in cases.items()},
            {folder: case.parcels for folder, case in cases.items()},
            (*outputs.different, *outputs.only_first, *outputs.only_second),
        )

    @property
    def moves_results(self) -> bool:
        """True if the result of a cell or a parcel changed, as far as both could be compared."""
        cells = any(difference is None or moves_results(difference) for difference in self.cells.values())
        return cells or any(not (change is None or change.is_empty) for change in self.parcels.values())

    def parcel(self, folder: str, id: str) -> ParcelChange | None:
        """Return what changed of one parcel; None if nothing did."""
        change = self.parcels.get(folder)
        return None if change is None else next((each for each in change.changed if each.id == id), None)


@dataclass(frozen=True, slots=True)
class ChangeTest:
    """One change by itself: the first run's plan and files, with only this from the second."""

    cause: Cause
    effect: Effect | None  # None if it could not be judged
    is_enough: bool  # alone it gives every cell and parcel of the second run
    reason: str = ""  # why it could not be judged


@dataclass(frozen=True, slots=True)
class ChangeTests:
    """The tests of all changes; empty, with a reason, where none was made."""

    tests: tuple[ChangeTest, ...]
    reason: str = ""  # why none was made

    @property
    def is_complete(self) -> bool:
        """True if every change was judged by itself."""
        return bool(self.tests) and all(test.effect is not None for test in self.tests)

    @property
    def active(self) -> tuple[ChangeTest, ...]:
        """The changes that move a cell or a parcel by themselves."""
        return tuple(test for test in self.tests if test.effect is not None and test.effect.moves_results)

    @property
    def explanation(self) -> Cause | None:
        """The one change that alone gives the second run, where all others were judged and move nothing."""
        active = self.active
        return active[0].cause if self.is_complete and len(active) == 1 and active[0].is_enough else None

    def movers(self, folder: str, change: ParcelChange) -> tuple[int, ...]:
        """Return the positions of the changes that move a parcel by themselves.

        Where its own result changed, a change that only lets other parcels pass it does not count.
        """
        effects = enumerate(test.effect for test in self.tests)
        moves = ((n, effect.parcel(folder, change.id)) for n, effect in effects if effect is not None)
        return tuple(
            n for n, alone in moves if alone is not None and (alone.has_other_result or not change.has_other_result)
        )

    def only_together(self, comparison: Comparison) -> Mapping[str, tuple[str, ...]]:
        """Return the parcels that changed though no change moves them by itself, by folder of the case."""
        if not self.is_complete:
            return {}
        together = {}
        for folder, case in comparison.cases.items():
            changed = () if case.parcels is None else case.parcels.changed
            together[folder] = tuple(each.id for each in changed if not self.movers(folder, each))
        return {folder: ids for folder, ids in together.items() if ids}


UNTESTED = ChangeTests(())
