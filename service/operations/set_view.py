"""Instrument sets: where each copy is, when it is back, who needs it next, and what clashes."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.core.items import ItemFacts
from service.operations.planner import planner_of
from service.operations.preparing import Prepared, prepare
from service.operations.schemas.stock import DeliveryOut
from service.operations.schemas.stock_view import MissingOut, SetCopy, SetNeed, SetOut, SetsOut
from service.operations.stock import list_deliveries
from service.operations.stock_needs import DAYS_AHEAD, missing_ahead
from service.operations.stock_view import why_not_usable
from service.operations.unit import Unit
from service.storage.queries import codes

__all__ = ["list_sets"]


@dataclass(frozen=True, slots=True)
class _Shelf:
    """What is known of all sets, read once."""

    rows: Sequence[Row[Any]]
    holds: Sequence[Row[Any]]
    cases: Mapping[str, Prepared]
    missing: Sequence[MissingOut]
    deliveries: Sequence[DeliveryOut]
    recalled: Collection[int]


def list_sets(unit: Unit) -> SetsOut:
    """Give every instrument set of the catalogue with its copies at the site.

    Those that a coming case misses come first, then those that are needed soonest.
    """
    last = unit.today + timedelta(days=DAYS_AHEAD)
    facts = [item for item in planner_of(unit).facts if item.turnaround_minutes is not None]
    prepared = prepare(unit, last)
    rows = planner_of(unit).stock_of({item.ref for item in facts})
    lots = sorted({row.lot_id for row in rows})
    holds = codes.holds_on(unit.session, unit.site_id, lots)
    shelf = _Shelf(
        rows,
        [hold for hold in holds if hold.is_set and hold.until_at > unit.now],
        {one.row.reference: one for one in prepared},
        [one for one in missing_ahead(unit) if one.what == "instrument set"],
        list_deliveries(unit).deliveries,
        planner_of(unit).recalled,
    )
    sets = [_set_out(unit, item, shelf) for item in facts]
    return SetsOut(until=last, sets=sorted(sets, key=_soonest))


def _soonest(one: SetOut) -> tuple[bool, bool, datetime, str]:
    first = one.needs[0].starts_at if one.needs else datetime.max.replace(tzinfo=UTC)
    return not one.conflicts, not one.needs, first, one.ref


def _set_out(unit: Unit, item: ItemFacts, shelf: _Shelf) -> SetOut:
    rows = [row for row in shelf.rows if row.ref == item.ref]
    copies = [_copy(unit, row, shelf) for row in rows]
    conflicts = [one for one in shelf.missing if item.ref in one.refs]
    lots = {row.lot_id for row in rows}
    minutes = item.turnaround_minutes or 0
    needs = [_held(unit, hold, shelf) for hold in shelf.holds if hold.lot_id in lots]
    needs += [_lacking(unit, one, shelf, minutes) for one in conflicts]
    return SetOut(
        ref=item.ref,
        description=item.description,
        system=item.system,
        turnaround_minutes=minutes,
        usable=sum(copy.quantity for copy in copies if copy.is_ready),
        copies=copies,
        needs=sorted(needs, key=lambda need: (need.starts_at, need.case)),
        deliveries=[one for one in shelf.deliveries if one.ref == item.ref],
        conflicts=conflicts,
    )


def _copy(unit: Unit, row: Row[Any], shelf: _Shelf) -> SetCopy:
    own = [
        hold
        for hold in shelf.holds
        if (hold.lot_id, hold.location_id) == (row.lot_id, row.location_id)
    ]
    away = [hold for hold in own if hold.from_at <= unit.now or row.location_kind == "theatre"]
    coming = [hold for hold in own if hold not in away]
    state = why_not_usable(row, shelf.recalled, unit.today)
    is_away = len(away) >= row.quantity
    if not state and row.location_kind == "theatre":
        state = f"with {row.shelf}"
    elif not state and is_away:
        state = "away"
    facts = row._asdict()
    return SetCopy.model_validate(
        {
            **facts,
            "serial": row.serial or row.lot_number,
            "state": state or "ready",
            "is_ready": not state,
            "back_at": unit.local(min(hold.until_at for hold in away)) if is_away else None,
            "with_case": away[0].reference if away else None,
            "next_case": coming[0].reference if coming else None,
            "next_at": unit.local(coming[0].from_at) if coming else None,
        }
    )


def _held(unit: Unit, hold: Row[Any], shelf: _Shelf) -> SetNeed:
    known = shelf.cases.get(hold.reference)
    ends = known.row.ends_at if known is not None else hold.until_at
    return SetNeed(
        case=hold.reference,
        list_date=hold.list_date,
        theatre=hold.theatre,
        starts_at=unit.local(hold.from_at),
        ends_at=unit.local(ends),
        until=unit.local(hold.until_at),
        stands_by=hold.until_at <= ends,
        is_missing=False,
    )


def _lacking(unit: Unit, one: MissingOut, shelf: _Shelf, minutes: int) -> SetNeed:
    row = shelf.cases[one.case].row
    return SetNeed(
        case=one.case,
        list_date=one.list_date,
        theatre=one.theatre,
        starts_at=unit.local(row.starts_at),
        ends_at=unit.local(row.ends_at),
        until=unit.local(row.ends_at + timedelta(minutes=minutes)),
        stands_by=False,
        is_missing=True,
    )
