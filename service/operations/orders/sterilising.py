"""Making a lot sterile here: a loan set that was reprocessed, or a set that came back."""

from service.errors import BadInput, Conflict, FieldFault
from service.operations.catalogue import the_item
from service.operations.schemas.orders import SteriliseBody
from service.operations.schemas.orders_out import SterilisedOut
from service.operations.stock import item_key
from service.operations.unit import Unit
from service.storage.queries import loans, stock
from service.storage.tables import Lot, Sterilisation

__all__ = ["make_sterile"]


def make_sterile(unit: Unit, body: SteriliseBody) -> SterilisedOut:
    """Note that a lot has been reprocessed and is sterile: who, when, and until when.

    Raises
    ------
    BadInput
        When there is no such lot here, it is sterile already, or its item comes sterile for single
        use: an opened pack of that kind is not reprocessed.
    Conflict
        When units of the lot are at another site, whose sterility nobody here knows.
    """
    item = the_item(unit, body.ref, "/ref")
    if item.supplied_sterile and not item.reusable:
        reason = f"{item.ref} comes sterile for single use and is not reprocessed"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ref", reason)])
    lot = stock.find_lot(
        unit.session, item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    _require_here(unit, body, lot)
    if lot is None:
        message = "a lot that is here is on record"
        raise RuntimeError(message)
    if lot.sterility == "sterile":
        reason = "it is sterile already"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if body.use_by is not None and body.use_by < unit.today:
        reason = f"{body.use_by} is in the past"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/use_by", reason)])
    lot.sterility = "sterile"
    lot.use_by = body.use_by or lot.use_by
    row = Sterilisation(
        lot_id=lot.id or 0,
        site_id=unit.site_id,
        use_by=body.use_by,
        note=body.note,
        at=unit.now,
        actor=unit.actor,
    )
    unit.session.add(row)
    # The trail names the lots of a change.
    unit.session.info.setdefault("posted_lots", set()).add(lot.id or 0)
    unit.session.flush()
    return SterilisedOut(
        ref=item.ref,
        lot=lot.lot_number,
        serial=lot.serial,
        ownership=lot.ownership,
        use_by=lot.use_by,
        note=row.note,
        at=unit.local(row.at),
        actor=row.actor,
    )


def _require_here(unit: Unit, body: SteriliseBody, lot: Lot | None) -> None:
    places = [] if lot is None else loans.lot_places(unit.session, [lot.id or 0])
    if not any(row.site_id == unit.site_id for row in places):
        reason = f"there is no such lot of {body.ref} here ({body.ownership})"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if any(row.site_id != unit.site_id for row in places):
        raise Conflict("Units of this lot are at another site, too; they cannot be told apart.")
