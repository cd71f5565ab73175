"""Cases that wait for what is away or on its way, when there is news of it."""

from collections.abc import Collection

from service.operations.holds.holds import recheck_cases, waiting_for
from service.operations.work import Unit


def recheck_waiting(unit: Unit, refs: Collection[str]) -> None:
    """Check the coming cases again that ask for some items: what is on its way is nobody's yet."""
    recheck_cases(unit, waiting_for(unit, refs))
