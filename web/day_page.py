"""What the page of a list day shows beside the check: the sheet to print, and its pictures."""

from collections.abc import Sequence
from dataclasses import dataclass

from service.operations.schemas.checks import CaseCheckOut, CheckOut
from service.operations.schemas.day_sets import SetTimes
from service.operations.schemas.readiness import DayReadiness
from web.pictures.picture import Picture
from web.pictures.readiness import ReadinessRow, readiness_bars
from web.pictures.timeline import SetRow, SetUse, set_timeline

__all__ = ["SheetCase", "SheetList", "day_sheet", "likely_bars", "set_picture"]


@dataclass(frozen=True, slots=True)
class SheetCase:
    """One case on the day sheet: how many packs go where, from which stores, with which sets."""

    check: CaseCheckOut
    first_use: int
    in_room: int
    stores: Sequence[str]
    sets: Sequence[str]


@dataclass(frozen=True, slots=True)
class SheetList:
    """One theatre's part of the day sheet."""

    theatre: str
    cases: Sequence[SheetCase]


def day_sheet(check: CheckOut) -> list[SheetList]:
    """Sum up what is to be brought for every case of a day."""
    return [
        SheetList(one.theatre, tuple(_sheet_case(case) for case in one.cases))
        for one in check.lists
    ]


def _sheet_case(case: CaseCheckOut) -> SheetCase:
    lines = [line for one in case.constructs for line in one.lines] + case.near
    sets = [line.label for line in lines if line.what == "instrument set" and line.found]
    taken = [row for row in case.pick_list if row.place != "on its shelf"]
    return SheetCase(
        case,
        sum(row.quantity for row in taken if row.place == "first use"),
        sum(row.quantity for row in taken if row.place == "in the room"),
        sorted({row.store for row in taken}),
        sorted(set(sets)),
    )


def likely_bars(told: DayReadiness) -> Picture | None:
    """Draw how likely each case of the day can be done; None when no case can be worked out."""
    if not told.cases:
        return None
    known = {one.case: one.readiness for one in told.cases}
    rows = []
    for case in (case for one in told.check.lists for case in one.cases):
        share = known.get(case.case)
        rows.append(
            ReadinessRow(case.case, None)
            if share is None
            else ReadinessRow(case.case, share.value, share.standard_error)
        )
    return readiness_bars(rows, prefix="likely", title="How likely each case can be done")


def set_picture(sets: Sequence[SetTimes]) -> Picture | None:
    """Draw where the instrument sets are, hour by hour; None on a day that needs none."""
    if not sets:
        return None
    rows = [
        SetRow(
            one.name,
            one.quantity,
            one.turnaround_minutes,
            tuple(SetUse(use.case, use.starts_at, use.ends_at) for use in one.uses),
        )
        for one in sets
    ]
    return set_timeline(rows, prefix="sets", title="Instrument sets on this day")
