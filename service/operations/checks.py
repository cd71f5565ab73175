"""Check a list day against stock: every case before it counts first."""

from datetime import date

from service.core.constructs import DIMENSIONS
from service.core.cover import CaseCheck
from service.errors import BadInput, FieldFault
from service.operations.answers import case_out, troubles_of, unchecked
from service.operations.cases import the_case
from service.operations.lowered import confirmation_out
from service.operations.planner import planner_of
from service.operations.preparing import Prepared, check_until, prepare
from service.operations.schemas.checks import CaseCheckOut, CheckOut, DimensionOut, ListCheckOut
from service.operations.unit import Unit
from service.operations.words import CAUTION
from service.storage.queries import cases

__all__ = ["check_case", "check_day", "check_one", "refuse_past"]


def check_day(unit: Unit, day: date) -> CheckOut:
    """Check every list of a day, after the cases of the days before it.

    Raises
    ------
    BadInput
        When the day is in the past: stock as it is now says nothing about it.
    """
    refuse_past(unit, day)
    today = [one for one in prepare(unit, day) if one.operating_list.list_date == day]
    checked = check_until(unit, day)
    rows = cases.lists_between(unit.session, unit.site_id, day, day)
    theatres: dict[str, list[CaseCheckOut]] = {row.theatre: [] for row in rows}
    troubles = []
    planner_of(unit).confirmations_of([one.row.id for one in today if one.row.id is not None])
    for one in today:
        result = checked.get(one.row.reference)
        theatres[one.operating_list.theatre].append(_answer(unit, one, result))
        if result is not None:
            troubles += troubles_of(result, one.operating_list.theatre)
    return CheckOut(
        date=day,
        checked_at=unit.local(unit.now),
        lists=[ListCheckOut(theatre=name, cases=own) for name, own in sorted(theatres.items())],
        troubles=troubles,
        caution=CAUTION,
    )


def refuse_past(unit: Unit, day: date) -> None:
    """Refuse a day in the past: stock as it is now says nothing about it."""
    if day < unit.today:
        reason = f"{day} is in the past; today is {unit.today}"
        raise BadInput("The day cannot be checked.", faults=[FieldFault("/day", reason)])


def check_case(unit: Unit, reference: str) -> CaseCheckOut:
    """Check one case against stock, after everything that starts before it.

    Raises
    ------
    NotFound
        When there is no such case.
    BadInput
        When its list day is in the past, or it has been cancelled.
    """
    row = the_case(unit, reference)
    day = unit.local(row.starts_at).date()
    if row.status == "cancelled" or day < unit.today:
        why = "has been cancelled" if row.status == "cancelled" else f"was on {day}"
        raise BadInput(f"Case {reference} {why}: there is nothing to pick for it.")
    return check_one(unit, reference, day)


def check_one(unit: Unit, reference: str, day: date) -> CaseCheckOut:
    """Check one of the cases of a day, after those before it."""
    (one,) = [one for one in prepare(unit, day) if one.row.reference == reference]
    return _answer(unit, one, check_until(unit, day).get(reference))


def _answer(unit: Unit, one: Prepared, result: CaseCheck | None) -> CaseCheckOut:
    planner = planner_of(unit)
    dimensions = [
        DimensionOut(
            dimension=key,
            meaning=DIMENSIONS[key],
            mean_mm=known.estimate.mean_mm,
            sd_mm=known.estimate.sd_mm,
            calibrated=known.estimate.calibrated,
            basis=known.basis,
        )
        for key, known in one.dimensions.items()
    ]
    facts = {
        "case": one.row.reference,
        "position": one.row.position,
        "starts_at": unit.local(one.row.starts_at),
        "ends_at": unit.local(one.row.ends_at),
        "side": one.row.side,
        "plan_revision": one.plan.revision if one.plan else None,
        "dimensions": dimensions,
    }
    if result is None:
        return unchecked(facts, one.says, _why_unchecked(one))
    held = {claim.key for claim in planner.claims if claim.case == one.row.reference}
    out = case_out(facts, result, planner, held)
    row = planner.confirmations_of([one.row.id or 0]).get(one.row.id or 0)
    return out.model_copy(update={"confirmation": confirmation_out(unit, row, out)})


def _why_unchecked(one: Prepared) -> str:
    if one.row.status == "closed":
        return "closed"
    return "not planned" if one.plan is None else "cannot be sized"
