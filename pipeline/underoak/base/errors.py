"""Faults in one form (code, what, where, fix), the error that carries them, and the words they share."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field

# Exit codes of the command line. Families of fault codes map onto them; single codes may differ from their family.
OK, BUG, USAGE, CONFIG, INPUT, NOTHING, INTEGRITY, RESOURCES, REMOTE, LOCKED, UNJUDGED = range(11)
_FAMILY = {"2": INPUT, "3": CONFIG, "4": INPUT, "5": RESOURCES, "6": INTEGRITY, "7": REMOTE}
_SINGLE = {"220": NOTHING, "250": NOTHING, "401": NOTHING, "421": NOTHING, "605": LOCKED}
_NOTES = {"W438"}  # warnings that tell of nothing wrong

MOST_SHOWN = 50


@dataclass(frozen=True, slots=True)
class Fault:
    """A problem as a person reads it.

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
        """Return True for a W code: it is reported, and stops the run only with `--strict`."""
        return self.code.startswith("W")

    @property
    def is_note(self) -> bool:
        """Return True for a warning that tells of nothing wrong: `--strict` does not stop at it."""
        return self.code in _NOTES

    @property
    def exit_code(self) -> int:
        """Return the exit code of the command line when this fault comes first."""
        number = self.code[1:]
        return _SINGLE.get(number, _FAMILY.get(number[:1], BUG))


class UnderoakError(Exception):
    """An error of the user's input or surroundings, with one or more faults; never a bug of ours."""

    def __init__(self, *faults: Fault) -> None:
        super().__init__("\n".join(map(str, faults)))
        self.faults = faults

    @property
    def exit_code(self) -> int:
        """Return the exit code of the first fault."""
        return self.faults[0].exit_code if self.faults else BUG

    def __reduce__(self) -> tuple[type[UnderoakError], tuple[Fault, ...]]:
        return type(self), self.faults


@dataclass
class Problems:
    """A collection of faults and warnings, so that all are reported at once.

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
        """Add every fault that an error carries."""
        for fault in error.faults:
            self.add(fault.code, fault.what, fault.where, fault.fix)

    def extend(self, faults: Iterable[Fault]) -> None:
        """Add faults from elsewhere."""
        for fault in faults:
            self.add(fault.code, fault.what, fault.where, fault.fix)

    def stop_if_any(self, strict: bool = False) -> None:
        """Raise all faults at once (warnings too when strict, but not for notes alone); at most 50 are carried.

        Raises:
            UnderoakError: if there is a fault, or a warning under `strict`.
        """
        faults = self.faults + ([fault for fault in self.warnings if not fault.is_note] if strict else [])
        if len(faults) > MOST_SHOWN:
            rest = Fault(faults[0].code, f"and {count_of(len(faults) - MOST_SHOWN, 'more problem')} like these")
            faults = [*faults[:MOST_SHOWN], rest]
        if faults:
            raise UnderoakError(*faults)


def printable(text: str) -> str:
    """Escape control characters, so that a name from a file cannot move the cursor, turn text round or forge a line.

    >>> print(printable("a\\x1b]0;b\\nc\\u202ed"))
    a\\x1b]0;b\\nc\\u202ed
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or _is_blank(c) else c.encode("unicode_escape").decode("ascii") for c in text)


def _is_blank(character: str) -> bool:
    return unicodedata.category(character) == "Zs"  # a blank that does not break, for example


def count_of(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun, singular or plural; without `many` the plural is `one` with an s.

    >>> count_of(1, "parcel"), count_of(0, "parcel"), count_of(12_345, "corner point"), count_of(2, "is", "are")
    ('1 parcel', '0 parcels', '12 345 corner points', '2 are')
    """
    return f"{count:,} ".replace(",", " ") + (one if count == 1 else many or f"{one}s")


def did_you_mean(word: str, known: Iterable[str], default: str = "") -> str:
    """Return a fix that names the nearest known words, or `default` if none is near.

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
