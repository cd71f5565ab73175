"""Loans at the site: made sterile here, and given back with what is missing."""

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import NotFound, ServiceError
from service.operations.orders import returning, sterilising, viewing
from service.operations.rules import MOVE_STOCK, ORDER, requires
from service.operations.schemas.faults import faults_of
from service.operations.schemas.orders import ReturnBody, SteriliseBody
from service.operations.schemas.orders_out import OrderOut, SterilisedOut
from web.forms import Filled, LongForm
from web.once import new_key, write_once
from web.pages.order import order_page
from web.render import page, work_of
from web.row_faults import RowFault, at_rows, whole_form, wrongs

__all__ = ["router"]

router = APIRouter()


@router.post("/orders/{reference:path}/sterilise")
@requires(MOVE_STOCK)
def make_sterile(request: Request, reference: str, values: Filled) -> Response:
    """Note that a lot of a loan has been reprocessed here."""
    given: dict[str, Any] = {
        name: values[name]
        for name in ("ref", "lot", "serial", "use_by", "note")
        if values.get(name)
    }
    try:
        body = SteriliseBody.model_validate({**given, "ownership": "loan"})
        write_once(
            request,
            values.get("once", ""),
            body,
            lambda unit: sterilising.make_sterile(unit, body),
            SterilisedOut,
        )
    except ValidationError as error:
        faults = at_rows(faults_of(error.errors()), (), str, ())
        return order_page(request, reference, status=422, faults=faults)
    except ServiceError as error:
        faults = at_rows(error.faults, (), str, ()) or whole_form(error.detail)
        return order_page(request, reference, status=422, faults=faults)
    return RedirectResponse(f"/orders/{quote(reference)}?{urlencode({'did': 'sterilised'})}", 303)


@router.get("/orders/{reference:path}/return")
@requires(ORDER)
def show_return(request: Request, reference: str) -> Response:
    """Show what of a loan is here, with what goes back and what is missing to fill in."""
    return _show(request, reference, {}, [])


@router.post("/orders/{reference:path}/return")
@requires(ORDER)
def give_back(request: Request, reference: str, form: LongForm) -> Response:
    """Send units of a loan back, and say which are missing."""
    values = {name: str(value).strip() for name, value in form.items() if name != "form_token"}
    lines, fields, names = _lines(values)
    if not lines:
        return _show(request, reference, values, whole_form("say how many go back, or are missing"))
    try:
        body = ReturnBody.model_validate({"lines": lines})
        write_once(
            request,
            values.get("once", ""),
            body,
            lambda unit: returning.give_back(unit, reference, body),
            OrderOut,
        )
    except ValidationError as error:
        return _show(request, reference, values, _at(faults_of(error.errors()), fields, names))
    except NotFound:
        raise
    except ServiceError as error:
        faults = _at(error.faults, fields, names) or whole_form(error.detail)
        return _show(request, reference, values, faults)
    return RedirectResponse(f"/orders/{quote(reference)}?{urlencode({'did': 'returned'})}", 303)


def _lines(values: Mapping[str, str]) -> tuple[list[dict[str, Any]], list[str], list[str]]:
    """Read the form: lines of the return, the field of each, and what each is called."""
    lines: list[dict[str, Any]] = []
    fields, names = [], []
    place = 0
    while f"ref-{place}" in values:
        which = {name: values.get(f"{name}-{place}", "") for name in ("ref", "lot", "serial")}
        for field in ("back", "missing"):
            typed = values.get(f"{field}-{place}", "")
            if typed in {"", "0"}:
                continue
            line: dict[str, Any] = {name: value for name, value in which.items() if value}
            line |= {"quantity": typed, "missing": field == "missing"}
            line |= {"note": values.get(f"note-{place}", "")}
            store, _, shelf = values.get(f"origin-{place}", "").rpartition(", ")
            if shelf:
                line["origin"] = {"store": store, "shelf": shelf}
            lines.append(line)
            fields.append(f"{field}-{place}")
            names.append(f"{which['ref']} {which['lot'] or which['serial']}")
        place += 1
    return lines, fields, names


def _at(faults: Any, fields: list[str], names: list[str]) -> list[RowFault]:  # noqa: ANN401 - faults of either kind
    found = []
    for fault in faults:
        parts = fault.pointer.strip("/").split("/")
        if len(parts) > 1 and parts[0] == "lines" and parts[1].isdigit():
            place = int(parts[1])
            found.append(RowFault(fields[place], names[place], fault.reason))
        else:
            found.append(RowFault("", "", fault.reason))
    return found


def _show(
    request: Request, reference: str, values: Mapping[str, str], faults: list[RowFault]
) -> Response:
    order = work_of(request).read(lambda unit: viewing.get_order(unit, reference))
    if order.kind != "loan":
        raise NotFound(f"Order {reference} is no loan; nothing of it goes back.")
    return page(
        request,
        "return.html",
        status=422 if faults else 200,
        order=order,
        here=list(enumerate(lot for lot in order.loan if lot.still_here)),
        typed=values,
        faults=faults,
        wrongs=wrongs(faults),
        once=values.get("once") or new_key(),
    )
