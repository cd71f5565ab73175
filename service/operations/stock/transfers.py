"""Transfers between sites: one asks, the other agrees, and only then anything moves."""

from datetime import date

from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.catalogue import require_item
from service.operations.holds.conflicts import taken_error
from service.operations.holds.sets import unserved_copy_holds
from service.operations.locations import find_place, item_key, ledger_line, list_locations
from service.operations.planner import planner_of
from service.operations.stock_units import why_not_usable
from service.operations.work import Unit
from service.schemas.base import Out
from service.schemas.stock import AnswerBody, AskBody, LocationOut, TransferOut, Transfers
from service.storage.queries import stock
from service.storage.tables import Item, Location, Site, Transfer


def list_transfers(unit: Unit) -> Transfers:
    """Return every transfer that the site asks for or is asked for, the newest first."""
    rows = stock.of_site(unit.session, unit.site_id)
    return Transfers(transfers=[_out(unit, row) for row in rows])


def ask_for_units(unit: Unit, body: AskBody) -> TransferOut:
    """Ask another site for units; nothing of its stock is seen or taken by asking."""
    item = require_item(unit, body.ref, "/ref")
    place = find_place(unit, body.to, "/to")
    if place.kind != "shelf":
        reason = f"{place.store}, {place.shelf} is no shelf"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/to", reason)])
    other = stock.site_of_code(unit.session, body.site)
    if other is None or other.id == unit.site_id:
        reason = f"'{body.site}' is no other site's code"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/site", reason)])
    row = Transfer(
        from_site_id=other.id or 0,
        to_site_id=unit.site_id,
        item_id=item_key(item),
        quantity=body.quantity,
        to_location_id=place.id or 0,
        asked_at=unit.now,
        asked_by=unit.actor,
    )
    unit.session.add(row)
    unit.session.flush()
    return _out(unit, row)


def answer_transfer(unit: Unit, key: int, body: AnswerBody) -> TransferOut:
    """Agree to a transfer, and say which units go, or refuse it."""
    row = unit.session.get(Transfer, key)
    if row is None or row.from_site_id != unit.site_id:
        raise NotFound(f"Nobody asks this site for transfer {key}.")
    if row.state != "asked":
        raise Conflict(f"Transfer {key} has been {row.state} already.")
    row.state = "agreed" if body.agreed else "refused"
    row.answered_at, row.answered_by = unit.now, unit.actor
    if body.agreed:
        _send(unit, row, body)
    unit.session.flush()
    return _out(unit, row)


def _send(unit: Unit, row: Transfer, body: AnswerBody) -> None:
    if body.origin is None or (body.lot is None and body.serial is None):
        reason = "say which lot goes, and from which shelf"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    origin = find_place(unit, body.origin, "/origin")
    lot = stock.find_lot(
        unit.session, row.item_id, body.lot or "", body.serial or "", body.ownership
    )
    free = stock.free_at(unit.session, lot.id or 0, origin.id or 0) if lot else 0
    if lot is None or origin.kind != "shelf" or free < row.quantity:
        reason = f"{origin.store}, {origin.shelf} has {free} of this lot that are not promised"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if lot.id in planner_of(unit).recalled:
        reason = "a recall names these units; they stay where they are"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    # Copies of a set are promised for a span of time and not in the balance.
    if unserved_copy_holds(unit, lot.id or 0, origin.id or 0, copies=free - row.quantity):
        raise taken_error(unit, lot, origin)
    line = ledger_line(
        unit,
        "move",
        lot.id,
        row.quantity,
        origin=origin.id,
        target=row.to_location_id,
        reason=f"transfer {row.id}",
    )
    stock.post_movements(unit.session, [line])


def _out(unit: Unit, row: Transfer) -> TransferOut:
    giving = unit.session.get_one(Site, row.from_site_id)
    taking = unit.session.get_one(Site, row.to_site_id)
    place = unit.session.get_one(Location, row.to_location_id)
    return TransferOut(
        id=row.id or 0,
        from_site=giving.code,
        to_site=taking.code,
        ref=unit.session.get_one(Item, row.item_id).ref,
        quantity=row.quantity,
        to_store=place.store,
        to_shelf=place.shelf,
        state=row.state,
        asked_at=unit.local(row.asked_at),
        asked_by=row.asked_by,
        answered_by=row.answered_by,
    )


class SiteName(Out):
    """Another site that could be asked."""

    code: str
    name: str


class FreeUnits(Out):
    """Units of one lot on one shelf, with how many of them nobody is promised."""

    lot: str
    serial: str
    ownership: str
    use_by: date | None
    store: str
    shelf: str
    free: int


class AskedOfUs(TransferOut):
    """A transfer that waits for our answer, and the units that could go."""

    units: list[FreeUnits]


class TransfersView(Out):
    """Everything about transfers at one site."""

    others: list[SiteName]
    to_answer: list[AskedOfUs]
    ours: list[TransferOut]
    answered: list[TransferOut]
    places: list[LocationOut]


def view_transfers(unit: Unit) -> TransfersView:
    """Return the transfers of a site, those that wait for its answer apart."""
    own = unit.session.get_one(Site, unit.site_id).code
    known = list_transfers(unit).transfers
    waiting = [one for one in known if one.from_site == own and one.state == "asked"]
    return TransfersView(
        others=[
            SiteName.model_validate(row) for row in stock.other_sites(unit.session, unit.site_id)
        ],
        to_answer=[AskedOfUs(**one.model_dump(), units=_could_go(unit, one)) for one in waiting],
        ours=[one for one in known if one.to_site == own],
        answered=[one for one in known if one.from_site == own and one.state != "asked"],
        places=[place for place in list_locations(unit) if place.kind == "shelf"],
    )


def _could_go(unit: Unit, asked: TransferOut) -> list[FreeUnits]:
    """Return the lots with enough free units in one place."""
    recalled = planner_of(unit).recalled
    rows = stock.stock_rows(unit.session, site_id=unit.site_id, filters={"ref": asked.ref})
    return [
        FreeUnits(
            lot=row.lot_number,
            serial=row.serial,
            ownership=row.ownership,
            use_by=row.use_by,
            store=row.store,
            shelf=row.shelf,
            free=row.quantity - row.held,
        )
        for row in rows
        if row.quantity - row.held >= asked.quantity
        and not why_not_usable(row, recalled, unit.today)
    ]
