"""Reprocessing: an opened set or an unsterile loan is sterile again, and back on its shelf."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row

from service.core.opened_units import OtherEnd, QuarantineLine, opened_units
from service.errors import BadInput, Conflict, FieldFault
from service.operations.catalogue import require_item
from service.operations.holds.conflicts import move_with_holds
from service.operations.holds.holds import hold_waiting, release_holds
from service.operations.locations import (
    find_shelf,
    item_key,
    ledger_line,
    reprocessing_place,
    require_shelf,
)
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.schemas.orders import SteriliseBody, SterilisedOut
from service.storage.queries import orders, stock
from service.storage.tables import IN_TRAY, Location, Lot, Sterilisation


def make_sterile(unit: Unit, body: SteriliseBody) -> SterilisedOut:
    """Note that a lot has been reprocessed and is sterile: who, when, and until when.

    A copy of a set that was sent away from a case goes back to its shelf, and nobody has to wait
    for it any more: what was promised to coming cases goes with it.

    Raises
    ------
    BadInput
        When there is no such lot here, it is sterile already, it is on a tray or in quarantine, or
        its item comes sterile for single use: an opened pack of that kind is not reprocessed.
    Conflict
        When units of the lot are at another site, whose sterility nobody here knows.
    """
    item = require_item(unit, body.ref, "/ref")
    if item.supplied_sterile and not item.reusable:
        reason = f"{item.ref} is supplied sterile for single use and must not be reprocessed"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ref", reason)])
    lot = stock.find_lot(
        unit.session, item_key(item), body.lot or "", body.serial or "", body.ownership
    )
    _require_here(unit, body, lot)
    if lot is None:
        message = "choose a lot in the stock records"
        raise RuntimeError(message)
    here = planner_of(unit).lying_here([lot.id or 0])
    away = [row for row in here if row.kind == "reprocessing"]
    copies = sum(row.quantity for row in planner_of(unit).lying([lot.id or 0]))
    # Copies that were not reprocessed keep their date, and a lot has one date.
    own = sum(row.quantity for row in away) or (1 if item.reusable else copies)
    is_over = lot.use_by is not None and lot.use_by < unit.today and own == copies
    if lot.sterility == "sterile" and not (away or is_over):
        reason = "it is already sterile"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if not away:
        _require_on_shelves(unit, here)
    if body.use_by is not None and body.use_by < unit.today:
        reason = f"{body.use_by} is in the past"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/use_by", reason)])
    if own < copies and body.use_by not in {None, lot.use_by}:
        reason = f"{copies} copies are recorded under this lot with one date: {lot.use_by}"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/use_by", reason)])
    lot.sterility = "sterile"
    if own == copies:
        lot.use_by = body.use_by
    for gone in away[:1]:
        _put_back(unit, lot, gone, body)
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
    hold_waiting(unit, item.ref, f"{item.ref} is sterile again")
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


def _require_on_shelves(unit: Unit, rows: Sequence[Row[Any]]) -> None:
    """Refuse to scan out of sterilisation what lies in quarantine or in theatre."""
    for row in rows:
        if row.kind == "quarantine":
            place = reprocessing_place(unit)
            reason = (
                f"it is in quarantine: release it to {place.store}, {place.shelf}, and scan it out "
                "of sterilisation from there"
            )
        elif row.kind == "theatre" and planner_of(unit).find_case(row.shelf) is not None:
            reason = (
                f"it is on the tray of case {row.shelf}: record on the page of the case what "
                "happened to it first"
            )
        elif row.kind == "theatre":
            reason = f"it is at {row.store}, {row.shelf}: move it to a shelf first"
        else:
            continue
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])


def release_turnaround(unit: Unit, lot: Lot, place_id: int, quantity: int, why: str) -> None:
    """Let go of what keeps copies of a set away for their turnaround: they have left."""
    own = planner_of(unit).holds_in_force(
        lot_id=lot.id, location_id=place_id, is_set=True, role=IN_TRAY
    )
    release_holds(unit, own[:quantity], why)


def require_fit_for_shelf(unit: Unit, lot: Lot, quarantine: Location, quantity: int) -> None:
    """Keep copies off the shelves that came into quarantine before they were sterile.

    Raises
    ------
    BadInput
        When any of them may be such a copy.
    """
    lines = stock.lines_of_quarantine(unit.session, unit.site_id, lot.id or 0)
    opened = opened_units(_quarantine_line(row) for row in lines)
    there = planner_of(unit).quantity_at(lot.id or 0, quarantine.id or 0)
    if opened and quantity > there - opened:
        place = reprocessing_place(unit)
        reason = (
            f"{opened} of this lot came into quarantine before it was sterile: release it to "
            f"{place.store}, {place.shelf}, and scan it out of sterilisation from there"
        )
        raise BadInput("Nothing was saved.", faults=[FieldFault("/to", reason)])


def _quarantine_line(row: Row[Any]) -> QuarantineLine:
    other: OtherEnd = "elsewhere"
    if row.other_kind == "reprocessing":
        other = "reprocessing"
    elif row.other_kind is None and row.kind in {"count", "write_off"}:
        other = "nowhere"
    change = row.quantity if row.came else -row.quantity
    return QuarantineLine(row.seq, change, other, row.corrects_seq)


def _put_back(unit: Unit, lot: Lot, away: Row[Any], body: SteriliseBody) -> None:
    """Bring one copy of a set from where it was reprocessed to its shelf."""
    home = _home_of(unit, lot, body)
    release_turnaround(unit, lot, away.location_id, 1, "sterile again")
    line = ledger_line(
        unit,
        "sterilise",
        lot.id,
        1,
        origin=away.location_id,
        target=home.id,
        reason=body.note or "sterile again",
    )
    move_with_holds(unit, line, follow=True)


def _home_of(unit: Unit, lot: Lot, body: SteriliseBody) -> Location:
    """Find the shelf said, or else the one the copy was last brought from."""
    if body.to is not None:
        return find_shelf(unit, body.to, "/to")
    key = stock.last_shelf(unit.session, lot.id or 0)
    if key is None:
        reason = "enter the shelf it goes to"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/to", reason)])
    return require_shelf(unit.session.get_one(Location, key), "/to")


def _require_here(unit: Unit, body: SteriliseBody, lot: Lot | None) -> None:
    places = [] if lot is None else orders.lot_places(unit.session, [lot.id or 0])
    if not any(row.site_id == unit.site_id for row in places):
        reason = f"this lot of {body.ref} ({body.ownership}) is not in stock"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if any(row.site_id != unit.site_id for row in places):
        raise Conflict("Units of this lot are also at another site and cannot be told apart.")
    if any(row.kind == "transit" for row in places):
        raise Conflict(
            "Units of this lot are in transit from another site: receive them on the Transfers "
            "page first."
        )
