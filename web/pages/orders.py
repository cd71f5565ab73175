"""Orders, loans and call-offs: what is open, what is to be paid, what is closed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, NotFound, ServiceError, Stale
from service.exchange.sheets.cells import CellProblem
from service.exchange.sheets.money import CURRENCIES, amount_text, minor_units, price
from service.operations.cover.served import cases_served
from service.operations.orders import draft, export, progress
from service.operations.orders import view as viewing
from service.operations.orders.board import order_board
from service.operations.people.permissions import ORDER, READ, requires
from service.operations.work import Unit
from service.schemas.base import OptionalText
from service.schemas.faults import faults_of
from service.schemas.orders import (
    BillBody,
    CancelBody,
    CancelRemainingBody,
    DraftBody,
    DueBody,
    EditBody,
    OrderLineOut,
    OrderOut,
    Orders,
    ReceiptOut,
    SendBody,
)
from web.forms import (
    Filled,
    FormFault,
    LongForm,
    answered_before,
    at_rows,
    faults_by_field,
    new_key,
    version_of,
    whole_form,
    write_once,
)
from web.render import page, work_of

router = APIRouter()


_PAGE = 50


_VIEWS = (
    ("", "Open"),
    ("loans", "Loans to return"),
    ("bill-only", "Consignment used"),
    ("closed", "Closed"),
)


@router.get("/orders")
@requires(READ)
def show_orders(
    request: Request,
    view: Annotated[OptionalText, Query()] = "",
    state: Annotated[OptionalText, Query()] = "",
    after: Annotated[OptionalText, Query()] = "",
    done: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show the open orders by what is to be done, loans, what is to be paid, or closed orders."""
    return _open_orders(request, view=view, state=state, after=after, done=done)


def _open_orders(
    request: Request,
    *,
    view: str = "",
    state: str = "",
    after: str = "",
    done: str = "",
    faults: Sequence[FormFault] = (),
    values: Mapping[str, str] | None = None,
) -> Response:
    work = work_of(request)
    shown = view if view in dict(_VIEWS) else ""
    closed = None
    if shown == "closed":
        closed = work.read(
            lambda unit: viewing.list_orders(
                unit,
                state="cancelled" if state == "cancelled" else "received",
                after=after,
                limit=_PAGE,
            )
        )
    return page(
        request,
        "orders.html",
        view=shown,
        state=state,
        tabs=[
            (f"/orders?view={key}" if key else "/orders", name, key == shown)
            for key, name in _VIEWS
        ],
        board=work.read(order_board),
        unbilled=work.read(draft.unbilled).suppliers,
        closed=closed,
        first=f"/orders?{urlencode({'view': shown, 'state': state})}" if after else "",
        more=f"/orders?{urlencode({'view': shown, 'state': state, 'after': closed.next_after})}"
        if closed is not None and closed.next_after
        else "",
        drafted=answered_before(request, done, Orders),
        new_key=new_key,
        status=422 if faults else 200,
        faults=faults,
        wrongs=faults_by_field(faults),
        typed=values or {},
    )


@router.post("/orders/bill-only")
@requires(ORDER)
def draft_bills(request: Request, values: Filled) -> Response:
    """Put consigned units that were used on drafts that pay for them."""
    body, key = BillBody(supplier=values.get("supplier") or None), values.get("once", "")
    write_once(request, key, body, lambda unit: draft.draft_bills(unit, body), Orders)
    return RedirectResponse(f"/orders?{urlencode({'done': key})}", status_code=303)


@router.post("/orders/new")
@requires(ORDER)
def new_draft(request: Request, values: Filled) -> Response:
    """Put one item on a draft of its supplier."""
    key = values.get("once", "")
    line = {"ref": values.get("ref", ""), "quantity": values.get("quantity", "")}
    try:
        body = DraftBody.model_validate({"kind": values.get("kind", ""), "lines": [line]})
        write_once(request, key, body, lambda unit: draft.draft_orders(unit, body), Orders)
    except ValidationError as error:
        faults = at_rows(faults_of(error.errors()), (), str, ())
        return _open_orders(request, faults=faults, values=values)
    except ServiceError as error:
        faults = at_rows(error.faults, (), str, ()) or whole_form(error.detail)
        return _open_orders(request, faults=faults, values=values)
    return RedirectResponse(f"/orders?{urlencode({'done': key})}", status_code=303)


#: The row for a line that is not there yet.
NEW = "new"


@dataclass(frozen=True, slots=True)
class LineFields:
    """One line: its row in the form, and what stands in the fields."""

    row: str
    line: OrderLineOut
    typed: dict[str, str]
    is_off: bool


def line_fields(order: OrderOut, typed: Mapping[str, str]) -> list[LineFields]:
    """Return the lines of an order with what was typed, or else with what they are."""
    found = []
    for place, line in enumerate(order.items):
        row = str(place)
        if typed:
            # Somebody else may have added a line meanwhile.
            row = next(
                (key for key in _rows(typed) if key != NEW and typed[f"ref-{key}"] == line.ref), row
            )
        amount = ""
        if line.unit_price_minor is not None and order.currency is not None:
            amount = amount_text(line.unit_price_minor, order.currency)
        fields = {f"quantity-{row}": str(line.wanted), f"price-{row}": amount}
        fields |= {name: typed[name] for name in fields if name in typed}
        found.append(LineFields(row, line, fields, typed.get(f"off-{row}") == "yes"))
    return found


def _rows(typed: Mapping[str, str]) -> list[str]:
    return [name.removeprefix("ref-") for name in typed if name.startswith("ref-")]


def edit_of(typed: Mapping[str, str]) -> tuple[dict[str, Any], list[str], list[FormFault]]:
    """Read the form of a draft.

    Returns
    -------
    tuple
        The edit as it is sent on, the form's row of each of its lines, and what cannot be read.
    """
    currency = typed.get("currency", "").strip().upper()
    body: dict[str, Any] = {"lines": []}
    for name in ("note", "wanted_for", "return_by"):
        if typed.get(name, "").strip():
            body[name] = typed[name]
    if currency:
        body["currency"] = currency
    rows, faults = [], []
    for row in _rows(typed):
        ref = typed[f"ref-{row}"].strip()
        if typed.get(f"off-{row}") == "yes" or (row == NEW and not ref):
            continue
        line: dict[str, Any] = {"ref": ref, "quantity": typed.get(f"quantity-{row}", "").strip()}
        if f"price-{row}" in typed:
            amount, fault = _amount(typed[f"price-{row}"].strip(), currency)
            line["unit_price_minor"] = amount
            if fault:
                faults.append(FormFault(f"price-{row}", f"{ref}, Price", fault))
        rows.append(row)
        body["lines"].append(line)
    return body, rows, faults


def _amount(text: str, currency: str) -> tuple[int | None, str]:
    """Read a price; an empty one is unknown."""
    if not text:
        return None, ""
    if currency not in CURRENCIES:
        return None, "a price needs a currency: enter the currency of the order"
    amount = price(text)
    if not isinstance(amount, Decimal):
        return None, amount.reason if isinstance(amount, CellProblem) else str(amount)
    minor = minor_units(amount, currency)
    return (minor, "") if isinstance(minor, int) else (None, minor.reason)


@router.get("/orders/{reference:path}/order.csv")
@requires(READ)
def order_csv(request: Request, reference: str) -> Response:
    """Return an order as a CSV file."""
    data = work_of(request).read(lambda unit: export.csv_of(unit, reference))
    return _file(data, "text/csv; charset=utf-8", reference, "csv")


@router.get("/orders/{reference:path}/order.xml")
@requires(READ)
def order_xml(request: Request, reference: str) -> Response:
    """Return a sent order as UBL 2.1, or say on its page what it lacks."""
    try:
        data = work_of(request).read(lambda unit: export.xml_of(unit, reference))
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
    request: Request, reference: str, values: Mapping[str, str], faults: Sequence[FormFault]
) -> Response:
    return order_page(request, reference, status=422, faults=faults, values=values)


class _Decision(BaseModel):
    """What was decided, about which version."""

    act: str
    version: int
    body: str


Operation = Callable[[Unit, str, Any, int], OrderOut]


_ACTS: dict[str, tuple[tuple[str, ...], type[BaseModel], Operation]] = {
    "send": (("due_at",), SendBody, progress.send_order),
    "due": (("due_at",), DueBody, progress.set_due_moments),
    "cancel": (
        ("reason",),
        CancelBody,
        lambda unit, name, body, _: progress.cancel_order(unit, name, body),
    ),
    "let_go": (
        ("reason",),
        CancelRemainingBody,
        lambda unit, name, body, _: progress.cancel_remaining(unit, name, body),
    ),
}


_DID = {
    "approve": "Approved. It is not sent yet: send it to the supplier, then mark it as sent.",
    "send": "Marked as sent. It is on order now, and in stock once it is booked in.",
    "due": "The delivery date is saved.",
    "cancel": "Cancelled.",
    "let_go": "The rest is cancelled.",
    "lines": "The draft is saved.",
    "received": "Booked in.",
    "returned": "Returned: it is no longer in stock.",
    "sterilised": "Marked as sterile: it can be counted on now.",
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
    saved = draft.change_order(unit, reference, body, version)
    return progress.approve_order(unit, reference, saved.version) if then == "approve" else saved


def _at_lines(
    faults: Sequence[FieldFault], rows: Sequence[str], values: Mapping[str, str]
) -> list[FormFault]:
    return at_rows(
        faults, rows, lambda row: values.get(f"ref-{row}", ""), ("quantity", "price", "ref")
    )


@router.get("/orders/{reference:path}")
@requires(READ)
def show_order(
    request: Request,
    reference: str,
    did: Annotated[OptionalText, Query()] = "",
    done: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show an order, and what can be done with it now."""
    booked = answered_before(request, done, OrderOut)
    receipts = [] if booked is None or booked.reference != reference else booked.receipts
    # What is booked in at once has one moment.
    latest = [one for one in receipts if one.at == max(each.at for each in receipts)]
    return order_page(request, reference, did=_DID.get(did, ""), booked_in=latest)


def order_page(
    request: Request,
    reference: str,
    *,
    status: int = 200,
    did: str = "",
    stale: str = "",
    faults: Sequence[FormFault] = (),
    lacks: Sequence[str] = (),
    booked_in: Sequence[ReceiptOut] = (),
    values: Mapping[str, str] | None = None,
) -> Response:
    """Show an order with what a form of it said, and what is wrong with that."""
    work = work_of(request)
    order = work.read(lambda unit: viewing.get_order(unit, reference))
    typed = values or {}
    return page(
        request,
        "order.html",
        status=status,
        order=order,
        booked_in=booked_in,
        served=work.read(lambda unit: cases_served(unit, booked_in)) if booked_in else [],
        lines=line_fields(order, typed),
        did=did,
        stale=stale,
        faults=faults,
        wrongs=faults_by_field(faults),
        lacks=lacks,
        typed=typed,
        new_key=new_key,
    )
