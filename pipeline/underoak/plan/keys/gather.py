"""The key `gather` of a layer: the data set and the band that its file is gathered from."""

from __future__ import annotations

from underoak.plan.keys.quantities import Text
from underoak.plan.reading.spec import Spec


class GatherSpec(Spec):
    """Where `underoak gather` takes the file of a layer from. A run reads the file only."""

    set: Text
    """Data set of the catalogue, such as copernicus_glo30; `underoak sources` lists them."""
    band: Text
    """Band with its choices, such as phh2o/5-15cm/mean; `underoak sources NAME` lists them."""
