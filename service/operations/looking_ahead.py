"""Check every coming case at once, and put together what is short."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from service.core.case_checks import CaseCheck
from service.core.closing import CheckInput
from service.core.shortage import Shortage, shortages
from service.core.units import Claim
from service.operations.planner import planner_of
from service.operations.preparing import Prepared, check_until, input_until, prepare
from service.operations.unit import Unit

__all__ = ["Ahead", "look_ahead"]


@dataclass(frozen=True, slots=True)
class Ahead:
    """The cases of some days, checked together.

    Parameters
    ----------
    coming
        Checks of the cases that have not started.
    found
        What they are short of.
    claims
        Everything anybody counts on: as checked, or as promised for a later day.
    """

    until: date
    prepared: Sequence[Prepared]
    turnarounds: Mapping[str, int]
    coming: Sequence[CaseCheck]
    found: Sequence[Shortage]
    claims: Sequence[Claim]


def look_ahead(unit: Unit, until: date) -> Ahead:
    """Check every case up to a day, as the list days are checked, in one go."""
    prepared, given = prepare(unit, until), input_until(unit, until)
    checked = check_until(unit, until)
    coming = [check for check in checked.values() if check.case.starts > unit.now]
    left = _without_started(given, checked, unit.now)
    return Ahead(
        until,
        prepared,
        given.turnarounds,
        coming,
        shortages(left, coming, _list_starts(prepared)),
        _claims(checked, planner_of(unit).claims),
    )


def _list_starts(prepared: Iterable[Prepared]) -> dict[str, datetime]:
    """Give for each case when the first case of its list starts."""
    starts: dict[int, datetime] = {}
    names = []
    for one in prepared:
        key = one.operating_list.id or 0
        starts[key] = min(starts.get(key, one.row.starts_at), one.row.starts_at)
        names.append((one.row.reference, key))
    return {name: starts[key] for name, key in names}


def _without_started(
    given: CheckInput, checked: Mapping[str, CaseCheck], now: datetime
) -> CheckInput:
    """Leave out cases that have started: what they took is taken, what they lacked is past."""
    started = {case.case for case in given.cases if case.starts <= now}
    holds = [claim for claim in given.holds if claim.case not in started]
    taken = (claim for name in sorted(started) for claim in checked[name].claims)
    cases = tuple(case for case in given.cases if case.case not in started)
    return replace(given, cases=cases, holds=(*holds, *taken))


def _claims(checked: Mapping[str, CaseCheck], before: Sequence[Claim]) -> list[Claim]:
    """Give what every case counts on: as checked, or as promised where it was not."""
    promised = [claim for claim in before if claim.case not in checked]
    return [*promised, *(claim for one in checked.values() for claim in one.claims)]
