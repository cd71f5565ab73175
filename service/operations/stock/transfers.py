"""Transfers between sites: one asks, the other agrees and sends, and the first receives.

In between, units are in transit: they lie at no shelf and are nobody's cover.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row

from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.catalogue import require_item
from service.operations.holds.conflicts import move_with_holds, taken_error
from service.operations.holds.holds import hold_waiting
from service.operations.holds.sets import unserved_copy_holds
from service.operations.locations import (
    find_place,
    find_shelf,
    item_key,
    ledger_line,
    list_locations,
    quarantine_place,
    transit_place,
)
from service.operations.planner import planner_of
from service.operations.stock_units import why_not_usable
from service.operations.work import Unit
from service.schemas.base import Out
from service.schemas.stock import (
    AnswerBody,
    ArrivalBody,
    AskBody,
    LocationOut,
    TransferOut,
    Transfers,
)
from service.storage.queries import stock
from service.storage.tables import Item, Location, Movement, Site, Transfer


def list_transfers(unit: Unit) -> Transfers:
    """Return every transfer that the site asks for or is asked for, the newest first."""
    rows = stock.of_site(unit.session, unit.site_id)
    progress = _progress(unit, rows)
    return Transfers(
        transfers=[_out(unit, row, progress.get(row.id or 0, _Progress())) for row in rows]
    )


def ask_for_units(unit: Unit, body: AskBody) -> TransferOut:
    """Ask another site for units; nothing of its stock is seen or taken by asking."""
    item = require_item(unit, body.ref, "/ref")
    place = find_shelf(unit, body.to, "/to")
    other = stock.site_of_code(unit.session, body.site)
    if other is None or other.id == unit.site_id:
        reason = f"'{body.site}' is not the code of another site"
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
    """Agree to a transfer, and say which units go now, or refuse it.

    Units that go are in transit until the other site receives them, and nobody's cover.
    """
    row = unit.session.get(Transfer, key)
    if row is None or row.from_site_id != unit.site_id:
        raise NotFound(f"Transfer {key} was not requested from this site.")
    if row.state != "asked":
        raise Conflict(f"Transfer {key} has already been {row.state}.")
    row.state = "sent" if body.agreed else "refused"
    row.answered_at, row.answered_by = unit.now, unit.actor
    if body.agreed:
        row.expected_at = _expected(unit, body)
        _send(unit, row, body)
    unit.session.flush()
    return _out(unit, row)


def _expected(unit: Unit, body: AnswerBody) -> datetime | None:
    expected = None if body.expected_at is None else unit.moment(body.expected_at)
    if expected is not None and expected < unit.now:
        reason = (
            f"{unit.local(expected):%Y-%m-%d %H:%M} is in the past; enter when they will arrive"
        )
        raise BadInput("Nothing was saved.", faults=[FieldFault("/expected_at", reason)])
    return expected


def _send(unit: Unit, row: Transfer, body: AnswerBody) -> None:
    if body.origin is None or (body.lot is None and body.serial is None):
        reason = "enter the lot and the shelf it comes from"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    origin = find_place(unit, body.origin, "/origin")
    lot = stock.find_lot(
        unit.session, row.item_id, body.lot or "", body.serial or "", body.ownership
    )
    free = stock.free_at(unit.session, lot.id or 0, origin.id or 0) if lot else 0
    if lot is None or origin.kind != "shelf" or free < row.quantity:
        reason = f"{origin.store}, {origin.shelf} has {free} of this lot that are not reserved"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/lot", reason)])
    if lot.id in planner_of(unit).recalled:
        reason = "these units are under a recall and cannot be moved"
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
        target=transit_place(unit, row.to_site_id).id,
        reason=f"transfer {row.id}",
        transfer_id=row.id,
    )
    move_with_holds(unit, line, follow=False)


def receive_transfer(unit: Unit, key: int, body: ArrivalBody) -> TransferOut:
    """Say what became of units in transit to the site, all or some: only now they count here.

    What has arrived in order goes to its shelf, and to quarantine when a recall names it; what is
    damaged goes to quarantine; what will not come any more is written off. The rest stays in
    transit. Coming cases that may have waited for them are looked at again.

    Raises
    ------
    NotFound
        When no other site has sent this one anything by that transfer.
    Conflict
        When nothing of it is in transit.
    BadInput
        When fewer are in transit, or the place is no shelf.
    """
    row = unit.session.get(Transfer, key)
    if row is None or row.to_site_id != unit.site_id:
        raise NotFound(f"Transfer {key} is not on its way to this site.")
    found = _in_transit(unit, row)
    if found is None:
        raise Conflict(f"Transfer {key} has no units in transit: {_WHERE_IT_STANDS[row.state]}.")
    if body.quantity > found.quantity:
        reason = f"{found.quantity} of transfer {key} are in transit"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/quantity", reason)])
    kind, target = _arrives_at(unit, row, body, is_recalled=found.recalled)
    line = ledger_line(
        unit,
        kind,
        found.lot_id,
        body.quantity,
        origin=found.location_id,
        target=None if target is None else target.id,
        reason=_reason(key, body, is_recalled=found.recalled),
        transfer_id=key,
    )
    move_with_holds(unit, line, follow=False)
    note_progress(unit, row)
    hold_waiting(unit, found.ref, f"{found.ref}, transfer {key}: {body.quantity} {body.condition}")
    return _out(unit, row)


_WHERE_IT_STANDS = {
    "asked": "the other site has not replied",
    "agreed": "it has arrived",
    "refused": "the other site has refused it",
    "settled": "every unit has arrived or been written off; correct the wrong line",
}


def _reason(key: int, body: ArrivalBody, *, is_recalled: bool) -> str:
    why = "under a recall" if is_recalled and body.condition == "arrived" else body.reason
    return f"transfer {key}: {why}" if why else f"transfer {key}"


def _in_transit(unit: Unit, row: Transfer) -> Row[Any] | None:
    """Return what is in transit of a transfer, whichever of its sites asks."""
    rows = stock.units_in_transit(unit.session, row.to_site_id)
    return next((one for one in rows if one.transfer_id == row.id), None)


def _arrives_at(
    unit: Unit, row: Transfer, body: ArrivalBody, *, is_recalled: bool
) -> tuple[str, Location | None]:
    """Say where units go that have arrived, and what the ledger calls that."""
    if body.condition == "missing":
        return "write_off", None
    if body.condition == "damaged" or is_recalled:
        return "quarantine", quarantine_place(unit)
    if body.to is None:
        return "move", unit.session.get_one(Location, row.to_location_id)
    return "move", find_shelf(unit, body.to, "/to")


def require_in_transit(unit: Unit, line: Movement) -> None:
    """Refuse to take a line back whose units have left the place of what is in transit.

    Raises
    ------
    Conflict
        When fewer units of its transfer are in transit than it brought there.
    """
    row = unit.session.get_one(Transfer, line.transfer_id)
    found = _in_transit(unit, row)
    there = 0 if found is None or found.lot_id != line.lot_id else found.quantity
    if there < line.quantity:
        raise Conflict(
            f"Only {there} of the {line.quantity} units of transfer {row.id} are still in transit. "
            "Request a transfer back."
        )


def note_progress(unit: Unit, row: Transfer) -> None:
    """Bring the state of a transfer to what the ledger says: asked again, sent, or settled."""
    progress = _progress(unit, [row]).get(row.id or 0, _Progress())
    row.state = "settled"
    if progress.sent == 0:
        # Sending it was taken back: the answer is open again.
        row.state, row.answered_at, row.answered_by, row.expected_at = "asked", None, "", None
    elif progress.in_transit:
        row.state = "sent"
    unit.session.flush()


@dataclass(slots=True)
class _Progress:
    """What became of the units of a transfer."""

    lot: str = ""
    serial: str = ""
    sent: int = 0
    in_transit: int = 0
    arrived: int = 0

    @property
    def written_off(self) -> int:
        """How many were sent, and neither have arrived nor are in transit."""
        return self.sent - self.in_transit - self.arrived


def _progress(unit: Unit, rows: Sequence[Transfer]) -> dict[int, _Progress]:
    """Read from the ledger what became of transfers; those of which nothing was sent are absent."""
    sites = {row.id or 0: row.from_site_id for row in rows if row.state in {"sent", "settled"}}
    found: dict[int, _Progress] = defaultdict(_Progress)
    for line in stock.lines_of_transfers(unit.session, sites.keys()):
        one = found[line.transfer_id]
        one.lot, one.serial = line.lot_number, line.serial
        for kind, site, change in (
            (line.from_kind, line.from_site, -line.quantity),
            (line.to_kind, line.to_site, line.quantity),
        ):
            if kind == "transit":
                one.in_transit += change
            elif site == sites[line.transfer_id]:
                one.sent -= change
            elif site is not None:
                one.arrived += change
    return found


def _out(unit: Unit, row: Transfer, progress: _Progress | None = None) -> TransferOut:
    giving = unit.session.get_one(Site, row.from_site_id)
    taking = unit.session.get_one(Site, row.to_site_id)
    place = unit.session.get_one(Location, row.to_location_id)
    known = progress or _progress(unit, [row]).get(row.id or 0, _Progress())
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
        lot=known.lot,
        serial=known.serial,
        expected_at=None if row.expected_at is None else unit.local(row.expected_at),
        is_late=bool(known.in_transit and row.expected_at and row.expected_at < unit.now),
        in_transit=known.in_transit,
        # What was agreed to before units could be in transit was there at once.
        arrived=row.quantity if row.state == "agreed" else known.arrived,
        written_off=known.written_off,
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
    to_receive: list[TransferOut]
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
        to_receive=[one for one in known if one.to_site == own and one.in_transit],
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
