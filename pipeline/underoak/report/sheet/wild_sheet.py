"""What to do on wild ground: three kinds of it, trial plots, leave to ask, and what is never done."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from underoak.base.number_words import thousands
from underoak.places.answers.native import Origin
from underoak.places.planting.planting import PLOT_M, PLOT_TREES, rounded_words
from underoak.report.text.lines import section

if TYPE_CHECKING:
    from underoak.report.sheet.site import Field

# after decades without a find ground counts as died out; common practice, no source
_DIED_OUT_YEARS = 20
_KINDS = (
    ("Died out", f"a dated old record, no find in {_DIED_OUT_YEARS} years or more",
     "open the canopy in steps, then {plots} of trees with truffles of local stock"),
    ("All factors but none", "suitable, hosts there, no record",
     "search first, with a dog and by soil DNA: evidence comes before planting; then {plots}"),
    ("Already hunted", "truffles live here and are taken",
     "no planting: years of rest, no raking, refill holes, thin trees, put spores back on the spot"),
)  # fmt: skip


def wild_lines(field: Field) -> Iterator[str]:
    """Sections two and three of a field sheet."""
    plots = f"{rounded_words(field.plots)} trial plot{'s' if field.plots > 1 else ''}"
    trees = thousands(field.trees) if field.plots <= 100 else rounded_words(field.trees)
    yield from section(
        "#. Which kind of ground is it? [practice]",
        [f"{name}: {meaning}. Do: {deed.format(plots=plots)}." for name, meaning, deed in _KINDS],
    )
    items = [
        f"{plots[:1].upper()}{plots[1:]} of {PLOT_M:g} x {PLOT_M:g} m with {PLOT_TREES} trees each, one a hectare: "
        f"{trees} trees; the rest stays as it is, to compare with [practice].",
        "Where trees shade old burns by more than 30 %, open the canopy in steps: closed wood stops fruiting, and "
        "opening alone does not always bring it back (in print, Ecol. Eng. 2013). After fire take plots without "
        "stumps that sprout again: fewer rivals (in print, New Forests 2012).",
        "Never lime wild ground, never water it, never bring soil, strains, truffles or trees that are not native "
        "there. Plants and inoculum of local stock only.",
        "First the owner's written leave, and on protected ground the authority's, before digging, planting or "
        "inoculating; gathering and planting have laws of their own. A map that shows no protection gives no leave.",
        "Secrecy: keep this sheet and all places of finds with their holder; what is shared is rounded to 0.1 degree "
        "[practice]. Wild sites are robbed, raked and baited.",
    ]
    if field.state is Origin.EVIDENCE:
        items.insert(0, "Whether the truffle is native here needs evidence: a dated wild record near by, or a find.")
    yield from section("#. Trial plots, leave and secrecy", items)
