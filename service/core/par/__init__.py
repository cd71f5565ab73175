"""Par levels: how many of each item the shelf should hold to be ready for the next case."""

from service.core.par.lead_time import (
    erlang_b,
    expected_short,
    expiry_cost,
    level_for,
    outstanding_cdf,
)
from service.core.par.model import ParModel, build_model
from service.core.par.plan import CurvePoint, ParPlan, answer_par, plan_par
from service.core.par.problem import (
    CaseType,
    MixEntry,
    ParConstruct,
    ParError,
    ParItem,
    ParNeed,
    ParProblem,
    ParTake,
    ParTooLarge,
)
from service.core.par.terms import CaseMixTerms

__all__ = [
    "CaseMixTerms",
    "CaseType",
    "CurvePoint",
    "MixEntry",
    "ParConstruct",
    "ParError",
    "ParItem",
    "ParModel",
    "ParNeed",
    "ParPlan",
    "ParProblem",
    "ParTake",
    "ParTooLarge",
    "answer_par",
    "build_model",
    "erlang_b",
    "expected_short",
    "expiry_cost",
    "level_for",
    "outstanding_cdf",
    "plan_par",
]
