"""Who changed a case last, and when: for whoever meets a change they did not know of."""

from datetime import datetime

from service.operations.audit import list_audit
from service.operations.schemas.base import Out
from service.operations.unit import Unit

__all__ = ["LastChange", "last_change_of"]

#: Lines of the trail that are looked through; a line may only mention the case.
_LOOKED_AT = 50


class LastChange(Out):
    """The moment of a change, on the site's clock, and whose it was."""

    at: datetime
    actor: str


def last_change_of(unit: Unit, reference: str) -> LastChange | None:
    """Give the newest change of a case that the audit trail knows; none when it knows none."""
    told = list_audit(unit, person="", case=reference, lot="", before=None, limit=_LOOKED_AT)
    for line in told.lines:
        if line.outcome == "done" and reference in line.facts.get("cases", ()):
            return LastChange(at=line.at, actor=line.actor)
    return None
