"""The report: page, map, table and words for the people who decide."""

from underoak.report.batch import batch_html, joined_parcels
from underoak.report.comparison import Comparison, compare
from underoak.report.comparison_words import comparison_text, comparison_values
from underoak.report.depends import sensitivity_in, sensitivity_words, swap_in
from underoak.report.explanation import explain, explain_zone, parcel_place, zone_place
from underoak.report.fielded import Field, fielded
from underoak.report.fieldsheet import field_sheet
from underoak.report.figure import map_png, relief_of
from underoak.report.findings import CriterionWords, Findings
from underoak.report.item import stac_item
from underoak.report.lab_request import lab_request
from underoak.report.legend import legend_sld
from underoak.report.page import report_html
from underoak.report.sampled import sampled
from underoak.report.table import ranking
from underoak.report.words import decision

__all__ = [
    "Comparison",
    "CriterionWords",
    "Field",
    "Findings",
    "batch_html",
    "compare",
    "comparison_text",
    "comparison_values",
    "decision",
    "explain",
    "explain_zone",
    "field_sheet",
    "fielded",
    "joined_parcels",
    "lab_request",
    "legend_sld",
    "map_png",
    "parcel_place",
    "ranking",
    "relief_of",
    "report_html",
    "sampled",
    "sensitivity_in",
    "sensitivity_words",
    "stac_item",
    "swap_in",
    "zone_place",
]
