"""Places: parcels to buy and zones to restore, out of the judged ground."""

from underoak.places.answer.futures import futures_of_parcels, write_futures_table
from underoak.places.answer.sensitivity import Sensitivity, sensitivity_of, swap_of_first_two
from underoak.places.field.sampling import Sampling, sample_parcel
from underoak.places.field.sampling_files import safe_name, write_sampling
from underoak.places.shape.areas import areas_ha
from underoak.places.shape.inside import mean_memberships
from underoak.places.shape.parcels import Parcels, read_parcels
from underoak.places.shape.write import write_parcels, write_zones
from underoak.places.soil.lab import Lab, read_lab
from underoak.places.soil.listing import listed
from underoak.places.total.ranking import overlap_warning, ranked
from underoak.places.total.sample import Cells, Sample
from underoak.places.total.spread import Spread, spreading_of
from underoak.places.total.tally import Tally
from underoak.places.wild.native import NativeRange, native_range
from underoak.places.wild.restoring import held, hold, range_of, withhold
from underoak.places.wild.zones import find_zones, reading

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
