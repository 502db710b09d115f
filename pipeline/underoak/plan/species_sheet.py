"""Species profiles as plain text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from underoak.plan.profile import Profile, ProfileCriterion, load_profile, profile_names

WIDTH = 88

_CONFIDENCE = {
    "A": "two independent readings agree",
    "B": "one fair reading or several weak ones",
    "C": "from memory only",
}


def species_list() -> str:
    """The profiles there are, a line each.

    >>> print(species_list().splitlines()[0])
    tuber_aestivum      summer truffle, Burgundy truffle
    """
    profiles = [load_profile(name) for name in profile_names()]
    widest = max(len(profile.name) for profile in profiles)
    lines = [f"{profile.name:{widest}}  {', '.join(profile.common)}" for profile in profiles]
    return "\n".join([*lines, "", "Show one with: underoak species NAME"])


def species_sheet(name: str) -> str:
    """The profile of that name as text.

    Raises:
        UnderoakError: E332 when there is none.
    """
    return sheet(load_profile(name))


def sheet(profile: Profile) -> str:
    """A profile as text of at most 88 columns: criteria by weight, hosts, notes, and who says so."""
    return "\n".join(_lines(profile))


def _lines(profile: Profile) -> Iterator[str]:
    yield f"{profile.latin}: {', '.join(profile.common)}"
    yield ""
    yield from _wrapped(f"{profile.native.words}. Source: {profile.native.source}.")
    yield from _wrapped(f"Fruits {profile.season.words}. Source: {profile.season.source}.")
    yield ""
    yield "CRITERIA, the weightiest first"
    for name, criterion in sorted(profile.criteria.items(), key=lambda item: -item[1].weight):
        yield ""
        yield from _criterion(name, criterion)
    yield ""
    yield from _wrapped("Confidence: " + "; ".join(f"{letter} = {text}" for letter, text in _CONFIDENCE.items()) + ".")
    for strength in ("primary", "secondary"):
        yield ""
        yield f"{strength.upper()} HOSTS"
        for host in profile.hosts:
            if host.strength == strength:
                yield from _wrapped(f"{host.name}: {host.common}. Source: {host.source}.", "  ", "    ")
    if profile.notes:
        yield ""
        yield "NOTES"
        for note in profile.notes:
            yield from _wrapped(f"{note.words} Source: {note.source}.", "  ", "    ")


def _criterion(name: str, criterion: ProfileCriterion) -> Iterator[str]:
    head = f"{name}: {criterion.label}"
    facts = f"weight {criterion.weight:.2f}, confidence {criterion.confidence}"
    yield f"{head:<{WIDTH - len(facts) - 1}} {facts}"
    yield from _wrapped(f"Score {criterion.curve.in_words(criterion.unit)}. Layer {criterion.layer}.", "  ")
    yield from _wrapped(f"Numbers: {criterion.source}.", "  ", "    ")
    yield from _wrapped(f"Weight: {criterion.weight_reason}.", "  ", "    ")
    remedy = criterion.remedy
    if remedy is not None:
        limit = f" up to {remedy.limit}" if remedy.limit is not None else ""
        depth = f" in the top {remedy.depth}" if remedy.depth else ""
        yield from _wrapped(f"Remedy: {remedy.by}{limit}{depth}. Source: {criterion.remedy_source}.", "  ", "    ")


def _wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    after = first if rest is None else rest
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=after, break_on_hyphens=False)
