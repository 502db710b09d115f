"""How often many parcels with a yes fail together."""

from __future__ import annotations

from typing import TYPE_CHECKING

from underoak.places.answers.verdict import Verdict
from underoak.places.parcels.draws import ParcelDraws
from underoak.uncertainty.draws.draw_overlay import TIE
from underoak.uncertainty.outcomes.shared_failure import SharedFailure, shared_failure

if TYPE_CHECKING:
    import pandas as pd

    from underoak.overlay import Rules


def shared_failure_of(table: pd.DataFrame, spread: ParcelDraws, rules: Rules) -> SharedFailure | None:
    """Return in how many draws many of the parcels with a yes are below class S2; None with fewer than three."""
    place = {id: i for i, id in enumerate(spread.ids)}
    parcels = [place[id] for id in table.loc[table["verdict"] == Verdict.YES, "id"]]
    return shared_failure(spread.capped(rules)[parcels] >= rules.cuts[1] - TIE)
