"""Places: parcels to buy and zones to restore, out of the judged ground."""

from underoak.places.areas import areas_ha
from underoak.places.futures import futures_of_parcels, write_futures_table
from underoak.places.inside import mean_memberships
from underoak.places.lab import Lab, read_lab
from underoak.places.listing import listed
from underoak.places.native import NativeRange, native_range
from underoak.places.parcels import Parcels, read_parcels
from underoak.places.ranking import overlap_warning, ranked
from underoak.places.restoring import held, hold, range_of, withhold
from underoak.places.sample import Cells, Sample
from underoak.places.sampling import Sampling, sample_parcel
from underoak.places.sampling_files import safe_name, write_sampling
from underoak.places.sensitivity import Sensitivity, sensitivity_of, swap_of_first_two
from underoak.places.spread import Spread, spreading_of
from underoak.places.tally import Tally
from underoak.places.write import write_parcels, write_zones
from underoak.places.zones import find_zones, reading

__all__ = [
    "Cells",
    "Lab",
    "NativeRange",
    "Parcels",
    "Sample",
    "Sampling",
    "Sensitivity",
    "Spread",
    "Tally",
    "areas_ha",
    "find_zones",
    "futures_of_parcels",
    "held",
    "hold",
    "listed",
    "mean_memberships",
    "native_range",
    "overlap_warning",
    "range_of",
    "ranked",
    "read_lab",
    "read_parcels",
    "reading",
    "safe_name",
    "sample_parcel",
    "sensitivity_of",
    "spreading_of",
    "swap_of_first_two",
    "withhold",
    "write_futures_table",
    "write_parcels",
    "write_sampling",
    "write_zones",
]
