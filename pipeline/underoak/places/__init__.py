"""Places: parcels and zones, made from judged cells."""

from underoak.places.geometry.areas import areas_ha
from underoak.places.geometry.output_files import write_parcels, write_zones
from underoak.places.geometry.parcel_shapes import Parcels, read_parcels
from underoak.places.geometry.polygon_means import mean_memberships
from underoak.places.lab.results import Lab, read_lab
from underoak.places.parcels.cell_sample import Sample, SampledCells
from underoak.places.parcels.draws import ParcelDraws, draws_reducer
from underoak.places.parcels.ranking import overlap_warning, rank_parcels
from underoak.places.parcels.sums import ParcelSumsReducer
from underoak.places.soil.parcel_table import parcel_table
from underoak.places.soil.sampling import Sampling, sample_parcel
from underoak.places.soil.sampling_files import safe_name, write_sampling
from underoak.places.verdicts.decision import Evidence, decide, verdict_of
from underoak.places.verdicts.scenario_table import scenarios_of_parcels, write_scenario_table
from underoak.places.verdicts.sensitivity import Sensitivity, sensitivity_of, swap_of_first_two
from underoak.places.wild.native_range import NativeRange, native_range
from underoak.places.wild.native_rules import drop_non_native, exclude_non_native, mark_cut_zones, range_of
from underoak.places.wild.zones import find_zones, reading

__all__ = [
    "Evidence",
    "Lab",
    "NativeRange",
    "ParcelDraws",
    "ParcelSumsReducer",
    "Parcels",
    "Sample",
    "SampledCells",
    "Sampling",
    "Sensitivity",
    "areas_ha",
    "decide",
    "draws_reducer",
    "drop_non_native",
    "exclude_non_native",
    "find_zones",
    "mark_cut_zones",
    "mean_memberships",
    "native_range",
    "overlap_warning",
    "parcel_table",
    "range_of",
    "rank_parcels",
    "read_lab",
    "read_parcels",
    "reading",
    "safe_name",
    "sample_parcel",
    "scenarios_of_parcels",
    "sensitivity_of",
    "swap_of_first_two",
    "verdict_of",
    "write_parcels",
    "write_sampling",
    "write_scenario_table",
    "write_zones",
]
