"""What has happened to a case that whoever confirmed it should know."""

from datetime import datetime

from service.operations.cases import the_case
from service.operations.schemas.base import Out
from service.operations.unit import Unit
from service.storage.queries import confirmations

__all__ = ["EventOut", "events_of"]


class EventOut(Out):
    """Something that reopened a case."""

    at: datetime
    kind: str
    says: str
    actor: str


def events_of(unit: Unit, reference: str) -> list[EventOut]:
    """Give what has happened to a case, the newest first."""
    case = the_case(unit, reference)
    return [
        EventOut(at=unit.local(row.at), kind=row.kind, says=row.says, actor=row.actor)
        for row in confirmations.events(unit.session, case.id or 0)
    ]
