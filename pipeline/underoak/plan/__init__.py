"""The question: a YAML plan, read strictly, joined with a species profile, and frozen."""

from underoak.plan.joining import NotJudged
from underoak.plan.load import load_plan
from underoak.plan.model import PURPOSES, PlanSpec
from underoak.plan.profile import Profile, load_profile, profile_names
from underoak.plan.resolved import Criterion, Plan
from underoak.plan.schema import plan_schema
from underoak.plan.shipped import shipped
from underoak.plan.species_sheet import species_list, species_sheet
from underoak.plan.starter import new

__all__ = [
    "PURPOSES",
    "Criterion",
    "NotJudged",
    "Plan",
    "PlanSpec",
    "Profile",
    "load_plan",
    "load_profile",
    "new",
    "plan_schema",
    "profile_names",
    "shipped",
    "species_list",
    "species_sheet",
]
