"""The page of what is known shows every row of every profile. Run this file to write its tables anew."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

from underoak.plan import load_profile, profile_names
from underoak.plan.profiles.profile import Profile, ProfileCriterion

sys.path.insert(0, str(Path(__file__).parents[1] / "published"))

from known_sites import table

PAGE = Path(__file__).parents[2] / "docs" / "knowledge.md"
SITES, ROWS, END = "<!-- sites -->", "<!-- rows -->", "<!-- end -->"
UNITS = {"1": "no unit", "percent": "%", "degC": "°C", "degree": "°"}
HEAD = "| row | score | grade | weight | source | last review | what would improve it |"


def wanted(criterion: ProfileCriterion) -> str:
    """What somebody could send to improve a row."""
    if criterion.is_soil:
        return "laboratory or pit"
    if criterion.layer in ("slope", "topographic_position", "northness", "elevation", "rival_distance", "tree_cover"):
        return "field notes"
    return "stand records" if criterion.layer == "stand_age" else "weather station"


def rows(profile: Profile) -> Iterator[str]:
    """The table of a profile."""
    yield f"### {profile.latin}: {', '.join(profile.common)}"
    yield ""
    yield HEAD
    yield "|---|---|---|---|---|---|---|"
    for name, row in profile.criteria.items():
        essential = " **essential**" if row.essential else ""
        source = f"{row.source}. Essential: {row.essential_source}" if row.essential else row.source
        score = row.curve.in_words(row.unit)
        yield (
            f"| `{name}`{essential}: {row.label} [{UNITS.get(row.unit, row.unit)}] | {score} | {row.confidence} | "
            f"{row.weight:.2f} | {source} | {profile.reviewed} | {wanted(row)} |"
        )
    yield ""
    if profile.single_years is not None:
        yield "| limit of a single year | value | grade | source |"
        yield "|---|---|---|---|"
        for name, limit in profile.single_years.named.items():
            yield f"| {name} | {limit.words} | {limit.grade} | {limit.source} |"
        yield ""


def count() -> str:
    """How many rows have which grade, in a sentence."""
    every = [row.confidence for name in profile_names() for row in load_profile(name).criteria.values()]
    a, b, c = (every.count(letter) for letter in "ABC")
    return f"Of {len(every)} rows, {a} are of grade A, {b} of B and {c} of C."


def parts() -> dict[str, list[str]]:
    """Each part of the page that is worked out, by the mark that it follows."""
    tables = [line for name in profile_names() for line in rows(load_profile(name))]
    return {SITES: ["", *table(), ""], ROWS: ["", count(), "", *tables]}


def part(text: str, mark: str) -> list[str]:
    """The lines of the page after a mark."""
    return text.partition(f"{mark}\n")[2].partition(f"{END}\n")[0].splitlines()


def test_the_page_has_every_row_and_every_known_site() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for mark, lines in parts().items():
        assert part(text, mark) == lines


def test_no_cell_of_a_table_breaks_it() -> None:
    for lines in parts().values():
        for is_table, some in groupby(lines, lambda line: line.startswith("|")):
            assert not is_table or len({line.count("|") for line in some}) == 1


if __name__ == "__main__":
    page = PAGE.read_text(encoding="utf-8")
    for at, lines in parts().items():
        before, _, rest = page.partition(f"{at}\n")
        page = before + at + "\n" + "\n".join(lines) + "\n" + END + "\n" + rest.partition(f"{END}\n")[2]
    PAGE.write_text(page, encoding="utf-8")
