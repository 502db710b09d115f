"""What can go wrong, said in one form: code, what, where, fix."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field

# Exit codes of the command line. Families of fault codes map onto them; single codes may differ from their family.
OK, BUG, USAGE, CONFIG, INPUT, NOTHING, INTEGRITY, RESOURCES, REMOTE, LOCKED, UNJUDGED = range(11)
_FAMILY = {"2": INPUT, "3": CONFIG, "4": INPUT, "5": RESOURCES, "6": INTEGRITY, "7": REMOTE}
_SINGLE = {"220": NOTHING, "250": NOTHING, "401": NOTHING, "605": LOCKED}

MOST_SHOWN = 50


@dataclass(frozen=True, slots=True)
class Fault:
    """One problem as a person reads it.

    >>> print(Fault("E201", "no coordinate reference system", where="soil_ph (ph.tif)", fix='add "crs:"'))
    E201 soil_ph (ph.tif): no coordinate reference system. Fix: add "crs:"
    """

    code: str
    what: str
    where: str = ""
    fix: str = ""

    def __str__(self) -> str:
        text = f"{self.code} {self.where}: {self.what}" if self.where else f"{self.code} {self.what}"
        text = text if text.endswith((".", "?", "!")) else text + "."
        return printable(f"{text} Fix: {self.fix}" if self.fix else text)

    @property
    def is_warning(self) -> bool:
        """True for a W code: told, not stopping the run (unless `--strict`)."""
        return self.code.startswith("W")

    @property
    def exit_code(self) -> int:
        """The exit code the command line ends with when this fault comes first."""
        number = self.code[1:]
        return _SINGLE.get(number, _FAMILY.get(number[:1], BUG))


class UnderoakError(Exception):
    """One or more faults of the user's input or surroundings; never a bug of ours."""

    def __init__(self, *faults: Fault) -> None:
        super().__init__("\n".join(map(str, faults)))
        self.faults = faults

    @property
    def exit_code(self) -> int:
        """The exit code of the first fault."""
        return self.faults[0].exit_code if self.faults else BUG

    def __reduce__(self) -> tuple[type[UnderoakError], tuple[Fault, ...]]:
        return type(self), self.faults


@dataclass
class Problems:
    """Collects faults and warnings so that all of them are told in one go.

    >>> problems = Problems()
    >>> problems.add("W221", "thin overlap")
    >>> problems.add("E201", "no CRS", where="dem")
    >>> [len(problems.faults), len(problems.warnings)]
    [1, 1]
    """

    faults: list[Fault] = field(default_factory=list)
    warnings: list[Fault] = field(default_factory=list)

    def add(self, code: str, what: str, where: str = "", fix: str = "") -> None:
        """Add one fault (E code) or warning (W code); an exact repeat is dropped."""
        fault = Fault(code, what, where, fix)
        into = self.warnings if fault.is_warning else self.faults
        if fault not in into:
            into.append(fault)

    def add_error(self, error: UnderoakError) -> None:
        """Add every fault an error carries."""
        for fault in error.faults:
            self.add(fault.code, fault.what, fault.where, fault.fix)

    def extend(self, faults: Iterable[Fault]) -> None:
        """Add faults made elsewhere."""
        for fault in faults:
            self.add(fault.code, fault.what, fault.where, fault.fix)

    def stop_if_any(self, strict: bool = False) -> None:
        """Raise all faults at once (warnings too when strict); at most 50 are carried.

        Raises:
            UnderoakError: when there is a fault, or a warning under `strict`.
        """
        found = self.faults + (self.warnings if strict else [])
        if len(found) > MOST_SHOWN:
            rest = Fault(found[0].code, f"and {count_of(len(found) - MOST_SHOWN, 'more problem')} like these")
            found = [*found[:MOST_SHOWN], rest]
        if found:
            raise UnderoakError(*found)


def printable(text: str) -> str:
    """Escape control characters, so that a name from a file cannot move the cursor or forge a log line.

    >>> print(printable("a\\x1b]0;b\\nc"))
    a\\x1b]0;b\\nc
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def count_of(count: int, one: str, many: str = "") -> str:
    """A count and what is counted, in the right number; `many` left out is `one` with an s.

    >>> counted(1, "parcel"), counted(0, "parcel"), counted(12_345, "corner point"), counted(2, "is", "are")
    ('1 parcel', '0 parcels', '12 345 corner points', '2 are')
    """
    return f"{count:,} ".replace(",", " ") + (one if count == 1 else many or f"{one}s")


def did_you_mean(word: str, known: Iterable[str], default: str = "") -> str:
    """A mend that names the nearest known words, or `default` where none is near.

    >>> did_you_mean("wieghts", ["weights", "combine"])
    'did you mean "weights"?'
    >>> did_you_mean("7", ["007", "12"])
    'did you mean "007"?'
    """
    known = list(known)
    near = difflib.get_close_matches(word, known, n=2, cutoff=0.6)
    if not near:  # too short to look alike: case, and the zeros in front that spreadsheets drop
        near = [each for each in known if _bare(each) == _bare(word)][:2]
    return "did you mean " + " or ".join(f'"{n}"' for n in near) + "?" if near else default


def _bare(word: str) -> str:
    return word.strip().casefold().lstrip("0")
