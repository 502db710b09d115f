"""Places: parcels to buy and zones to restore, out of the judged ground."""

from underoak.places.areas import areas_ha
from underoak.places.parcels import Parcels, read_parcels

__all__ = ["Parcels", "areas_ha", "read_parcels"]
