"""Places: parcels to buy and zones to restore, out of the judged ground."""

from underoak.places.areas import areas_ha
from underoak.places.parcels import Parcels, read_parcels
from underoak.places.ranking import overlap_warning, ranked
from underoak.places.tally import Tally
from underoak.places.write import write_parcels, write_zones
from underoak.places.zones import find_zones, reading

__all__ = [
    "Parcels",
    "Tally",
    "areas_ha",
    "find_zones",
    "overlap_warning",
    "ranked",
    "read_parcels",
    "reading",
    "write_parcels",
    "write_zones",
]
