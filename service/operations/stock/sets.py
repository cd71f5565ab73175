"""Instrument sets: where each copy is, when it is back, who needs it next, and what clashes."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.core.catalogue import ItemFacts
from service.operations.cover.requirements import CaseRequirements, case_requirements
from service.operations.planner import planner_of
from service.operations.stock.movements import list_deliveries
from service.operations.stock.view import DAYS_AHEAD, shortages_ahead
from service.operations.stock_units import (
    AWAY_WITH,
    sets_of_day,
    units_of,
    why_not_usable,
    with_return,
)
from service.operations.work import Unit
from service.schemas.cover import CaseCheckOut, CheckOut, SetTimes, SetUseOut
from service.schemas.stock import (
    DeliveryOut,
    ListShortageOut,
    SetCopy,
    SetNeed,
    SetsOut,
    SetStockOut,
)
from service.storage.queries import catalogue


@dataclass(frozen=True, slots=True)
class _SetFacts:
    """What is known of all sets, read once."""

    rows: Sequence[Row[Any]]
    holds: Sequence[Row[Any]]
    cases: Mapping[str, CaseRequirements]
    missing: Sequence[ListShortageOut]
    deliveries: Sequence[DeliveryOut]
    recalled: Collection[int]


def list_sets(unit: Unit) -> SetsOut:
    """Return every instrument set of the catalogue with its copies at the site.

    Those that a coming case misses come first, then those that are needed soonest.
    """
    last = unit.today + timedelta(days=DAYS_AHEAD)
    facts = [item for item in planner_of(unit).facts if item.turnaround_minutes is not None]
    prepared = case_requirements(unit, last)
    rows = planner_of(unit).stock_of({item.ref for item in facts})
    lots = sorted({row.lot_id for row in rows})
    holds = catalogue.holds_on(unit.session, unit.site_id, lots)
    away = {row.location_id for row in rows if row.location_kind in {"theatre", "reprocessing"}}
    shelf = _SetFacts(
        rows,
        [
            hold
            for hold in holds
            if hold.is_set and (hold.location_id in away or not _is_past(unit, hold))
        ],
        {one.row.reference: one for one in prepared},
        [one for one in shortages_ahead(unit) if one.what == "instrument set"],
        list_deliveries(unit).deliveries,
        planner_of(unit).recalled,
    )
    sets = [_set_out(unit, item, shelf) for item in facts]
    return SetsOut(until=last, sets=sorted(sets, key=_soonest))


def _soonest(one: SetStockOut) -> tuple[bool, bool, datetime, str]:
    first = one.needs[0].starts_at if one.needs else datetime.max.replace(tzinfo=UTC)
    return not one.conflicts, not one.needs, first, one.ref


def _set_out(unit: Unit, item: ItemFacts, shelf: _SetFacts) -> SetStockOut:
    rows = [row for row in shelf.rows if row.ref == item.ref]
    copies = [_copy(unit, row, shelf) for row in rows]
    conflicts = [one for one in shelf.missing if item.ref in one.refs]
    lots = {row.lot_id for row in rows}
    minutes = item.turnaround_minutes or 0
    needs = [_held(unit, hold, shelf) for hold in shelf.holds if hold.lot_id in lots]
    needs += [_lacking(unit, one, shelf, minutes) for one in conflicts]
    return SetStockOut(
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


def _copy(unit: Unit, row: Row[Any], shelf: _SetFacts) -> SetCopy:
    own = [
        hold
        for hold in shelf.holds
        if (hold.lot_id, hold.location_id) == (row.lot_id, row.location_id)
    ]
    # Where a case has begun by the plan, its set lies on the shelf until somebody scans it.
    is_away = row.location_kind in {"theatre", "reprocessing"}
    away, case, back_at = [], None, None
    if is_away:
        units = with_return(unit, units_of(row, shelf.recalled))
        case = units.away_with if row.location_kind == "theatre" or units.back_at else None
        away, back_at = [hold for hold in own if hold.reference == case], units.back_at
    due = away[0].until_at if away and row.location_kind == "reprocessing" else None
    coming = [hold for hold in own if hold not in away]
    state = why_not_usable(row, shelf.recalled, unit.today)
    if is_away and (not state or state.startswith(AWAY_WITH)):
        # Where it is says more than that it is away.
        state = _where_away(row, case)
    facts = row._asdict()
    return SetCopy.model_validate(
        {
            **facts,
            "lot": row.lot_number,
            "state": state or "ready",
            "is_ready": not state,
            "sent_at": None if due is None else unit.local(due - _turnaround(unit, row)),
            "is_overdue": due is not None and due < unit.now,
            "back_at": None if back_at is None else unit.local(back_at),
            "with_case": case,
            "next_case": coming[0].reference if coming else None,
            "next_at": unit.local(coming[0].from_at) if coming else None,
        }
    )


def _until(unit: Unit, hold: Row[Any]) -> datetime | None:
    return planner_of(unit).set_until(hold.Hold, hold)


def _is_past(unit: Unit, hold: Row[Any]) -> bool:
    until = _until(unit, hold)
    return until is not None and until <= unit.now


def _turnaround(unit: Unit, row: Row[Any]) -> timedelta:
    return timedelta(minutes=planner_of(unit).catalogue.turnarounds.get(row.ref, 0))


def _where_away(row: Row[Any], case: str | None) -> str:
    return "being reprocessed" if row.location_kind == "reprocessing" else f"with {case}"


def _held(unit: Unit, hold: Row[Any], shelf: _SetFacts) -> SetNeed:
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


def _lacking(unit: Unit, one: ListShortageOut, shelf: _SetFacts, minutes: int) -> SetNeed:
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


def set_times(unit: Unit, check: CheckOut) -> list[SetTimes]:
    """Return every instrument set that a checked day needs, with the cases that need it.

    A set counts as in use from the start to the end of a case, and is back after its turnaround.
    A set two constructs of one case name is needed once by it.

    Parameters
    ----------
    check
        The day, checked against stock.

    Returns
    -------
    list of SetTimes
        By name; the cases in order of start.
    """
    minutes = planner_of(unit).catalogue.turnarounds
    copies = sets_of_day(unit, check.date, check.case_starts())
    names: dict[str, str] = {}
    uses: dict[str, list[CaseCheckOut]] = {}
    for case in sorted(
        (case for one in check.lists for case in one.cases),
        key=lambda case: (case.starts_at, case.case),
    ):
        for ref, label in _sets_of(case).items():
            names[ref] = label
            uses.setdefault(ref, []).append(case)
    return [
        SetTimes(
            ref=ref,
            name=names[ref],
            quantity=copies.get(ref, 0),
            turnaround_minutes=minutes.get(ref, 0),
            uses=[_use(case, minutes.get(ref, 0)) for case in uses[ref]],
        )
        for ref in sorted(uses, key=lambda ref: (names[ref], ref))
    ]


def _sets_of(case: CaseCheckOut) -> dict[str, str]:
    """Return the sets a case needs; of several that would serve, the one it is given."""
    found = {row.ref: row.label for row in case.pick_list if row.use_by is None and row.serial}
    lines = [line for one in case.constructs for line in one.lines] + case.near
    return {
        ref: line.label
        for line in lines
        if line.what == "instrument set" and line.refs
        for ref in [next((ref for ref in line.refs if ref in found), line.refs[0])]
    }


def _use(case: CaseCheckOut, minutes: int) -> SetUseOut:
    return SetUseOut(
        case=case.case,
        starts_at=case.starts_at,
        ends_at=case.ends_at,
        back_at=case.ends_at + timedelta(minutes=minutes),
    )
