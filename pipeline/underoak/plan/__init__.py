"""Plans: a YAML file, read strictly, merged with a species profile, checked and frozen.

A key goes through `reading` (YAML, faults), `keys` (its type), `profiles` (defaults of the species) and `checks`
(against the other keys) into `plan.Plan`; `load` calls them in this order.
"""

from underoak.plan.checks.criteria import NotJudged
from underoak.plan.keys.plan_keys import PURPOSES, PlanSpec
from underoak.plan.load import load_plan
from underoak.plan.plan import Criterion, Plan
from underoak.plan.profiles.profile import Profile, load_profile, profile_names
from underoak.plan.profiles.published_errors import PublishedError, published_errors
from underoak.plan.profiles.species_sheet import species_list, species_sheet
from underoak.plan.schema import plan_schema
from underoak.plan.shipped import shipped
from underoak.plan.starter import new

__all__ = [
    "PURPOSES",
    "Criterion",
    "NotJudged",
    "Plan",
    "PlanSpec",
    "Profile",
    "PublishedError",
    "load_plan",
    "load_profile",
    "new",
    "plan_schema",
    "profile_names",
    "published_errors",
    "shipped",
    "species_list",
    "species_sheet",
]
