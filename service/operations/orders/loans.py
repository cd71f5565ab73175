"""Loans: which are here, and giving them back."""

from service.errors import BadInput, Conflict, FieldFault
from service.operations.catalogue import require_item
from service.operations.locations import item_key
from service.operations.orders.orders import require_line, require_order
from service.operations.orders.view import loan_lots, order_out
from service.operations.stock.movements import record_movement
from service.operations.work import Unit
from service.schemas.orders import (
    LoanLot,
    Loans,
    OrderOut,
    ReturnBody,
    ReturnLine,
)
from service.schemas.stock import LocationBody
from service.schemas.trays import LoanOutBody, WriteOffBody
from service.storage.queries import orders, stock
from service.storage.tables import LoanReturn, SupplyOrder


def list_loans(unit: Unit, *, overdue: bool = False) -> Loans:
    """Return the loans with units here or unexplained, those to go back first at the top.

    Parameters
    ----------
    overdue
        Only those that should have gone back before today.
    """
    found = orders.orders_of(
        unit.session, unit.site_id, states=["sent", "received"], kinds=["loan"]
    )
    outs = [order_out(unit, order) for order in found]
    here = [
        one
        for one in outs
        if any(lot.still_here or lot.unexplained for lot in one.loan)
        and (not overdue or (one.return_by is not None and one.return_by < unit.today))
    ]
    return Loans(loans=sorted(here, key=lambda one: (str(one.return_by), one.reference)))


def return_loan(unit: Unit, reference: str, body: ReturnBody) -> OrderOut:
    """Send units of a loan back, and say which are missing: all lines of the return, or none.

    What goes back leaves its shelf; what is missing is written off where the books have it.

    Raises
    ------
    BadInput
        Names each line of which the loan does not have so many units left.
    Taken
        When the units are promised to a case.
    """
    order = require_order(unit, reference)
    if order.kind != "loan":
        raise Conflict(f"Order {reference} is not a loan.")
    faults: list[FieldFault] = []
    for place, line in enumerate(body.lines):
        try:
            _give_back_line(unit, order, line)
        except BadInput as error:
            faults += [
                FieldFault(f"/lines/{place}{fault.pointer}", fault.reason) for fault in error.faults
            ]
    if faults:
        raise BadInput("Nothing was returned.", faults=faults)
    order.version += 1
    unit.session.flush()
    return order_out(unit, order)


def _give_back_line(unit: Unit, order: SupplyOrder, line: ReturnLine) -> None:
    ordered, _ = require_line(unit, order, line.ref, "/ref")
    _require_left(unit, order, line)
    movement = record_movement(unit, _movement(unit, order, line))
    unit.session.add(
        LoanReturn(
            line_id=ordered.id or 0,
            movement_seq=movement.seq or 0,
            quantity=0 if line.missing else line.quantity,
            missing=line.quantity if line.missing else 0,
            note=line.note,
            at=unit.now,
            actor=unit.actor,
        )
    )
    unit.session.flush()


def _movement(unit: Unit, order: SupplyOrder, line: ReturnLine) -> WriteOffBody | LoanOutBody:
    """Return what the ledger is told: units that leave, or that nobody can find."""
    note = f": {line.note}" if line.note else ""
    facts: dict[str, object] = {
        "ref": line.ref,
        "lot": line.lot,
        "serial": line.serial,
        "ownership": "loan",
        "quantity": line.quantity,
    }
    place = line.origin or _only_place(unit, line)
    if line.missing:
        said = f"missing on return of loan {order.reference}{note}"[:500]
        facts |= {"kind": "write_off", "at": place, "reason": said}
        return WriteOffBody.model_validate(facts)
    said = f"loan {order.reference} returned{note}"[:500]
    return LoanOutBody.model_validate(
        {**facts, "kind": "loan_out", "origin": place, "reason": said}
    )


def _require_left(unit: Unit, order: SupplyOrder, line: ReturnLine) -> None:
    named = (line.ref, line.lot or "", line.serial or "")
    mine = [lot for lot in loan_lots(unit, order) if (lot.ref, lot.lot, lot.serial) == named]
    left = sum(lot.still_here for lot in mine)
    if line.quantity <= left:
        return
    if not mine:
        reason = f"this lot was not received with loan {order.reference}"
        raise BadInput("Nothing was returned.", faults=[FieldFault("/lot", reason)])
    reason = f"{left} of these are left at this site from loan {order.reference}{_fates(mine)}"
    raise BadInput("Nothing was returned.", faults=[FieldFault("/quantity", reason)])


def _fates(lots: list[LoanLot]) -> str:
    """Say what became of the others."""
    words = [f"{sum(lot.returned for lot in lots)} returned"]
    words += [f"{use.quantity} {use.fate} in case {use.case}" for lot in lots for use in lot.used]
    words += [f"{lot.missing} missing" for lot in lots if lot.missing]
    return f" ({', '.join(words)})"


def _only_place(unit: Unit, line: ReturnLine) -> LocationBody:
    item = require_item(unit, line.ref, "/ref")
    key = (item_key(item), line.lot or "", line.serial or "", "loan")
    lot = stock.find_lot(unit.session, *key)
    places = [] if lot is None else orders.lot_places(unit.session, [lot.id or 0])
    here = [row for row in places if row.site_id == unit.site_id]
    if len(here) != 1:
        names = "; ".join(f"{row.store}, {row.shelf}" for row in here) or "not at this site"
        reason = f"choose the shelf: they are in {names}"
        raise BadInput("Nothing was returned.", faults=[FieldFault("/origin", reason)])
    return LocationBody(store=here[0].store, shelf=here[0].shelf)
