"""A case: one species in one scenario, the key of all that is planned, judged and written for it."""

from __future__ import annotations

from dataclasses import dataclass

PRESENT = "present"  # folder of the present of a single species that has scenarios


@dataclass(frozen=True, slots=True)
class Case:
    """A species in a scenario. Hashable and small: records of every stage hold it and are looked up by it.

    >>> Case("tuber_aestivum/scenarios/dry", "tuber_aestivum", "dry", "Tuber aestivum").label
    'Tuber aestivum, dry'
    """

    folder: str = ""  # inside the run folder; "" is the run folder itself
    species: str = ""  # name of the profile; "" where the plan brings all criteria itself
    scenario: str = ""  # "" is the present
    latin: str = ""  # the species as people call it

    @property
    def label(self) -> str:
        """Name for people."""
        return ", ".join(name for name in (self.latin, self.scenario) if name) or PRESENT

    @property
    def heading(self) -> str:
        """Name for people where a run has several cases; "" in a run of one."""
        return self.label if self.folder else ""

    @property
    def is_present(self) -> bool:
        """True for the present, False for a scenario."""
        return not self.scenario

    @property
    def summary_folder(self) -> str:
        """Folder for the summary of a species' scenarios: the species' own, or the run's if there is one species."""
        return "" if self.folder == PRESENT else self.folder

    def file(self, name: str) -> str:
        """Return the path of one of the case's files inside the run folder.

        >>> Case("present").file("class.tif"), Case().file("class.tif")
        ('present/class.tif', 'class.tif')
        """
        return f"{self.folder}/{name}" if self.folder else name


SINGLE = Case()  # of a run of one case; of several, all of them together
