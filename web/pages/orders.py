"""Orders, loans and call-offs: what is open, what is to be paid, what is closed."""

from collections.abc import Mapping, Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import ServiceError
from service.operations.orders import billing, drafting, viewing
from service.operations.orders.board import board_of
from service.operations.rules import ORDER, READ, requires
from service.operations.schemas.base import OptionalText
from service.operations.schemas.faults import faults_of
from service.operations.schemas.orders import (
    BillBody,
    DraftBody,
)
from service.operations.schemas.orders_out import Orders
from web.forms import Filled
from web.once import done_by, new_key, write_once
from web.render import page, work_of
from web.row_faults import RowFault, at_rows, whole_form, wrongs

__all__ = ["router"]

router = APIRouter()

_PAGE = 50
_VIEWS = (
    ("", "Open"),
    ("loans", "Loans here"),
    ("bill-only", "Used, to be paid"),
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
    faults: Sequence[RowFault] = (),
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
        board=work.read(board_of),
        unbilled=work.read(billing.unbilled).suppliers,
        closed=closed,
        first=f"/orders?{urlencode({'view': shown, 'state': state})}" if after else "",
        more=f"/orders?{urlencode({'view': shown, 'state': state, 'after': closed.next_after})}"
        if closed is not None and closed.next_after
        else "",
        drafted=done_by(request, done, Orders),
        new_key=new_key,
        status=422 if faults else 200,
        faults=faults,
        wrongs=wrongs(faults),
        typed=values or {},
    )


@router.post("/orders/bill-only")
@requires(ORDER)
def draft_bills(request: Request, values: Filled) -> Response:
    """Put consigned units that were used on drafts that pay for them."""
    body, key = BillBody(supplier=values.get("supplier") or None), values.get("once", "")
    write_once(request, key, body, lambda unit: billing.draft_bills(unit, body), Orders)
    return RedirectResponse(f"/orders?{urlencode({'done': key})}", status_code=303)


@router.post("/orders/new")
@requires(ORDER)
def new_draft(request: Request, values: Filled) -> Response:
    """Put one item on a draft of its supplier."""
    key = values.get("once", "")
    line = {"ref": values.get("ref", ""), "quantity": values.get("quantity", "")}
    try:
        body = DraftBody.model_validate({"kind": values.get("kind", ""), "lines": [line]})
        write_once(request, key, body, lambda unit: drafting.draft(unit, body), Orders)
    except ValidationError as error:
        faults = at_rows(faults_of(error.errors()), (), str, ())
        return _open_orders(request, faults=faults, values=values)
    except ServiceError as error:
        faults = at_rows(error.faults, (), str, ()) or whole_form(error.detail)
        return _open_orders(request, faults=faults, values=values)
    return RedirectResponse(f"/orders?{urlencode({'done': key})}", status_code=303)
