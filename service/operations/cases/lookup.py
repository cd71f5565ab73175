"""Lists and cases on record: look up, and say what is no longer possible for one that has ended."""

from collections.abc import Collection
from datetime import date, datetime, time
from typing import Any

from service.core.case_times import ends_on, next_shown, readings
from service.core.sizing.film import Measurements, implausible_lengths
from service.errors import BadInput, Conflict, FieldFault, NotFound
from service.operations.people.audit import list_audit
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.schemas.base import Out
from service.schemas.cases import ENDS_LATE, CaseFields, CaseOut, ListDays, ListOut, PlanOut
from service.storage.queries import cases
from service.storage.tables import ENDED_STATUSES, OperatingList, Plan, SurgicalCase

_MOST_DAYS = 62


#: A case in one of these may be brought something.
OPEN_STATUSES = frozenset({"planned", "prepared", "in_theatre"})


def list_days(unit: Unit, first: date, last: date) -> ListDays:
    """Return the lists from one day to another, at most two months."""
    if not 0 <= (last - first).days <= _MOST_DAYS:
        reason = f"choose a period of 0 to {_MOST_DAYS} days"
        raise BadInput("This period cannot be shown.", faults=[FieldFault("/last", reason)])
    pairs = cases.cases_between(unit.session, unit.site_id, first, last)
    plans = planner_of(unit).plans_of([key for _, case in pairs if (key := case.id)])
    lists = []
    for row in cases.lists_between(unit.session, unit.site_id, first, last):
        own = [_out(unit, row, case, plans.get(case.id or 0)) for one, case in pairs if one is row]
        lists.append(ListOut(list_date=row.list_date, theatre=row.theatre, cases=own))
    return ListDays(lists=lists)


def get_case(unit: Unit, reference: str) -> CaseOut:
    """Return one case with the newest revision of its plan."""
    row = require_case(unit, reference)
    operating_list = unit.session.get_one(OperatingList, row.list_id)
    return _out(unit, operating_list, row, newest_plan(unit, row))


def newest_plan(unit: Unit, case: SurgicalCase) -> Plan | None:
    """Return the newest revision of a case's plan."""
    key = case.id or 0
    return planner_of(unit).plans_of([key]).get(key)


def require_case(unit: Unit, reference: str) -> SurgicalCase:
    """Return a case's row, or say that there is none."""
    row = planner_of(unit).find_case(reference)
    if row is None:
        raise NotFound(f"Case {reference} was not found.")
    unit.session.info.setdefault("cases", set()).add(reference)
    return row


def refuse_ended(case: SurgicalCase, says: str, ended: Collection[str] = ENDED_STATUSES) -> None:
    """Refuse what a case that has ended does not allow any more, and say why."""
    if case.status in ended:
        raise Conflict(f"Case {case.reference} is {case.status}; {says}.")


def list_of(unit: Unit, day: date, theatre: str) -> OperatingList:
    """Return a list, made if it is not there yet."""
    row = cases.find_list(unit.session, unit.site_id, day, theatre)
    if row is None:
        row = OperatingList(site_id=unit.site_id, list_date=day, theatre=theatre)
        unit.session.add(row)
        unit.session.flush()
    return row


def case_columns(unit: Unit, body: CaseFields) -> dict[str, Any]:
    """Return the columns of a case's row."""
    _refuse_implausible(unit, body)
    last_day = ends_on(body.list_date, body.starts, body.ends)
    starts_at = _moment(unit, body, "starts", body.list_date)
    ends_at = _moment(unit, body, "ends", last_day)
    if ends_at <= starts_at:
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ends", ENDS_LATE)])
    return {
        "list_id": list_of(unit, body.list_date, body.theatre).id,
        "position": body.position,
        "starts_at": starts_at,
        "ends_at": ends_at,
        "side": body.side,
        "sex": body.sex,
        "fracture_class": body.fracture_class,
        "class_year": body.class_year,
        "findings": body.findings.model_dump(mode="json"),
        "measurements": body.measurements.model_dump(mode="json"),
    }


def _refuse_implausible(unit: Unit, body: CaseFields) -> None:
    """Ask back what no patient measures; without figures nothing can be scaled."""
    values = planner_of(unit).values
    if not values:
        return
    given = Measurements(**body.measurements.model_dump())
    faults = [
        FieldFault(f"/measurements{one.pointer}", one.reason)
        for one in implausible_lengths(given, values)
    ]
    if faults:
        raise BadInput("Nothing was saved.", faults=faults)


def _moment(unit: Unit, body: CaseFields, field: str, day: date | None) -> datetime:
    """Return the one moment that is meant, or ask which, or say that there is none."""
    if day is None:
        raise BadInput("Nothing was saved.", faults=[FieldFault(f"/{field}", ENDS_LATE)])
    clock: time = getattr(body, field)
    found = readings(day, clock, unit.zone)
    if len(found) == 1 or (found and body.twice is not None):
        return found[0] if body.twice != "second" else found[-1]
    if found:
        said = " or ".join(f"{unit.local(one):%H:%M (UTC%z)}" for one in found)
        reason = (
            f"the clocks go back on {day}, so {clock:%H:%M} occurs twice: choose in 'twice' "
            f"whether the first or the second is meant, {said}"
        )
    else:
        shown = next_shown(day, clock, unit.zone)
        reason = (
            f"the clocks go forward on {day}, so {clock:%H:%M} does not exist; use {shown:%H:%M}"
        )
    raise BadInput("Nothing was saved.", faults=[FieldFault(f"/{field}", reason)])


def _twice_of(unit: Unit, row: SurgicalCase) -> str | None:
    """Say which reading a case's times are, where one comes twice."""
    for moment in (row.starts_at, row.ends_at):
        local = unit.local(moment)
        if len(readings(local.date(), local.time().replace(fold=0), unit.zone)) > 1:
            return "second" if local.fold else "first"
    return None


def _out(
    unit: Unit, operating_list: OperatingList, row: SurgicalCase, plan: Plan | None
) -> CaseOut:
    facts = row.model_dump()
    facts["list_date"] = operating_list.list_date
    facts["theatre"] = operating_list.theatre
    facts["starts_at"] = unit.local(row.starts_at)
    facts["ends_at"] = unit.local(row.ends_at)
    facts["twice"] = _twice_of(unit, row)
    facts["plan"] = None if plan is None else plan_out(unit, plan)
    return CaseOut.model_validate(facts)


def plan_out(unit: Unit, plan: Plan) -> PlanOut:
    """Return a revision of a plan as it is answered."""
    return PlanOut.model_validate(
        {
            **plan.body,
            "revision": plan.revision,
            "made_at": unit.local(plan.made_at),
            "actor": plan.actor,
        }
    )


class EventOut(Out):
    """Something that reopened a case."""

    at: datetime
    kind: str
    says: str
    actor: str


def events_of(unit: Unit, reference: str) -> list[EventOut]:
    """Return what has happened to a case, the newest first."""
    case = require_case(unit, reference)
    return [
        EventOut(at=unit.local(row.at), kind=row.kind, says=row.says, actor=row.actor)
        for row in cases.events(unit.session, case.id or 0)
    ]


#: Lines of the trail that are looked through; a line may only mention the case.
_LOOKED_AT = 50


class LastChange(Out):
    """The moment of a change, on the site's clock, and whose it was."""

    at: datetime
    actor: str


def last_change_of(unit: Unit, reference: str) -> LastChange | None:
    """Return the newest change of a case that the audit trail knows; none when it knows none."""
    told = list_audit(unit, person="", case=reference, lot="", before=None, limit=_LOOKED_AT)
    for line in told.lines:
        if line.outcome == "done" and reference in line.facts.get("cases", ()):
            return LastChange(at=line.at, actor=line.actor)
    return None
