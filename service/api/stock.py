"""Locations, stock, movements and deliveries over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from service.api.access import GuardedRoute
from service.api.deps import After, Limit, OnceDep, WorkDep
from service.api.items import link_to_next
from service.operations import ledger, stock
from service.operations.orders import deliveries
from service.operations.rules import KEEP_STOCK, MOVE_STOCK, ORDER, READ, requires
from service.operations.schemas.base import Name, Ref
from service.operations.schemas.ledger import MovementBody
from service.operations.schemas.stock import (
    DeliveryBody,
    DeliveryList,
    DeliveryOut,
    LocationBody,
    LocationOut,
    MovementOut,
    StockPage,
)

__all__ = ["router"]

router = APIRouter(tags=["stock"], route_class=GuardedRoute)


@router.get("/locations")
@requires(READ)
def list_locations(work: WorkDep) -> list[LocationOut]:
    """Give every location, by store and shelf."""
    return work.read(stock.list_locations)


@router.post("/locations", status_code=201)
@requires(KEEP_STOCK)
def add_location(once: OnceDep, body: LocationBody) -> LocationOut:
    """Add a shelf, a quarantine place or a theatre."""
    return once.write(lambda unit: stock.add_location(unit, body), body, LocationOut)


@router.get("/stock")
@requires(READ)
def list_stock(  # noqa: PLR0917 - FastAPI fills the parameters by name
    work: WorkDep,
    request: Request,
    response: Response,
    ref: Annotated[Ref | None, Query()] = None,
    kind: Annotated[Name | None, Query()] = None,
    system: Annotated[Name | None, Query()] = None,
    store: Annotated[Name | None, Query()] = None,
    after: After = "",
    limit: Limit = 100,
) -> StockPage:
    """Give what lies where, by REF and lot."""
    page = work.read(
        lambda unit: stock.list_stock(
            unit, ref=ref, kind=kind, system=system, store=store, after=after, limit=limit
        )
    )
    link_to_next(request, response, page.next_after)
    return page


@router.post("/movements", status_code=201)
@requires(MOVE_STOCK)
def record_movement(once: OnceDep, body: MovementBody) -> MovementOut:
    """Receive, move or count units; what a count finds different goes to the ledger."""
    return once.write(lambda unit: ledger.record(unit, body), body, MovementOut)


@router.get("/deliveries")
@requires(READ)
def list_deliveries(work: WorkDep) -> DeliveryList:
    """Give what is on its way, the earliest first."""
    return work.read(stock.list_deliveries)


@router.post("/deliveries", status_code=201)
@requires(ORDER)
def add_delivery(once: OnceDep, body: DeliveryBody) -> DeliveryOut:
    """Note what is on its way: an order that has been sent, or one more line of it."""
    return once.write(lambda unit: deliveries.add_delivery(unit, body), body, DeliveryOut)
