"""Suppliers, closed days, and our details on orders."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, NotFound, ServiceError, Stale
from service.exchange.sheets.cells import CellProblem
from service.exchange.sheets.money import CURRENCIES, amount_text, minor_units, price
from service.operations import suppliers
from service.operations.orders import export
from service.operations.people.permissions import ORDER, READ, SET_UP, requires
from service.operations.work import Unit
from service.schemas.base import Name, OptionalText
from service.schemas.faults import faults_of
from service.schemas.orders import BuyerBody
from service.schemas.suppliers import HolidayBody, HolidayOut, SupplierBody, SupplierList
from web.forms import Filled, new_key, version_of, write_once
from web.render import page, work_of

router = APIRouter()


DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


_EVERY_DAY = "1111111"


_TEXTS = ("currency", "endpoint_id", "endpoint_scheme", "country")


class _HolidayForm(BaseModel):
    """A day and what it is called; without a name it is an ordinary one again."""

    day: date
    name: Name | None


class _HolidayChanges(BaseModel):
    """The holidays a form has changed."""

    holidays: list[HolidayOut]


@router.get("/suppliers")
@requires(READ)
def show_suppliers(
    request: Request,
    name: Annotated[OptionalText, Query()] = "",
    done: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show suppliers, holidays and the buyer, with the form of one supplier."""
    return _show(request, about=name, done=done)


@router.post("/suppliers")
@requires(ORDER)
def put_supplier(request: Request, values: Filled) -> Response:
    """Say how a supplier works, new or read before."""
    name, version = values.get("name", "").strip(), version_of(values)
    given, faults = _supplier(values)
    if not name:
        faults = [*faults, FieldFault("/name", "enter the supplier's name as the catalogue has it")]
    if faults:
        return _show(request, about=name, values=values, faults=faults)
    try:
        body = SupplierBody.model_validate(given)
        work_of(request).write(
            lambda unit: suppliers.put_supplier(unit, name, body, version or None)
        )
    except ValidationError as error:
        return _show(request, about=name, values=values, faults=faults_of(error.errors()))
    except ServiceError as error:
        return _refused(request, error, about=name, values=values)
    return RedirectResponse("/suppliers?done=supplier", status_code=303)


def _supplier(values: Mapping[str, str]) -> tuple[dict[str, Any], list[FieldFault]]:
    """Read the form of a supplier; money is typed in the major unit."""
    given: dict[str, Any] = {name: values.get(name, "").strip() for name in _TEXTS}
    given["works_on"] = "".join("1" if values.get(f"works-{day}") else "0" for day in DAYS)
    if values.get("cut_off", "").strip():
        given["cut_off"] = values["cut_off"]
    given["is_loan_lender"] = values.get("is_loan_lender") == "yes"
    typed = values.get("minimum_order", "").strip()
    if not typed:
        return given, []
    if given["currency"] not in CURRENCIES:
        return given, [FieldFault("/currency", "a minimum order needs a currency, such as GBP")]
    amount = price(typed)
    minor = amount if isinstance(amount, CellProblem) else minor_units(amount, given["currency"])  # type: ignore[arg-type] # price gives an amount or a problem
    if isinstance(minor, CellProblem):
        return given, [FieldFault("/minimum_order", minor.reason)]
    given["minimum_order_minor"] = minor
    return given, []


@router.post("/suppliers/holidays")
@requires(ORDER)
def change_holidays(request: Request, values: Filled) -> Response:
    """Keep a day free of deliveries, or make it an ordinary one again."""
    try:
        asked = _HolidayForm.model_validate(
            {
                "day": values.get("day", ""),
                "name": values.get("holiday") or None,
            }
        )
        if asked.name is None and values.get("act") != "remove":
            faults = [FieldFault("/holiday", "enter a name for the day")]
            return _show(request, values=values, faults=faults)
        key = values.get("once", "")
        write_once(request, key, asked, lambda unit: _set_holiday(unit, asked), _HolidayChanges)
    except ValidationError as error:
        return _show(request, values=values, faults=faults_of(error.errors()))
    except ServiceError as error:
        return _refused(request, error, values=values)
    return RedirectResponse("/suppliers?done=holiday", status_code=303)


def _set_holiday(unit: Unit, asked: _HolidayForm) -> _HolidayChanges:
    if asked.name is None:
        suppliers.remove_holiday(unit, asked.day)
    else:
        suppliers.put_holiday(unit, asked.day, HolidayBody(name=asked.name))
    return _HolidayChanges(holidays=suppliers.list_holidays(unit).holidays)


@router.post("/suppliers/buyer")
@requires(SET_UP)
def put_buyer(request: Request, values: Filled) -> Response:
    """Say who this site is on electronic orders."""
    given = {name: values.get(f"buyer_{name}", "").strip() for name in BuyerBody.model_fields}
    version = version_of(values)
    try:
        body = BuyerBody.model_validate(given)
        work_of(request).write(lambda unit: export.put_buyer(unit, body, version))
    except ValidationError as error:
        faults = [_of_buyer(fault) for fault in faults_of(error.errors())]
        return _show(request, values=values, faults=faults)
    except ServiceError as error:
        return _refused(request, error, values=values)
    return RedirectResponse("/suppliers?done=buyer", status_code=303)


def _of_buyer(fault: FieldFault) -> FieldFault:
    return FieldFault(f"/buyer_{fault.pointer.removeprefix('/')}", fault.reason)


def _refused(
    request: Request, error: ServiceError, values: Mapping[str, str], about: str = ""
) -> Response:
    if isinstance(error, NotFound):
        raise error
    if isinstance(error, Stale):
        return _show(request, about=about, values=values, stale=error.detail)
    faults = [*error.faults] or [FieldFault("", error.detail)]
    return _show(request, about=about, values=values, faults=faults)


def _show(
    request: Request,
    *,
    about: str = "",
    done: str = "",
    values: Mapping[str, str] | None = None,
    faults: Sequence[FieldFault] = (),
    stale: str = "",
) -> Response:
    work = work_of(request)
    known = work.read(suppliers.list_suppliers)
    buyer = work.read(export.get_buyer)
    typed = values or {}
    is_supplier = "minimum_order" in typed
    as_it_is, version = _form_of(known, about)
    buyer_now = {f"buyer_{name}": getattr(buyer, name) for name in BuyerBody.model_fields}
    return page(
        request,
        "suppliers.html",
        status=412 if stale else 422 if faults else 200,
        known=known,
        holidays=work.read(suppliers.list_holidays).holidays,
        about=about,
        fields=typed if is_supplier else as_it_is,
        version=version,
        buyer=buyer,
        buyer_fields=typed if "buyer_legal_name" in typed else buyer_now,
        holiday_fields=typed if "holiday" in typed else {},
        days=DAYS,
        done=done,
        faults=faults,
        stale=stale,
        new_key=new_key,
    )


def _form_of(known: SupplierList, name: str) -> tuple[dict[str, str], int]:
    """Return a supplier as its form shows it, with its version; every day for who is not known."""
    one = next((each for each in known.suppliers if each.name == name), None)
    works_on = _EVERY_DAY if one is None else one.works_on
    fields = {
        f"works-{day}": "yes" for day, works in zip(DAYS, works_on, strict=True) if works == "1"
    }
    fields["name"] = name
    if one is None:
        return fields, 0
    amount = one.minimum_order_minor
    fields["minimum_order"] = amount_text(amount, one.currency) if amount else ""
    fields["cut_off"] = one.cut_off or ""
    fields["is_loan_lender"] = "yes" if one.is_loan_lender else ""
    return fields | {text: getattr(one, text) for text in _TEXTS}, one.version
