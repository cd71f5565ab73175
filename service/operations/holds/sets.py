"""Instrument sets: which copy is promised to whom, and when it is back.

A set is away for a span of time and comes back, so its holds are not counted in the promised part
of a balance; what counts is how many copies are away at once.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from service.core.cover.shelf import most_away, runs_into
from service.core.cover.units import Claim
from service.operations.holds.holds import release_holds
from service.operations.planner import planner_of
from service.operations.stock_units import REPROCESSING
from service.operations.work import Unit
from service.storage.tables import BY_HAND, IN_TRAY, Hold, Item, OperatingList, SurgicalCase


def copies_free(unit: Unit, case: SurgicalCase, item: Item, lot_id: int, location_id: int) -> int:
    """Return how many copies of a set in one place are nobody else's while a case has them.

    What the case has reserved is its own for as long as it is reserved, however late others are;
    without, it would be opened and away for its turnaround.
    """
    there = planner_of(unit).quantity_at(lot_id, location_id)
    rows = _in_force(unit, lot_id, location_id)
    own = [hold.until_at for hold in rows if hold.case_id == case.id]
    until = max(own, default=case.ends_at + timedelta(minutes=item.turnaround_minutes or 0))
    others = [
        replace(_span(unit, hold), until=hold.until_at) if own else _span(unit, hold)
        for hold in rows
        if hold.case_id != case.id
    ]
    return there - most_away(list(runs_into(others, case.starts_at, until)))


def hold_copies(  # noqa: PLR0917 - which copies, for whom, where
    unit: Unit, case: SurgicalCase, item: Item, lot_id: int, location_id: int, quantity: int
) -> None:
    """Promise copies of a set to a case from its start until they are back and sterile."""
    row = unit.session.get_one(OperatingList, case.list_id)
    for _ in range(quantity):
        unit.session.add(
            Hold(
                case_id=case.id or 0,
                lot_id=lot_id,
                location_id=location_id,
                quantity=1,
                list_date=row.list_date,
                list_id=row.id or 0,
                stays=False,
                is_set=True,
                is_opened=True,
                from_at=case.starts_at,
                until_at=case.ends_at + timedelta(minutes=item.turnaround_minutes or 0),
                role=BY_HAND,
                made_at=unit.now,
                actor=unit.actor,
            )
        )
    unit.session.flush()


def leaving_copy_holds(unit: Unit, movement: dict[str, object]) -> list[Hold]:
    """Return the holds on copies of a set that must leave a place with the copies that have left.

    The holds of the movement's own case leave first; others stay while the copies that are still
    there serve them, the earliest case first.
    """
    lot_id, origin = int(str(movement["lot_id"])), int(str(movement["from_location_id"]))
    rows = _in_force(unit, lot_id, origin)
    if not rows:
        return []
    left = planner_of(unit).quantity_at(lot_id, origin)
    case_id = movement.get("case_id")
    own = [hold for hold in rows if hold.case_id == case_id][: int(str(movement["quantity"]))]
    return own + _too_many(unit, [hold for hold in rows if hold not in own], left)


def unserved_copy_holds(
    unit: Unit,
    lot_id: int,
    location_id: int,
    *,
    copies: int | None = None,
    own: int | None = None,
) -> list[Hold]:
    """Return the holds on copies of a set that those in a place, or so many, cannot serve.

    The case ``own`` is served first, then the earliest.
    """
    rows = _in_force(unit, lot_id, location_id)
    if not rows:
        return []
    if copies is None:
        copies = planner_of(unit).quantity_at(lot_id, location_id)
    return _too_many(unit, sorted(rows, key=lambda hold: hold.case_id != own), copies)


def hold_turnaround(
    unit: Unit, case: SurgicalCase, item: Item, lot_id: int, location_id: int
) -> None:
    """Keep a copy that a case has opened away for its turnaround, from now on."""
    back = unit.now + timedelta(minutes=item.turnaround_minutes or 0)
    where = {"case_id": case.id, "lot_id": lot_id, "location_id": location_id, "is_set": True}
    if not planner_of(unit).holds_in_force(**where):
        hold_copies(unit, case, item, lot_id, location_id, 1)
    for hold in planner_of(unit).holds_in_force(**where):
        # One that stood by has been opened, too.
        hold.role, hold.is_opened = IN_TRAY, True
        hold.from_at, hold.until_at = min(hold.from_at, unit.now), back
    unit.session.flush()


def shift_turnaround(unit: Unit, item: Item, by: timedelta) -> None:
    """Expect copies that are being reprocessed later or earlier: the turnaround was corrected."""
    for row in planner_of(unit).stock_of([item.ref]):
        if row.location_kind != REPROCESSING:
            continue
        where = {"lot_id": row.lot_id, "location_id": row.location_id}
        for hold in planner_of(unit).holds_in_force(**where, is_set=True, role=IN_TRAY):
            hold.until_at = max(hold.until_at + by, hold.from_at + timedelta(minutes=1))
    unit.session.flush()


def release_copies(  # noqa: PLR0917 - whose copies, where
    unit: Unit, case: SurgicalCase, lot_id: int, location_id: int, quantity: int, why: str
) -> None:
    """Let go of a case's promise of copies of a set in one place: it needs them no more."""
    own = planner_of(unit).holds_in_force(
        case_id=case.id, lot_id=lot_id, location_id=location_id, is_set=True
    )
    release_holds(unit, own[:quantity], why)


def _in_force(unit: Unit, lot_id: int, location_id: int) -> list[Hold]:
    rows = planner_of(unit).holds_in_force(lot_id=lot_id, location_id=location_id, is_set=True)
    coming = [hold for hold in rows if hold.role == IN_TRAY or not _is_past(unit, hold)]
    return sorted(coming, key=lambda hold: (hold.from_at, hold.id or 0))


def _is_past(unit: Unit, hold: Hold) -> bool:
    until = _span(unit, hold).until
    return until is not None and until <= unit.now


def _too_many(unit: Unit, rows: Sequence[Hold], copies: int) -> list[Hold]:
    staying: list[Claim] = []
    leaving = []
    for hold in rows:
        if most_away([*staying, _span(unit, hold)]) <= copies:
            staying.append(_span(unit, hold))
        else:
            leaving.append(hold)
    return leaving


def _span(unit: Unit, hold: Hold) -> Claim:
    case = unit.session.get_one(SurgicalCase, hold.case_id)
    return Claim(
        case=str(hold.case_id),
        key="",
        quantity=hold.quantity,
        list_date=hold.list_date,
        operating_list=str(hold.list_id),
        stays=False,
        is_set=True,
        starts=hold.from_at,
        until=planner_of(unit).set_until(hold, case),
    )
