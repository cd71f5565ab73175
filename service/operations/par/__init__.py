"""Par levels: problems answered, proposals from the site's own data, decisions, levels in force."""

from service.operations.par.answer import answer
from service.operations.par.decide import decide
from service.operations.par.levels import below_par, get_level, list_levels, set_level
from service.operations.par.propose import WorkedOut, store, work_out
from service.operations.par.read import get_proposal, list_proposals

__all__ = [
    "WorkedOut",
    "answer",
    "below_par",
    "decide",
    "get_level",
    "get_proposal",
    "list_levels",
    "list_proposals",
    "set_level",
    "store",
    "work_out",
]
