"""A seller's claims beside published figures, as text and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from underoak.decision.money.claim import CheckedClaim, proofs_for
from underoak.report.text.decision.claim_words import CAUTION, PROOFS, claim_sentences
from underoak.report.text.decision.published_words import published_words
from underoak.report.text.lines import section, wrapped


def claims_text(claims: Sequence[CheckedClaim]) -> str:
    """Return the check of some claims: each claim, what to ask the seller for, and the figures on file."""
    lines: list[str] = []
    for checked in claims:
        first, *more = claim_sentences(checked)
        lines += [*wrapped(first), *(part for line in more for part in wrapped(f"  {line}", "  "))]
    lines += section("Ask the seller for", (f"{PROOFS[proof]}." for proof in proofs_for(claims)))
    figures = [figure for checked in claims for figure in checked.figures]
    if figures:
        lines += section("Figures on file", map(published_words, figures))
    return "\n".join([*lines, "", *wrapped(CAUTION)])


def claims_values(claims: Sequence[CheckedClaim]) -> dict[str, Any]:
    """Return the check of some claims as plain values for JSON."""
    return {
        "claims": [
            {
                "item": str(checked.claim.item),
                "written": checked.claim.text,
                "low": checked.low,
                "high": checked.high,
                "unit": checked.unit,
                "place": str(checked.place),
                "figures": [figure.model_dump(mode="json") for figure in checked.figures],
                "figures_lower": checked.lower,
                "figures_higher": checked.higher,
                "traps": [str(trap) for trap in checked.traps],
                "kg_per_tree": None if checked.per_tree is None else list(checked.per_tree),
            }
            for checked in claims
        ],
        "ask_for": [str(proof) for proof in proofs_for(claims)],
        "caution": CAUTION,
    }
