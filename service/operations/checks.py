"""Check a list day against stock: every case before it counts first."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.core.constructs import DIMENSIONS, read_planned
from service.core.cover import CaseCheck, CaseToCheck, ConstructToCheck, check_cases
from service.core.estimates import Dimension, Measurements, estimate_dimensions
from service.core.gaps import Parcel
from service.core.items import ItemFacts
from service.core.requirements import by_kind, construct_lines, near_line
from service.core.sizing import SizingError
from service.errors import BadInput, FieldFault
from service.operations.answers import case_out, troubles_of, unchecked
from service.operations.cases import the_case
from service.operations.plans import Shop, faults_of_construct, open_shop, plan_body
from service.operations.schemas.cases import PlanBody
from service.operations.schemas.checks import CaseCheckOut, CheckOut, DimensionOut, ListCheckOut
from service.operations.sizing import values_in_force
from service.operations.unit import Unit
from service.operations.words import CAUTION
from service.storage.queries import cases, catalogue, stock
from service.storage.tables import OperatingList, Plan, SurgicalCase

__all__ = ["check_case", "check_day"]


@dataclass(frozen=True, slots=True)
class _Bench:
    """Everything the planner needs, read once for all cases."""

    shop: Shop
    catalogue: Mapping[str, Sequence[ItemFacts]]
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class _Prepared:
    """A case ready to be checked, or the sentence why it cannot be."""

    operating_list: OperatingList
    row: SurgicalCase
    plan: Plan | None
    case: CaseToCheck | None
    dimensions: Mapping[str, Dimension]
    says: str


def check_day(unit: Unit, day: date) -> CheckOut:
    """Check every list of a day, after the cases of the days before it.

    Raises
    ------
    BadInput
        When the day is in the past: stock as it is now says nothing about it.
    """
    if day < unit.today:
        reason = f"{day} is in the past; today is {unit.today}"
        raise BadInput("The day cannot be checked.", faults=[FieldFault("/date", reason)])
    shop = open_shop(unit)
    prepared = _prepare(unit, shop, day)
    checked = _checked(unit, prepared)
    today = [one for one in prepared if one.operating_list.list_date == day]
    rows = cases.lists_between(unit.session, unit.site_id, day, day)
    theatres: dict[str, list[CaseCheckOut]] = {row.theatre: [] for row in rows}
    troubles = []
    for one in today:
        result = checked.get(one.row.reference)
        out = _answer(unit, shop, one, result)
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
    prepared = _prepare(unit, shop, day)
    checked = _checked(unit, prepared)
    (one,) = [one for one in prepared if one.row.reference == reference]
    return _answer(unit, shop, one, checked.get(reference))


def _answer(unit: Unit, shop: Shop, one: _Prepared, result: CaseCheck | None) -> CaseCheckOut:
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
        return unchecked(facts, one.says, planned=one.plan is not None)
    return case_out(facts, result, shop.templates)


def _checked(unit: Unit, prepared: Sequence[_Prepared]) -> dict[str, CaseCheck]:
    results = check_cases(
        [one.case for one in prepared if one.case is not None],
        parcels(unit),
        catalogue.turnarounds(unit.session),
        unit.zone,
    )
    return {result.case.case: result for result in results}


def _prepare(unit: Unit, shop: Shop, last: date) -> list[_Prepared]:
    bench = _Bench(shop, by_kind(shop.facts), values_in_force(unit))
    pairs = cases.cases_between(unit.session, unit.site_id, min(unit.today, last), last)
    plans = cases.latest_plans(unit.session, [key for _, case in pairs if (key := case.id)])
    return [
        _prepare_case(bench, operating_list, row, plans.get(row.id or 0))
        for operating_list, row in pairs
    ]


def _prepare_case(
    bench: _Bench, operating_list: OperatingList, row: SurgicalCase, plan: Plan | None
) -> _Prepared:
    dimensions: Mapping[str, Dimension] = {}
    if plan is None:
        says = "Not planned yet: choose what is planned and what stands by."
        return _Prepared(operating_list, row, None, None, dimensions, says)
    body = plan_body(plan)
    faults = [
        fault
        for text in (body.primary, *body.alternates)
        for fault in faults_of_construct(read_planned(text), bench.shop)
    ]
    if faults:
        says = f"The plan no longer fits the catalogue: {faults[0]}."
        return _Prepared(operating_list, row, plan, None, dimensions, says)
    try:
        measurements = Measurements(**row.measurements)
        dimensions = estimate_dimensions(measurements, row.sex, bench.values)
        constructs = _constructs(bench, row, body, dimensions)
    except SizingError as error:
        says = f"The measurements cannot be used: {error.reason}"
        return _Prepared(operating_list, row, plan, None, dimensions, says)
    near = tuple(near_line(one.kind, one.reason, bench.catalogue) for one in body.near)
    case = CaseToCheck(
        row.reference, operating_list.list_date, row.starts_at, row.ends_at, constructs, near
    )
    return _Prepared(operating_list, row, plan, case, dimensions, "")


def _constructs(
    bench: _Bench, row: SurgicalCase, body: PlanBody, dimensions: Mapping[str, Dimension]
) -> tuple[ConstructToCheck, ...]:
    planned = (body.primary, *body.alternates)
    return tuple(
        ConstructToCheck(
            text,
            construct_lines(
                read_planned(text),
                templates=bench.shop.templates,
                side=row.side,
                catalogue=bench.catalogue,
                dimensions=dimensions,
                values=bench.values,
                is_primary=place == 0,
                with_spares=not body.alternates,
            ),
        )
        for place, text in enumerate(planned)
    )


def parcels(unit: Unit) -> list[Parcel]:
    """Give everything there is and everything on its way, as the planner sees it."""
    here = stock.stock_rows(unit.session, site_id=unit.site_id, filters={})
    coming = stock.deliveries_due(unit.session, unit.site_id)
    return [_parcel(row) for row in here] + [_due_parcel(row) for row in coming]


def _parcel(row: Row[Any]) -> Parcel:
    blocked = None
    if row.location_kind == "quarantine":
        blocked = "quarantined"
    elif row.sterility == "unsterile":
        blocked = "unsterile"
    return Parcel(
        key=f"{row.lot_id}@{row.location_id}",
        ref=row.ref,
        quantity=row.quantity - row.held,
        held=row.held,
        lot=row.lot_number,
        serial=row.serial,
        store=row.store,
        shelf=row.shelf,
        use_by=row.use_by,
        ownership=row.ownership,
        return_by=row.return_by,
        blocked=blocked,
    )


def _due_parcel(row: Row[Any]) -> Parcel:
    return Parcel(
        key=f"due {row.id}",
        ref=row.ref,
        quantity=row.quantity,
        lot=f"delivery {row.reference}",
        ownership=row.ownership,
        return_by=row.return_by,
        due_at=row.due_at,
        usable_from=row.usable_from,
    )
