"""The part of a field sheet on wild ground: kinds of ground, trial plots, permission, secrecy."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from underoak.base.number_words import thousands
from underoak.places.answers.native import Origin
from underoak.places.planting.planting import PLOT_M, PLOT_TREES, rounded_words
from underoak.report.sheet.tree_sections import advice
from underoak.report.text.lines import section

if TYPE_CHECKING:
    from underoak.report.sheet.site import Field

# without a find for so long, ground counts as died out; common practice, no source
_DIED_OUT_YEARS = 20
_KINDS = (
    ("Died out", f"a dated old record, no find in {_DIED_OUT_YEARS} years or more",
     "{canopy}{plots} of trees with truffles of local stock"),
    ("All factors but none", "suitable, hosts there, no record",
     "search first, with a dog and by soil DNA: evidence comes before planting; then {plots}"),
    ("Already hunted", "truffles live here and are taken",
     "no planting: years of rest, no raking, refill holes{thin}, put spores back on the spot"),
)  # fmt: skip


def wild_lines(field: Field) -> Iterator[str]:
    """Yield sections two and three of the sheet."""
    plots = f"{rounded_words(field.plots)} trial plot{'s' if field.plots > 1 else ''}"
    canopy = field.practice.canopy if field.practice is not None else None
    is_opened = canopy is not None and canopy.wild == "open"
    fills = {
        "plots": plots, "canopy": "open the canopy in steps, then " if is_opened else "",
        "thin": ", thin trees" if is_opened else "",
    }  # fmt: skip
    trees = thousands(field.trees) if field.plots <= 100 else rounded_words(field.trees)
    yield from section(
        "#. Which kind of wild ground is it? [practice]",
        [f"{name}: {meaning}. Do: {action.format_map(fills)}." for name, meaning, action in _KINDS],
    )
    items = [
        f"{plots[:1].upper()}{plots[1:]} of {PLOT_M:g} x {PLOT_M:g} m with {PLOT_TREES} trees each, one per hectare: "
        f"{trees} trees; leave the rest as it is, for comparison [practice].",
        *advice(canopy),
        *advice(field.practice.fire if field.practice is not None else None),
        "Never lime wild ground, never water it, never bring soil, strains, truffles or trees that are not native "
        "there. Plants and inoculum of local stock only.",
        "First get the owner's written leave, and on protected ground the authority's, before digging, planting "
        "or inoculating; gathering and planting have laws of their own. A map that shows no protection gives no "
        "permission.",
        "Secrecy: keep this sheet and all sites of finds to yourself; round what you share to 0.1 degree "
        "[practice]. Wild sites are robbed, raked and baited.",
    ]
    if field.state is Origin.EVIDENCE:
        items.insert(
            0,
            "It is not certain that the truffle is native here: look for a dated wild record near by, or a find.",
        )
    yield from section("#. Trial plots, leave and secrecy", items)
