"""Suppliers and holidays: when an order counts, and from when a lead time runs."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from sqlalchemy.exc import IntegrityError

from service.core.shortfalls.deadlines import Calendar
from service.core.shortfalls.ways import SupplierTerms
from service.errors import Conflict, NotFound
from service.operations.work import Unit, require_version
from service.schemas.suppliers import (
    HolidayBody,
    HolidayList,
    HolidayOut,
    SupplierBody,
    SupplierList,
    SupplierOut,
)
from service.storage.queries import suppliers
from service.storage.tables import Holiday, Supplier

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def list_suppliers(unit: Unit) -> SupplierList:
    """Return every supplier, by name, and whom the catalogue names besides."""
    rows = suppliers.all_suppliers(unit.session)
    known = {row.name for row in rows}
    named = suppliers.names_in_catalogue(unit.session)
    return SupplierList(
        suppliers=[_out(row) for row in rows],
        unknown=[name for name in named if name and name not in known],
    )


def get_supplier(unit: Unit, name: str) -> SupplierOut:
    """Return one supplier."""
    row = suppliers.find_supplier(unit.session, name)
    if row is None:
        raise NotFound(f"Supplier {name} was not found.")
    return _out(row)


def put_supplier(unit: Unit, name: str, body: SupplierBody, version: int | None) -> SupplierOut:
    """Add a supplier (no version) or change one that has not been changed since it was read.

    Raises
    ------
    NotFound
        When a version is sent of a supplier of whom nothing is known.
    Stale
        When somebody else has changed it meanwhile, or it is there and no version was sent.
    """
    row = suppliers.find_supplier(unit.session, name)
    if row is None:
        if version is not None:
            raise NotFound(f"Supplier {name} was not found.")
        row = Supplier(name=name, **columns_of(body))
        unit.session.add(row)
    else:
        require_version(row.version, version or 0, f"Supplier {name}")
        row.sqlmodel_update(columns_of(body))
        row.version += 1
    try:
        unit.session.flush()
    except IntegrityError as error:
        # Another transaction added the same name between our look and our write.
        raise Conflict(f"Supplier {name} has just been added by someone else.") from error
    return _out(row)


def columns_of(body: SupplierBody) -> dict[str, Any]:
    """Return a supplier's columns from what was sent."""
    facts = body.model_dump(exclude={"cut_off"})
    clock = body.cut_off
    return {**facts, "cut_off_minute": None if clock is None else clock.hour * 60 + clock.minute}


def _out(row: Supplier) -> SupplierOut:
    minute = row.cut_off_minute
    cut_off = None if minute is None else f"{minute // 60:02}:{minute % 60:02}"
    return SupplierOut.model_validate({**row.model_dump(), "cut_off": cut_off})


def list_holidays(unit: Unit) -> HolidayList:
    """Return the site's holidays, the earliest first."""
    rows = suppliers.holidays(unit.session, unit.site_id)
    return HolidayList(holidays=[_holiday(row) for row in rows])


def put_holiday(unit: Unit, day: date, body: HolidayBody) -> HolidayOut:
    """Keep a day free of deliveries, or name it anew."""
    row = unit.session.get(Holiday, (unit.site_id, day))
    if row is None:
        row = Holiday(site_id=unit.site_id, day=day, name=body.name)
        unit.session.add(row)
    row.name = body.name
    try:
        unit.session.flush()
    except IntegrityError as error:
        raise Conflict(f"{day} has just been made a closed day by someone else.") from error
    return _holiday(row)


def remove_holiday(unit: Unit, day: date) -> None:
    """Make a day an ordinary one again."""
    row = unit.session.get(Holiday, (unit.site_id, day))
    if row is None:
        raise NotFound(f"{day} is not a closed day at this site.")
    unit.session.delete(row)


def _holiday(row: Holiday) -> HolidayOut:
    facts = {"day": row.day, "weekday": _WEEKDAYS[row.day.weekday()], "name": row.name}
    return HolidayOut.model_validate(facts)


def terms_of(unit: Unit, names: Iterable[str]) -> Mapping[str, SupplierTerms]:
    """Return the terms of suppliers by name, the site's holidays left out of their days.

    Of whom nothing is known every day counts, there is no cut-off, and whether they lend is not
    known; ``is_known`` tells.
    """
    free = suppliers.holiday_dates(unit.session, unit.site_id)
    rows = {row.name: row for row in suppliers.all_suppliers(unit.session)}
    found = {}
    for name in names:
        row = rows.get(name)
        if row is None:
            found[name] = SupplierTerms(name, Calendar(holidays=free), is_known=False, lends=None)
        else:
            calendar = Calendar(row.works_on, free, row.cut_off_minute)
            found[name] = SupplierTerms(name, calendar, is_known=True, lends=row.is_loan_lender)
    return found
