"""The report: page, map, table and words for the people who decide."""

from underoak.engine.storage.manifest import CriterionWords
from underoak.report.comparison.compare import Comparison, compare
from underoak.report.comparison.single_changes import ChangeTests
from underoak.report.comparison.text import comparison_text, comparison_values
from underoak.report.page.cases_page import cases_html, joined_parcels
from underoak.report.page.figure import map_png, relief_of
from underoak.report.page.item import ItemFacts, stac_item
from underoak.report.page.legend import legend_sld
from underoak.report.page.page import MapPictures, report_html
from underoak.report.sheet.checklist import checklist
from underoak.report.sheet.field_sheet import field_sheet
from underoak.report.sheet.lab_request import lab_request
from underoak.report.sheet.sampling_points import sampled
from underoak.report.sheet.site import Field, read_site
from underoak.report.terminal.cases_words import explain_joint
from underoak.report.terminal.claim import claims_text, claims_values
from underoak.report.terminal.explanation import explain, explain_zone, parcel_place, zone_place
from underoak.report.terminal.spot import spot_text, spot_values, spots_text
from underoak.report.terminal.table import ranking
from underoak.report.text.answer_words import decision
from underoak.report.text.findings import Findings
from underoak.report.text.sensitivity_words import sensitivity_in, sensitivity_words, swap_in

__all__ = [
    "ChangeTests",
    "Comparison",
    "CriterionWords",
    "Field",
    "Findings",
    "ItemFacts",
    "MapPictures",
    "cases_html",
    "checklist",
    "claims_text",
    "claims_values",
    "compare",
    "comparison_text",
    "comparison_values",
    "decision",
    "explain",
    "explain_joint",
    "explain_zone",
    "field_sheet",
    "joined_parcels",
    "lab_request",
    "legend_sld",
    "map_png",
    "parcel_place",
    "ranking",
    "read_site",
    "relief_of",
    "report_html",
    "sampled",
    "sensitivity_in",
    "sensitivity_words",
    "spot_text",
    "spot_values",
    "spots_text",
    "stac_item",
    "swap_in",
    "zone_place",
]
