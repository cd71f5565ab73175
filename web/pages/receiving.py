"""Receiving an order: scanned or typed, all of it saved at once or nothing."""

from collections.abc import Sequence
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.datastructures import FormData
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, NotFound, ServiceError
from service.operations import stock
from service.operations.orders import receiving, viewing
from service.operations.orders.arriving import Label, read_label, usual_places
from service.operations.rules import ORDER, requires
from service.operations.schemas.faults import faults_of
from service.operations.schemas.orders import ReceiptBody
from service.operations.schemas.orders_out import OrderOut
from web.forms import LongForm
from web.once import new_key, write_once
from web.receipts import Row, body_of, place_words, rows_of, start_rows, with_label
from web.render import page, work_of
from web.row_faults import RowFault, at_rows, whole_form, wrongs

__all__ = ["router"]

router = APIRouter()

_ASKED = ("lot", "serial", "use_by", "quantity", "to", "surplus", "although", "ref")
#: Store and shelf are typed in one field.
_WHERE = "name the shelf as it is offered: its store, a comma, and the shelf"


@router.get("/orders/{reference:path}/receive")
@requires(ORDER)
def show_receive(request: Request, reference: str) -> Response:
    """Show what is still to come, with a line to fill in for each item."""
    work = work_of(request)
    order = work.read(lambda unit: viewing.get_order(unit, reference))
    refs = [line.ref for line in order.items]
    usual = work.read(lambda unit: usual_places(unit, refs))
    return _show(request, order, start_rows(order, usual))


@router.post("/orders/{reference:path}/receive")
@requires(ORDER)
def receive(request: Request, reference: str, form: LongForm) -> Response:
    """Read a scanned code into the lines, or receive what the lines say."""
    values = {name: str(value) for name, value in form.items()}
    rows = rows_of(values)
    if values.get("act") == "read" or values.get("code", "").strip():
        return _read(request, reference, rows, values)
    if values.get("act") == "add":
        return _show(request, _order(request, reference), [*rows, _empty(rows)], form=form)
    return _receive(request, reference, rows, form)


def _empty(rows: Sequence[Row]) -> Row:
    return Row("", quantity="1", expected="1", to=rows[-1].to if rows else "")


def _order(request: Request, reference: str) -> OrderOut:
    return work_of(request).read(lambda unit: viewing.get_order(unit, reference))


def _read(
    request: Request, reference: str, rows: Sequence[Row], values: dict[str, str]
) -> Response:
    """Put a label into the lines; nothing is saved, and a refusal is an answer like any other."""
    raw, waiting = values.get("code", ""), values.get("waiting", "")
    order = _order(request, reference)
    key = values.get("once", "")
    if not raw.strip():
        return _show(
            request, order, rows, label=Label(refused="Scan or type a code first."), key=key
        )
    label = work_of(request).read(lambda unit: read_label(unit, reference, raw, waiting))
    if label.waits:
        return _show(request, order, rows, label=label, waiting=raw, key=key)
    if label.refused:
        return _show(request, order, rows, label=label, key=key)
    filled, place = with_label(rows, label, raw, waiting)
    return _show(request, order, filled, label=label, place=place, key=key)


def _receive(request: Request, reference: str, rows: Sequence[Row], form: FormData) -> Response:
    work, key = work_of(request), str(form.get("once", ""))
    lines, numbers = body_of(rows, work.read(stock.list_locations))
    if not lines:
        faults = whole_form("scan what came, or type its lot or serial")
        return _show(request, _order(request, reference), rows, faults=faults, form=form)
    try:
        body = ReceiptBody.model_validate({"lines": lines})
        write_once(
            request,
            key,
            body,
            lambda unit: receiving.receive_order(unit, reference, body),
            OrderOut,
        )
    except ValidationError as error:
        faults = _at_rows(faults_of(error.errors()), numbers, rows)
        return _show(request, _order(request, reference), rows, faults=faults, form=form)
    except NotFound:
        raise
    except ServiceError as error:
        faults = _at_rows(error.faults, numbers, rows) or whole_form(error.detail)
        return _show(request, _order(request, reference), rows, faults=faults, form=form)
    return RedirectResponse(f"/orders/{quote(reference)}?{urlencode({'did': 'received'})}", 303)


def _at_rows(
    faults: Sequence[FieldFault], numbers: Sequence[str], rows: Sequence[Row]
) -> list[RowFault]:
    said = [
        FieldFault(fault.pointer, _WHERE) if "/to/" in fault.pointer else fault for fault in faults
    ]
    return at_rows(said, numbers, lambda row: rows[int(row)].ref or "new line", _ASKED)


def _show(
    request: Request,
    order: OrderOut,
    rows: Sequence[Row],
    *,
    faults: Sequence[RowFault] = (),
    form: FormData | None = None,
    label: Label | None = None,
    place: int | None = None,
    waiting: str = "",
    key: str = "",
) -> Response:
    places = work_of(request).read(stock.list_locations)
    typed = "" if form is None else str(form.get("once", ""))
    return page(
        request,
        "receive.html",
        status=422 if faults else 200,
        order=order,
        lines={line.ref: line for line in order.items},
        rows=list(enumerate(rows)),
        faults=faults,
        wrongs=wrongs(faults),
        label=label,
        place=place,
        waiting=waiting,
        places=[place_words(one) for one in places if one.kind == "shelf"],
        once=key or typed or new_key(),
    )
