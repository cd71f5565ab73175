"""Orders, loans and call-offs over HTTP, and what goes out to suppliers."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request, Response

from service.api.access import GuardedRoute
from service.api.catalogue import link_to_next
from service.api.http import Actor, After, Limit, OnceDep, OptionalVersion, Version, WorkDep, etag
from service.operations import suppliers
from service.operations.orders import draft as drafting
from service.operations.orders import export, loans, progress, view
from service.operations.orders import receive as receiving
from service.operations.people.permissions import MOVE_STOCK, ORDER, READ, SET_UP, requires
from service.operations.stock import reprocessing
from service.schemas.base import Day, Name, Ref
from service.schemas.orders import (
    BillBody,
    BillOnly,
    BuyerBody,
    BuyerOut,
    CancelBody,
    CancelRemainingBody,
    DraftBody,
    DueBody,
    EditBody,
    Loans,
    OrderOut,
    OrderPage,
    Orders,
    ReceiptBody,
    ReturnBody,
    SendBody,
    SteriliseBody,
    SterilisedOut,
)
from service.schemas.suppliers import (
    HolidayBody,
    HolidayList,
    HolidayOut,
    SupplierBody,
    SupplierList,
    SupplierOut,
)

router = APIRouter(tags=["orders and loans"], route_class=GuardedRoute)


Reference = Annotated[Ref, Path(description="The order's reference")]


_CSV: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/csv": {"schema": {"type": "string"}}}}
}


_XML: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/xml": {"schema": {"type": "string"}}}}
}


@router.get("/orders")
@requires(READ)
def list_orders(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    request: Request,
    response: Response,
    state: Annotated[
        Literal["draft", "approved", "sent", "received", "cancelled"] | None, Query()
    ] = None,
    kind: Annotated[Literal["purchase", "loan", "call_off", "bill_only"] | None, Query()] = None,
    supplier: Annotated[Name | None, Query()] = None,
    late: Annotated[bool | None, Query(description="Overdue deliveries only")] = None,
    after: After = "",
    limit: Limit = 100,
) -> OrderPage:
    """Return orders, the newest first."""
    page = work.read(
        lambda unit: view.list_orders(
            unit, state=state, kind=kind, supplier=supplier, late=late, after=after, limit=limit
        )
    )
    link_to_next(request, response, page.next_after)
    return page


@router.post("/orders", status_code=201)
@requires(ORDER)
def draft(once: OnceDep, body: DraftBody) -> Orders:
    """Put what is wanted on drafts, one a supplier, in whole packs."""
    return once.write(lambda unit: drafting.draft_orders(unit, body), body, Orders)


@router.get("/orders/bill_only")
@requires(READ)
def unbilled(work: WorkDep) -> BillOnly:
    """Return consigned units that were used and are on no order yet."""
    return work.read(drafting.unbilled)


@router.post("/orders/bill_only", status_code=201)
@requires(ORDER)
def draft_bills(once: OnceDep, body: BillBody) -> Orders:
    """Put them on bill-only drafts of their suppliers, each use once."""
    return once.write(lambda unit: drafting.draft_bills(unit, body), body, Orders)


@router.get("/orders/loans")
@requires(READ)
def list_loans(
    work: WorkDep,
    overdue: Annotated[bool, Query(description="Overdue returns only")] = False,
) -> Loans:
    """Return the loans that are here, those to go back first at the top."""
    return work.read(lambda unit: loans.list_loans(unit, overdue=overdue))


@router.get("/orders/buyer")
@requires(READ)
def get_buyer(work: WorkDep, response: Response) -> BuyerOut:
    """Return who this site is on electronic orders."""
    buyer = work.read(export.get_buyer)
    response.headers["ETag"] = etag(buyer.version)
    return buyer


@router.put("/orders/buyer")
@requires(SET_UP)
def put_buyer(
    work: WorkDep, actor: Actor, body: BuyerBody, version: Version, response: Response
) -> BuyerOut:
    """Say who this site is on electronic orders."""
    buyer = work.write(lambda unit: export.put_buyer(unit, body, version), actor)
    response.headers["ETag"] = etag(buyer.version)
    return buyer


@router.get("/orders/{reference:path}/order.csv", response_class=Response, responses=_CSV)
@requires(READ)
def order_csv(work: WorkDep, reference: Reference) -> Response:
    """Return an order as a CSV file, safe to open in a spreadsheet."""
    return Response(
        work.read(lambda unit: export.csv_of(unit, reference)),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="order.csv"'},
    )


@router.get("/orders/{reference:path}/order.xml", response_class=Response, responses=_XML)
@requires(READ)
def order_xml(work: WorkDep, reference: Reference) -> Response:
    """Return a sent order as UBL 2.1 for Peppol ordering; 409 names what it lacks."""
    return Response(
        work.read(lambda unit: export.xml_of(unit, reference)),
        media_type="application/xml",
        headers={"Content-Disposition": 'attachment; filename="order.xml"'},
    )


@router.get("/orders/{reference:path}")
@requires(READ)
def get_order(work: WorkDep, reference: Reference, response: Response) -> OrderOut:
    """Return an order with its lines, what came, what went back, and what it pays for."""
    return _tagged(response, work.read(lambda unit: view.get_order(unit, reference)))


@router.put("/orders/{reference:path}/lines")
@requires(ORDER)
def change_order(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    reference: Reference,
    body: EditBody,
    version: Version,
    response: Response,
) -> OrderOut:
    """Change a draft you have read; an approved order has to be approved again."""
    changed = work.write(lambda unit: drafting.change_order(unit, reference, body, version), actor)
    return _tagged(response, changed)


@router.put("/orders/{reference:path}/due")
@requires(ORDER)
def set_moments(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    actor: Actor,
    reference: Reference,
    body: DueBody,
    version: Version,
    response: Response,
) -> OrderOut:
    """Note the moment a supplier has named for a sent order, or for one of its lines."""
    changed = work.write(
        lambda unit: progress.set_due_moments(unit, reference, body, version), actor
    )
    return _tagged(response, changed)


@router.post("/orders/{reference:path}/approve")
@requires(ORDER)
def approve(once: OnceDep, reference: Reference, version: Version, response: Response) -> OrderOut:
    """Approve a draft as you have read it."""
    done = once.write(lambda unit: progress.approve_order(unit, reference, version), None, OrderOut)
    return _tagged(response, done)


@router.post("/orders/{reference:path}/send")
@requires(ORDER)
def send(
    once: OnceDep, reference: Reference, body: SendBody, version: Version, response: Response
) -> OrderOut:
    """Note that an approved order has gone out; it is due from its lead times, or as told."""
    done = once.write(
        lambda unit: progress.send_order(unit, reference, body, version), body, OrderOut
    )
    return _tagged(response, done)


@router.post("/orders/{reference:path}/cancel")
@requires(ORDER)
def cancel(once: OnceDep, reference: Reference, body: CancelBody, response: Response) -> OrderOut:
    """Cancel an order of which nothing has come."""
    done = once.write(lambda unit: progress.cancel_order(unit, reference, body), body, OrderOut)
    return _tagged(response, done)


@router.post("/orders/{reference:path}/let_go")
@requires(ORDER)
def let_go(
    once: OnceDep, reference: Reference, body: CancelRemainingBody, response: Response
) -> OrderOut:
    """Expect no longer what is outstanding."""
    done = once.write(lambda unit: progress.cancel_remaining(unit, reference, body), body, OrderOut)
    return _tagged(response, done)


@router.post("/orders/{reference:path}/receive")
@requires(ORDER)
def receive(once: OnceDep, reference: Reference, body: ReceiptBody, response: Response) -> OrderOut:
    """Receive what came: all lines, or none; scanned or typed."""
    done = once.write(lambda unit: receiving.receive_order(unit, reference, body), body, OrderOut)
    return _tagged(response, done)


@router.post("/orders/{reference:path}/return")
@requires(ORDER)
def give_back(
    once: OnceDep, reference: Reference, body: ReturnBody, response: Response
) -> OrderOut:
    """Send units of a loan back, and say which are missing: all lines, or none."""
    done = once.write(lambda unit: loans.return_loan(unit, reference, body), body, OrderOut)
    return _tagged(response, done)


@router.post("/sterilisations", status_code=201)
@requires(MOVE_STOCK)
def make_sterile(once: OnceDep, body: SteriliseBody) -> SterilisedOut:
    """Note that a lot has been reprocessed here and is sterile."""
    return once.write(lambda unit: reprocessing.make_sterile(unit, body), body, SterilisedOut)


def _tagged(response: Response, order: OrderOut) -> OrderOut:
    response.headers["ETag"] = etag(order.version)
    return order


NameInPath = Annotated[Name, Path(description="The supplier's name, as the catalogue has it")]


DayInPath = Annotated[Day, Path(description="A date, local to the site")]


@router.get("/suppliers")
@requires(READ)
def list_suppliers(work: WorkDep) -> SupplierList:
    """Return every supplier with its working days, and those of whom only the name is known."""
    return work.read(suppliers.list_suppliers)


@router.get("/suppliers/{name:path}")
@requires(READ)
def get_supplier(work: WorkDep, name: NameInPath, response: Response) -> SupplierOut:
    """Return one supplier."""
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
    """Return the days on which the site neither sends nor receives."""
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
