"""Check a list day against stock: every case before it counts first."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

from service.core.constructs import DIMENSIONS
from service.core.cover import CaseCheck
from service.errors import BadInput, FieldFault
from service.operations.answers import case_out, troubles_of, unchecked
from service.operations.cases import the_case
from service.operations.holds import active_claims
from service.operations.lowered import confirmation_out
from service.operations.plans import Shop, open_shop
from service.operations.preparing import Prepared, prepare, run_check
from service.operations.schemas.checks import CaseCheckOut, CheckOut, DimensionOut, ListCheckOut
from service.operations.unit import Unit
from service.operations.words import CAUTION
from service.storage.queries import cases, confirmations
from service.storage.tables import Confirmation

__all__ = ["check_case", "check_day", "check_one", "check_prepared", "refuse_past"]


@dataclass(frozen=True, slots=True)
class _Told:
    """What checked cases are told by, read once for all of them."""

    shop: Shop
    checked: dict[str, CaseCheck]
    held: dict[str, set[str]]
    confirmed: dict[int, Confirmation]


def check_day(unit: Unit, day: date) -> CheckOut:
    """Check every list of a day, after the cases of the days before it.

    Raises
    ------
    BadInput
        When the day is in the past: stock as it is now says nothing about it.
    """
    refuse_past(unit, day)
    shop = open_shop(unit)
    return check_prepared(unit, shop, prepare(unit, shop, day), day)


def refuse_past(unit: Unit, day: date) -> None:
    """Refuse a day in the past: stock as it is now says nothing about it."""
    if day < unit.today:
        reason = f"{day} is in the past; today is {unit.today}"
        raise BadInput("The day cannot be checked.", faults=[FieldFault("/day", reason)])


def check_prepared(unit: Unit, shop: Shop, prepared: Sequence[Prepared], day: date) -> CheckOut:
    """Check a day whose cases, and those of the days before, have been prepared."""
    today = [one for one in prepared if one.operating_list.list_date == day]
    told = _told(unit, shop, prepared, today)
    rows = cases.lists_between(unit.session, unit.site_id, day, day)
    theatres: dict[str, list[CaseCheckOut]] = {row.theatre: [] for row in rows}
    troubles = []
    for one in today:
        result = told.checked.get(one.row.reference)
        out = _answer(unit, told, one)
        theatres[one.operating_list.theatre].append(out)
        if result is not None:
            troubles += troubles_of(result, one.operating_list.theatre)
    return CheckOut(
        date=day,
        checked_at=unit.local(unit.now),
        lists=[ListCheckOut(theatre=name, cases=own) for name, own in sorted(theatres.items())],
        troubles=troubles,
        caution=CAUTION,
    )


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
    shop = open_shop(unit)
    return check_one(unit, shop, prepare(unit, shop, day), reference)


def check_one(unit: Unit, shop: Shop, prepared: Sequence[Prepared], reference: str) -> CaseCheckOut:
    """Check one of the cases that have been prepared, after those before it."""
    (one,) = [one for one in prepared if one.row.reference == reference]
    return _answer(unit, _told(unit, shop, prepared, [one]), one)


def _told(
    unit: Unit, shop: Shop, prepared: Sequence[Prepared], wanted: Collection[Prepared]
) -> _Told:
    """Check prepared cases, and read what only the wanted ones are told by."""
    claims = active_claims(unit)
    held: dict[str, set[str]] = {one.row.reference: set() for one in wanted}
    for claim in claims:
        if claim.case in held:
            held[claim.case].add(claim.key)
    ids = [one.row.id for one in wanted if one.row.id is not None]
    confirmed = confirmations.newest(unit.session, ids)
    return _Told(shop, run_check(unit, prepared, claims), held, confirmed)


def _answer(unit: Unit, told: _Told, one: Prepared) -> CaseCheckOut:
    result = told.checked.get(one.row.reference)
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
    out = case_out(facts, result, told.shop, told.held[one.row.reference])
    row = told.confirmed.get(one.row.id or 0)
    return out.model_copy(update={"confirmation": confirmation_out(unit, row, out)})


def _why_unchecked(one: Prepared) -> str:
    if one.row.status == "closed":
        return "closed"
    return "not planned" if one.plan is None else "cannot be sized"
