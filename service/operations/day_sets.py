"""When each instrument set is in use or in turnaround on a list day."""

from datetime import timedelta

from service.operations.planner import planner_of
from service.operations.schemas.checks import CaseCheckOut, CheckOut
from service.operations.schemas.day_sets import SetTimes, SetUseOut
from service.operations.unit import Unit

__all__ = ["set_times"]


def set_times(unit: Unit, check: CheckOut) -> list[SetTimes]:
    """Give every instrument set that a checked day needs, with the cases that need it.

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
    copies = planner_of(unit).usable_sets
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
    """Give the sets a case needs by reference; of several that would serve, the one it is given."""
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
