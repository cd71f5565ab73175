"""Whether a pack may be brought to a case at all, whoever asks for it."""

from collections.abc import Callable, Mapping

from service.core.units import Reason, StockUnits, unusable_reasons
from service.errors import BadInput, FieldFault
from service.operations.stock_units import units_at
from service.operations.unit import Unit
from service.storage.queries import recalls
from service.storage.tables import Item, Location, Lot, SurgicalCase

__all__ = ["refuse_unfit"]

_SAYS: Mapping[str, Callable[[StockUnits, Reason], str]] = {
    "recalled": lambda _units, _reason: "it is recalled: quarantine it",
    "expires": lambda units, _reason: f"it expires on {units.use_by}: do not use it; quarantine it",
    "quarantined": lambda _units, _reason: "it is in quarantine: leave it",
    "unsterile": lambda _units, _reason: "it is not sterile: have it reprocessed first",
    "return_due": lambda units, _reason: f"it is a loan that goes back on {units.return_by}",
    "promised": lambda _units, reason: (
        f"it is on the tray of case {', '.join(reason.cases)} already: leave it"
    ),
}


def refuse_unfit(unit: Unit, case: SurgicalCase, item: Item, lot: Lot, place: Location) -> None:
    """Refuse a pack that does not count for the case on its list day, or today when that is over.

    Raises
    ------
    BadInput
        Names everything that is wrong with it.
    """
    day = max(unit.local(case.starts_at).date(), unit.today)
    is_recalled = recalls.is_blocked(unit.session, lot.id or 0)
    units = units_at(item, lot, place, 1, is_recalled=is_recalled)
    faults = [
        FieldFault("/lot", _SAYS[reason.because](units, reason))
        for reason in unusable_reasons(units, day, case=case.reference)
    ]
    if faults:
        raise BadInput("This pack must not be used; nothing was saved.", faults=faults)
