"""Whether a pack may be brought to a case at all, whoever asks for it."""

from service.errors import BadInput, FieldFault
from service.operations.unit import Unit
from service.storage.queries import recalls
from service.storage.tables import Lot, SurgicalCase

__all__ = ["refuse_unfit"]


def refuse_unfit(unit: Unit, case: SurgicalCase, lot: Lot) -> None:
    """Refuse a pack that is out of date on the list day, unsterile, recalled or due back by then.

    Raises
    ------
    BadInput
        Names everything that is wrong with it.
    """
    day = max(unit.local(case.starts_at).date(), unit.today)
    reasons = []
    if lot.use_by is not None and lot.use_by < day:
        reasons.append(f"it expires on {lot.use_by}: do not use it; quarantine it")
    if lot.sterility != "sterile":
        reasons.append("it is not sterile: have it reprocessed first")
    if lot.return_by is not None and lot.return_by <= day:
        reasons.append(f"it is a loan that goes back on {lot.return_by}")
    if recalls.is_blocked(unit.session, lot.id or 0):
        reasons.append("it is recalled: quarantine it")
    if reasons:
        faults = [FieldFault("/lot", reason) for reason in reasons]
        raise BadInput("This pack must not be used; nothing was saved.", faults=faults)
