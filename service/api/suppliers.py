"""Suppliers and days without deliveries, over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Response

from service.api.access import GuardedRoute
from service.api.deps import Actor, OnceDep, OptionalVersion, WorkDep, etag
from service.operations import suppliers
from service.operations.rules import ORDER, READ, requires
from service.operations.schemas.base import Day, Name
from service.operations.schemas.suppliers import (
    HolidayBody,
    HolidayList,
    HolidayOut,
    SupplierBody,
    SupplierList,
    SupplierOut,
)

__all__ = ["router"]

router = APIRouter(tags=["supply"], route_class=GuardedRoute)

NameInPath = Annotated[Name, Path(description="The supplier's name, as the catalogue has it")]
DayInPath = Annotated[Day, Path(description="A date at the site")]


@router.get("/suppliers")
@requires(READ)
def list_suppliers(work: WorkDep) -> SupplierList:
    """Give every supplier with its working days, and those of whom only the name is known."""
    return work.read(suppliers.list_suppliers)


@router.get("/suppliers/{name:path}")
@requires(READ)
def get_supplier(work: WorkDep, name: NameInPath, response: Response) -> SupplierOut:
    """Give one supplier."""
    found = work.read(lambda unit: suppliers.get_supplier(unit, name))
    response.headers["ETag"] = etag(found.version)
    return found


@router.put("/suppliers/{name:path}")
@requires(ORDER)
def put_supplier(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    name: NameInPath,
    body: SupplierBody,
    version: OptionalVersion,
    response: Response,
) -> SupplierOut:
    """Add a supplier, or change one you have read (then with If-Match)."""
    stored = work.write(lambda unit: suppliers.put_supplier(unit, name, body, version), actor)
    response.headers["ETag"] = etag(stored.version)
    return stored


@router.get("/holidays")
@requires(READ)
def list_holidays(work: WorkDep) -> HolidayList:
    """Give the days on which the site neither sends nor receives."""
    return work.read(suppliers.list_holidays)


@router.put("/holidays/{day}")
@requires(ORDER)
def put_holiday(once: OnceDep, day: DayInPath, body: HolidayBody) -> HolidayOut:
    """Keep a day free of deliveries, or name it anew."""
    return once.write(lambda unit: suppliers.put_holiday(unit, day, body), body, HolidayOut)


@router.delete("/holidays/{day}", status_code=204)
@requires(ORDER)
def remove_holiday(work: WorkDep, actor: Actor, day: DayInPath) -> None:
    """Make a day an ordinary one again."""
    work.write(lambda unit: suppliers.remove_holiday(unit, day), actor)
