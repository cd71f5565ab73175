"""The pick list as somebody walks it: store by store, shelf by shelf, with what labels say."""

from service.operations.cases import get_case
from service.operations.checks import check_case
from service.operations.planner import planner_of
from service.operations.schemas.base import Out
from service.operations.schemas.cases import CaseOut
from service.operations.schemas.checks import CaseCheckOut
from service.operations.unit import Unit

__all__ = ["PickRoute", "pick_route"]


class PickRoute(Out):
    """A case, its check, and the GTIN of every line of its pick list that has one, by reference."""

    case: CaseOut
    check: CaseCheckOut
    gtins: dict[str, str]


def pick_route(unit: Unit, reference: str) -> PickRoute:
    """Give what is to be brought for a case and what its labels say.

    Raises
    ------
    NotFound
        When there is no such case.
    BadInput
        When its list day is in the past, or it has been cancelled: there is nothing to pick.
    """
    check = check_case(unit, reference)
    gtins = planner_of(unit).catalogue.gtins
    return PickRoute(
        case=get_case(unit, reference),
        check=check,
        gtins={row.ref: gtins[row.ref] for row in check.pick_list if row.ref in gtins},
    )
