"""Cases that wait for what is away or on its way, when there is news of it."""

from collections.abc import Collection

from service.operations.cases.confirmation import reopen_if_cover_lost
from service.operations.cover.requirements import check_until
from service.operations.holds.holds import AHEAD, waiting_for
from service.operations.work import Unit


def recheck_waiting(unit: Unit, refs: Collection[str]) -> None:
    """Check the coming cases that ask for some items, and reopen confirmations that hold no longer.

    Nothing is held anew: what is on its way is nobody's yet.
    """
    checked = check_until(unit, unit.today + AHEAD)
    for one in waiting_for(unit, refs):
        reopen_if_cover_lost(unit, one.row.id or 0, checked[one.row.reference])
