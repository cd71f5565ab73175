"""Par levels: problems answered, proposals from the site's own data, decisions, levels in force."""

from service.operations.par.levels import below_par, get_level, list_levels, set_level
from service.operations.par.proposal import (
    ComputedProposal,
    compute_proposal,
    decide_lines,
    get_proposal,
    list_proposals,
    store_proposal,
)
from service.operations.readiness import answer_par_problem

__all__ = [
    "ComputedProposal",
    "answer_par_problem",
    "below_par",
    "compute_proposal",
    "decide_lines",
    "get_level",
    "get_proposal",
    "list_levels",
    "list_proposals",
    "set_level",
    "store_proposal",
]
