"""Lots: what the units of one lot share, and what cannot stand under one."""

from datetime import date

from service.errors import BadInput, FieldFault
from service.operations.locations import item_key
from service.operations.work import Unit
from service.schemas.stock import ReceiveBody
from service.storage.queries import stock
from service.storage.tables import Item, Lot


def use_by_fault(
    *, supplied_sterile: bool, reusable: bool, sterility: str, use_by: date | None
) -> str | None:
    """Say why a pack without a use-by date is refused, or ``None`` when it is in order.

    A sterile pack keeps its sterility until its use-by date; without one it would be counted as
    cover for ever. An instrument set is sterilised here again and again, and what is unsterile
    covers nothing: both may be without. Source: common practice.

    Parameters
    ----------
    supplied_sterile, reusable
        As the catalogue has the item.
    sterility
        ``sterile`` or ``unsterile``, as the pack is.
    use_by
        The date on the label, if it is known.
    """
    if use_by is not None or reusable or not supplied_sterile or sterility != "sterile":
        return None
    return "this item comes sterile, so its pack carries a use-by date; copy it from the label"


def copies_fault(*, reusable: bool, serial: str, sterility: str, copies: int) -> str | None:
    """Say why units cannot stand under one lot and serial, or ``None`` when they can.

    A serial names one unit. What makes one copy of a set sterile must not make another so. Source:
    common practice.

    Parameters
    ----------
    reusable
        As the catalogue has the item.
    serial
        Of the lot; empty when it has none.
    sterility
        ``sterile`` or ``unsterile``, as the lot is.
    copies
        How many there would be under the lot, wherever they lie.
    """
    if serial and copies > 1:
        return f"serial {serial} names one unit, and it is on record; move it, or count it there"
    if not reusable or sterility == "sterile" or copies <= 1:
        return None
    return (
        "copies that are not sterile are told apart: give each its own serial or copy number, one "
        "at a time"
    )


def same_lot(unit: Unit, item: Item, body: ReceiveBody, sterility: str) -> Lot:
    """Find the lot, or start it; a lot cannot have two use-by dates."""
    key = (item_key(item), body.lot or "", body.serial or "", body.ownership)
    lot = stock.find_lot(unit.session, *key)
    if lot is None:
        lot = Lot(
            item_id=key[0],
            lot_number=key[1],
            serial=key[2],
            ownership=key[3],
            use_by=body.use_by,
            return_by=body.return_by,
            sterility=sterility,
        )
        unit.session.add(lot)
        unit.session.flush()
        return lot
    for name, theirs, ours in (
        ("use_by", lot.use_by, body.use_by),
        ("return_by", lot.return_by, body.return_by),
        ("sterility", lot.sterility, sterility),
    ):
        if theirs != ours:
            reason = f"this lot is on record with {name} {theirs}; check the label"
            raise BadInput("Nothing was saved.", faults=[FieldFault(f"/{name}", reason)])
    return lot
