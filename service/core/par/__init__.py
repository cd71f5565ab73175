"""Par levels: how many of each item the shelf should hold to be ready for the next case."""

from service.core.par.mix_terms import MixTerms
from service.core.par.model import ParModel, build_model
from service.core.par.outstanding import expiry_cost, outstanding_cdf
from service.core.par.plan import CurvePoint, ParPlan, answer_par, plan_par
from service.core.par.problem import (
    CaseType,
    Construct,
    MixEntry,
    Need,
    ParError,
    ParItem,
    ParProblem,
    ParTooLarge,
    Take,
)
from service.core.par.reading import read_par_problem
from service.core.par.single import erlang_b, expected_short, level_for

__all__ = [
    "CaseType",
    "Construct",
    "CurvePoint",
    "MixEntry",
    "MixTerms",
    "Need",
    "ParError",
    "ParItem",
    "ParModel",
    "ParPlan",
    "ParProblem",
    "ParTooLarge",
    "Take",
    "answer_par",
    "build_model",
    "erlang_b",
    "expected_short",
    "expiry_cost",
    "level_for",
    "outstanding_cdf",
    "plan_par",
    "read_par_problem",
]
