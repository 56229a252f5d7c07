"""How many cases a question asks for, before anybody begins to wait for the answer."""

from .plan import Plan, Planning, RuleOut, plan_difference, plan_hazard_ratio, plan_rule_out, smallest_difference
from .seen import NEXT_SESSION, PLANNED

__all__ = [
    "NEXT_SESSION",
    "PLANNED",
    "Plan",
    "Planning",
    "RuleOut",
    "plan_difference",
    "plan_hazard_ratio",
    "plan_rule_out",
    "smallest_difference",
]
