"""Species profiles as plain text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from underoak.plan.profiles.practice import Graded, Practice
from underoak.plan.profiles.profile import (
    STRENGTHS,
    MostLime,
    Profile,
    ProfileCriterion,
    Sourced,
    grade_words,
    load_profile,
    profile_names,
)

WIDTH = 80

_WILD = (
    "On wild ground, plant it only where it is native, with local stock, and with permission of the owner and of the "
    "authority: `purpose: restore` refuses all other land. Elsewhere it is a crop: keep it away from wild truffle "
    "ground, and plant certified trees only."
)


def species_list() -> str:
    """Return a list of the profiles, one line each.

    >>> print(species_list().splitlines()[0])
    tuber_aestivum      summer truffle, Burgundy truffle
    """
    profiles = [load_profile(name) for name in profile_names()]
    widest = max(len(profile.name) for profile in profiles)
    lines = [f"{profile.name:{widest}}  {', '.join(profile.common)}" for profile in profiles]
    return "\n".join([*lines, "", "Next: underoak species NAME prints one."])


def species_sheet(name: str) -> str:
    """Return the profile of that name as text.

    Raises:
        UnderoakError: E332 if there is none.
    """
    return sheet(load_profile(name))


def sheet(profile: Profile) -> str:
    """Return a profile as text of at most 80 columns: criteria, remedies, hosts, notes and sources."""
    return "\n".join(_lines(profile))


def _lines(profile: Profile) -> Iterator[str]:
    yield from _wrapped(f"{profile.latin}: {', '.join(profile.common)}")
    yield ""
    yield from _wrapped(f"{profile.native.words}. Source: {profile.native.source}.")
    season = profile.season
    yield from _wrapped(
        f"Fruits {season.in_words()}; south of the equator {season.in_words(is_south=True)}. Source: {season.source}."
    )
    by_weight = sorted(profile.criteria.items(), key=lambda item: -item[1].weight)
    yield ""
    yield from _table(by_weight)
    yield ""
    yield from _remedies(by_weight, profile.most_lime)
    yield from _hosts(profile)
    yield from _practice(profile.practice)
    yield from _single_years(profile)
    yield from _statements("RULED OUT, even where the maps look good", profile.ruled_out)
    yield from _statements("CAUTIONS AND NOTES", profile.notes)
    yield from _wrapped(_WILD, "  ", "    ")
    yield ""
    yield "SOURCES"
    for name, criterion in by_weight:
        yield ""
        yield from _criterion(name, criterion)
    yield ""
    figures = " ".join(f"{name}=…" for name, _ in by_weight[:3])
    yield from _wrapped(f"Next: underoak judge {profile.name} {figures} judges a spot from figures that you have.")


def _table(criteria: Iterable[tuple[str, ProfileCriterion]]) -> Iterator[str]:
    """Yield a line for each criterion: weight, confidence, and the curve in words."""
    yield "CRITERIA, highest weight first"
    yield ""
    yield f"  {'criterion':<20} weight grade score"
    for name, criterion in criteria:
        start = f"  {name:<20} {criterion.weight:>6.2f} {criterion.confidence:<5} "
        yield from _wrapped(criterion.curve.in_words(criterion.unit), start, " " * len(start))
    yield ""
    yield from _wrapped(f"Grades: {grade_words()}.", "  ", "    ")
    note = "A criterion with a weight is used if the plan has its layer; the layers are named below."
    yield from _wrapped(note, "  ", "    ")
    essential = [name for name, criterion in criteria if criterion.essential]
    if essential:
        note = f"Essential: {', '.join(essential)}. No class is above the class of one of them alone."
        yield from _wrapped(note, "  ", "    ")


def _remedies(criteria: Iterable[tuple[str, ProfileCriterion]], most: MostLime | None) -> Iterator[str]:
    yield "REMEDIES"
    lines = []
    for name, criterion in criteria:
        remedy = criterion.remedy
        if remedy is not None:
            limit = f" up to {remedy.limit}" if remedy.limit is not None else ""
            unit = f" {criterion.unit}" if isinstance(remedy.limit, float) else ""
            depth = f" in the top {remedy.depth}" if remedy.depth else ""
            sentence = f"{name}: {remedy.by}{limit}{unit}{depth}. Source: {criterion.remedy_source}."
            if remedy.by == "lime" and most is not None:
                sentence += f" Land that takes more than {most.t_ha:g} t/ha is left as it is. Source: {most.source}."
            lines += _wrapped(sentence, "  ", "    ")
    yield from lines or ["  None: choose land that is suitable as it is."]


def _hosts(profile: Profile) -> Iterator[str]:
    for strength, factor in STRENGTHS.items():
        yield ""
        yield f"{strength.upper()} HOSTS, factor {factor:g} (strength and factor: common practice, no source)"
        for host in profile.hosts:
            if host.strength == strength:
                introduced = " Introduced pairing: for orchards only." if host.introduced else ""
                native = f"Native to {host.tree.native}."
                caution = f" Caution: {host.tree.caution}." if host.tree.caution else ""
                sentence = f"{host.name}: {host.common}.{introduced} {native}{caution} Source: {host.source}."
                yield from _wrapped(sentence, "  ", "    ")


def _practice(practice: Practice) -> Iterator[str]:
    """Yield what growers do; the sheets of sites print nothing else on the truffle."""
    yield ""
    yield "PRACTICE"
    spacing, lime, mix = practice.spacing, practice.lime, practice.mix
    lines: list[tuple[str, str, Graded]] = [
        ("spacing", f"{spacing.between:g} m between rows, {spacing.along:g} m along them", spacing)
    ]
    if mix is not None:
        parts = ", ".join(f"{genus} {part:g}" for genus, part in mix.parts.items())
        lines.append(("mix", f"{mix.words}. Parts: {parts}", mix))
    if lime is not None:
        wait = f"; {lime.wait}" if lime.wait else ""
        words = f"{lime.least:g} to {lime.plan_with:g} t/ha for a tenth of pH in 10 cm; plan with the upper{wait}"
        lines.append(("lime", words, lime))
    named = (
        ("first fruit", practice.first_fruit),
        ("inoculum", practice.inoculum),
        ("irrigation", practice.irrigation),
        ("canopy", practice.canopy),
        ("tools", practice.tools),
        ("former land", practice.former_land),
        ("neighbours", practice.neighbours),
        ("fire", practice.fire),
    )
    lines += [(name, item.words, item) for name, item in named if item is not None]
    for name, words, graded in lines:
        stop = "" if words.endswith((".", "!", "?")) else "."
        yield from _wrapped(f"{name}: {words}{stop} Source: {graded.source}. Grade {graded.grade}.", "  ", "    ")


def _single_years(profile: Profile) -> Iterator[str]:
    """Yield the limits for the weather of one year."""
    yield ""
    yield "LIMITS OF A SINGLE YEAR, where the plan has `years`"
    if profile.single_years is None:
        yield "  None is known: no year is counted."
        return
    for name, limit in profile.single_years.named.items():
        yield from _wrapped(f"{name}: {limit.words}. Source: {limit.source}. Grade {limit.grade}.", "  ", "    ")


def _statements(title: str, items: tuple[Sourced, ...]) -> Iterator[str]:
    if not items and title != "CAUTIONS AND NOTES":
        return
    yield ""
    yield title
    for item in items:
        stop = "" if item.words.endswith((".", "!", "?")) else "."
        yield from _wrapped(f"{item.words}{stop} Source: {item.source}.", "  ", "    ")


def _criterion(name: str, criterion: ProfileCriterion) -> Iterator[str]:
    yield from _wrapped(f"{name}: {criterion.label}")
    yield from _wrapped(f"Layer {criterion.layer}, in {_unit(criterion.unit)}.{_uncertainty(criterion)}", "  ", "    ")
    grade = "" if "grade" in criterion.source else f" (grade {criterion.confidence})"
    yield from _wrapped(f"Numbers: {criterion.source}{grade}.", "  ", "    ")
    yield from _wrapped(f"Weight: {criterion.weight_reason}.", "  ", "    ")
    if criterion.essential:
        sentence = (
            f"Essential: no class is above the class of this criterion alone. Source: {criterion.essential_source}."
        )
        yield from _wrapped(sentence, "  ", "    ")


def _unit(unit: str) -> str:
    return {"1": "no unit", "percent": "%", "degC": "°C", "degree": "degrees"}.get(unit, unit)


def _uncertainty(criterion: ProfileCriterion) -> str:
    width = criterion.half_width
    if width is None:
        return ""
    amount = f"{width.amount:.0%}".replace("%", " %") if width.is_share else f"{width.amount:g}"
    unit = " of its value" if width.is_share else {"percent": " points", "degC": " °C"}.get(criterion.unit, "")
    if not unit:
        unit = f" {criterion.unit}"
    return f" Uncertainty of each corner: {amount}{unit} (common practice, no source)."


def _wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    after = first if rest is None else rest
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=after, break_on_hyphens=False)
