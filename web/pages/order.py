"""One order: what is decided about it, its lines while it is a draft, and its files."""

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, NotFound, ServiceError, Stale
from service.exchange.money import written
from service.operations.orders import deciding, drafting, exporting, viewing
from service.operations.rules import ORDER, READ, requires
from service.operations.schemas.base import OptionalText
from service.operations.schemas.faults import faults_of
from service.operations.schemas.orders import (
    CancelBody,
    DueBody,
    EditBody,
    LetGoBody,
    SendBody,
)
from service.operations.schemas.orders_out import OrderOut
from service.operations.unit import Unit
from web.forms import Filled, LongForm, version_of
from web.once import new_key, write_once
from web.order_lines import edit_of, line_fields
from web.render import page, work_of
from web.row_faults import RowFault, at_rows, whole_form, wrongs

__all__ = ["order_page", "router"]

router = APIRouter()


@router.get("/orders/{reference:path}/order.csv")
@requires(READ)
def order_csv(request: Request, reference: str) -> Response:
    """Give an order as a CSV file."""
    data = work_of(request).read(lambda unit: exporting.csv_of(unit, reference))
    return _file(data, "text/csv; charset=utf-8", reference, "csv")


@router.get("/orders/{reference:path}/order.xml")
@requires(READ)
def order_xml(request: Request, reference: str) -> Response:
    """Give a sent order as UBL 2.1, or say on its page what it lacks."""
    try:
        data = work_of(request).read(lambda unit: exporting.xml_of(unit, reference))
    except NotFound:
        raise
    except ServiceError as error:
        lacks = [fault.reason for fault in error.faults] or [error.detail]
        return order_page(request, reference, status=409, lacks=lacks)
    return _file(data, "application/xml", reference, "xml")


def _file(data: bytes, media_type: str, reference: str, ending: str) -> Response:
    name = "".join(one if one.isascii() and one.isalnum() else "-" for one in reference)
    disposition = f'attachment; filename="{name}.{ending}"'
    return Response(data, media_type=media_type, headers={"Content-Disposition": disposition})


@router.post("/orders/{reference:path}/decide")
@requires(ORDER)
def decide(request: Request, reference: str, values: Filled) -> Response:
    """Send, put off, cancel or let go, as the form says."""
    act, key = values.get("act", ""), values.get("once", "")
    if act not in _ACTS:
        raise NotFound("There is nothing of that name to do with an order. Nothing was saved.")
    fields, kind, operation = _ACTS[act]
    given = {name: values[name] for name in fields if values.get(name)}
    try:
        body = kind.model_validate(given)
        asked = _Decision(act=act, version=version_of(values), body=body.model_dump_json())
        write_once(
            request,
            key,
            asked,
            lambda unit: operation(unit, reference, body, asked.version),
            OrderOut,
        )
    except ValidationError as error:
        return _wrong(request, reference, values, at_rows(faults_of(error.errors()), (), str, ()))
    except NotFound:
        raise
    except Stale as error:
        return order_page(request, reference, status=412, stale=error.detail, values=values)
    except ServiceError as error:
        faults = at_rows(error.faults, (), str, ()) or whole_form(error.detail)
        return _wrong(request, reference, values, faults)
    return RedirectResponse(f"/orders/{quote(reference)}?{urlencode({'did': act})}", 303)


def _wrong(
    request: Request, reference: str, values: Mapping[str, str], faults: Sequence[RowFault]
) -> Response:
    return order_page(request, reference, status=422, faults=faults, values=values)


class _Decision(BaseModel):
    """What was decided, about which version."""

    act: str
    version: int
    body: str


Operation = Callable[[Unit, str, Any, int], OrderOut]
_ACTS: dict[str, tuple[tuple[str, ...], type[BaseModel], Operation]] = {
    "send": (("due_at",), SendBody, deciding.send),
    "due": (("due_at",), DueBody, deciding.set_moments),
    "cancel": (
        ("reason",),
        CancelBody,
        lambda unit, name, body, _: deciding.cancel(unit, name, body),
    ),
    "let_go": (
        ("reason",),
        LetGoBody,
        lambda unit, name, body, _: deciding.let_go(unit, name, body),
    ),
}
_DID = {
    "approve": "Approved. Send it now: nobody is told by this program.",
    "send": "Noted as sent. It counts as on its way, and as stock once it has been received.",
    "due": "The new moment is noted.",
    "cancel": "Cancelled.",
    "let_go": "What was outstanding is expected no longer.",
    "lines": "The draft is saved.",
    "received": "Received, and on its shelf.",
    "returned": "Noted: what went back has left the stock.",
    "sterilised": "Noted as sterile: it counts as cover from now on.",
}


@router.post("/orders/{reference:path}/lines")
@requires(ORDER)
def change_lines(request: Request, reference: str, form: LongForm) -> Response:
    """Change a draft that nobody has changed since it was read."""
    values = {name: str(value) for name, value in form.items() if name != "form_token"}
    given, rows, faults = edit_of(values)
    if not rows:
        faults = whole_form("an order has at least one line; cancel it instead")
    if faults:
        return _wrong(request, reference, values, faults)
    version = version_of(values)
    work = work_of(request)
    try:
        body = EditBody.model_validate(given)
        work.write(lambda unit: _save(unit, reference, body, version, values.get("then", "")))
    except ValidationError as error:
        return _wrong(
            request, reference, values, _at_lines(faults_of(error.errors()), rows, values)
        )
    except NotFound:
        raise
    except Stale as error:
        return order_page(request, reference, status=412, stale=error.detail, values=values)
    except ServiceError as error:
        faults = _at_lines(error.faults, rows, values) or whole_form(error.detail)
        return _wrong(request, reference, values, faults)
    did = "approve" if values.get("then") == "approve" else "lines"
    return RedirectResponse(f"/orders/{quote(reference)}?{urlencode({'did': did})}", 303)


def _save(unit: Unit, reference: str, body: EditBody, version: int, then: str) -> OrderOut:
    """Save a draft, and approve it as it then is when that was asked, too."""
    saved = drafting.change_order(unit, reference, body, version)
    return deciding.approve(unit, reference, saved.version) if then == "approve" else saved


def _at_lines(
    faults: Sequence[FieldFault], rows: Sequence[str], values: Mapping[str, str]
) -> list[RowFault]:
    return at_rows(
        faults, rows, lambda row: values.get(f"ref-{row}", ""), ("quantity", "price", "ref")
    )


@router.get("/orders/{reference:path}")
@requires(READ)
def show_order(
    request: Request, reference: str, did: Annotated[OptionalText, Query()] = ""
) -> Response:
    """Show an order, and what can be done with it now."""
    return order_page(request, reference, did=_DID.get(did, ""))


def order_page(
    request: Request,
    reference: str,
    *,
    status: int = 200,
    did: str = "",
    stale: str = "",
    faults: Sequence[RowFault] = (),
    lacks: Sequence[str] = (),
    values: Mapping[str, str] | None = None,
) -> Response:
    """Show an order with what a form of it said, and what is wrong with that."""
    order = work_of(request).read(lambda unit: viewing.get_order(unit, reference))
    typed = values or {}
    return page(
        request,
        "order.html",
        status=status,
        order=order,
        money=written,
        lines=line_fields(order, typed),
        did=did,
        stale=stale,
        faults=faults,
        wrongs=wrongs(faults),
        lacks=lacks,
        typed=typed,
        new_key=new_key,
    )
