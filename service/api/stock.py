"""Locations, stock, movements and deliveries over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response

from service.api.access import GuardedRoute
from service.api.catalogue import link_to_next
from service.api.http import After, Limit, OnceDep, WorkDep
from service.operations import locations
from service.operations.orders import receive
from service.operations.people.permissions import KEEP_STOCK, MOVE_STOCK, ORDER, READ, requires
from service.operations.planning import lot_edits
from service.operations.recalls import notices, start
from service.operations.stock import movements, transfers, view
from service.schemas.base import Name, Ref
from service.schemas.recalls import LiftBody, RecallBody, RecallPage, RecallReport
from service.schemas.stock import (
    AnswerBody,
    ArrivalBody,
    AskBody,
    DeliveryBody,
    DeliveryList,
    DeliveryOut,
    ExpiringOut,
    LocationBody,
    LocationOut,
    LotOut,
    MovementOut,
    StockPage,
    TransferOut,
    Transfers,
    UseByBody,
)
from service.schemas.trays import MovementBody

router = APIRouter(tags=["stock"], route_class=GuardedRoute)


@router.get("/locations")
@requires(READ)
def list_locations(work: WorkDep) -> list[LocationOut]:
    """Return every location, by store and shelf."""
    return work.read(locations.list_locations)


@router.post("/locations", status_code=201)
@requires(KEEP_STOCK)
def add_location(once: OnceDep, body: LocationBody) -> LocationOut:
    """Add a shelf, a quarantine place or a theatre."""
    return once.write(lambda unit: locations.add_location(unit, body), body, LocationOut)


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
    """Return what lies where, by REF and lot."""
    page = work.read(
        lambda unit: movements.list_stock(
            unit, ref=ref, kind=kind, system=system, store=store, after=after, limit=limit
        )
    )
    link_to_next(request, response, page.next_after)
    return page


@router.post("/movements", status_code=201)
@requires(MOVE_STOCK)
def record_movement(once: OnceDep, body: MovementBody) -> MovementOut:
    """Receive, move or count units; what a count finds different goes to the ledger."""
    return once.write(lambda unit: movements.record_movement(unit, body), body, MovementOut)


@router.post("/lots/use-by", status_code=201)
@requires(KEEP_STOCK)
def correct_use_by(once: OnceDep, body: UseByBody) -> LotOut:
    """Put right the use-by date of a lot that was typed wrongly; cases are checked again."""
    return once.write(lambda unit: lot_edits.correct_use_by(unit, body), body, LotOut)


@router.get("/deliveries")
@requires(READ)
def list_deliveries(work: WorkDep) -> DeliveryList:
    """Return what is on its way, the earliest first."""
    return work.read(movements.list_deliveries)


@router.post("/deliveries", status_code=201)
@requires(ORDER)
def add_delivery(once: OnceDep, body: DeliveryBody) -> DeliveryOut:
    """Note what is on its way: an order that has been sent, or one more line of it."""
    return once.write(lambda unit: receive.add_delivery(unit, body), body, DeliveryOut)


@router.get("/expiring")
@requires(READ)
def expiring(
    work: WorkDep,
    days: Annotated[int, Query(ge=0, le=3650, description="How many days ahead")] = 90,
) -> ExpiringOut:
    """Return what expires soon, its value, and the first coming case that could use it."""
    return work.read(lambda unit: view.expiring(unit, days))


NoticeInPath = Annotated[Ref, Path(description="The supplier's notice number, as entered")]


@router.post("/recalls", status_code=201)
@requires(KEEP_STOCK)
def start_recall(once: OnceDep, body: RecallBody) -> RecallReport:
    """Put a recall in force: where every unit is, and off the shelves if asked, in one call."""
    return once.write(lambda unit: start.start_recall(unit, body), body, RecallReport)


@router.get("/recalls")
@requires(READ)
def list_recalls(
    work: WorkDep, request: Request, response: Response, after: After = "", limit: Limit = 100
) -> RecallPage:
    """Return recalls, the newest first; lifted ones stay on record."""
    page = work.read(lambda unit: notices.list_recalls(unit, after=after, limit=limit))
    link_to_next(request, response, page.next_after)
    return page


@router.get("/recalls/{notice:path}")
@requires(READ)
def get_recall(work: WorkDep, notice: NoticeInPath) -> RecallReport:
    """Report where every unit of a recall is, was or went."""
    return work.read(lambda unit: notices.get_recall(unit, notice))


@router.post("/recalls/{notice:path}/lift")
@requires(KEEP_STOCK)
def lift_recall(once: OnceDep, notice: NoticeInPath, body: LiftBody) -> RecallReport:
    """End a recall of your site, or ask for it where a second person has to agree.

    What lies in quarantine stays there until somebody releases it.
    """
    return once.write(lambda unit: start.lift_recall(unit, notice, body), body, RecallReport)


Key = Annotated[int, Path(gt=0, le=10**9, description="The transfer's number")]


@router.get("/transfers")
@requires(READ)
def list_transfers(work: WorkDep) -> Transfers:
    """Return every transfer that the site asks for or is asked for."""
    return work.read(transfers.list_transfers)


@router.post("/transfers", status_code=201)
@requires(KEEP_STOCK)
def ask(once: OnceDep, body: AskBody) -> TransferOut:
    """Ask another site for units."""
    return once.write(lambda unit: transfers.ask_for_units(unit, body), body, TransferOut)


@router.post("/transfers/{key}/answer", status_code=201)
@requires(KEEP_STOCK)
def answer(once: OnceDep, key: Key, body: AnswerBody) -> TransferOut:
    """Agree to a transfer and say which units go now, or refuse it."""
    return once.write(lambda unit: transfers.answer_transfer(unit, key, body), body, TransferOut)


@router.post("/transfers/{key}/arrivals", status_code=201)
@requires(KEEP_STOCK)
def receive_transfer(once: OnceDep, key: Key, body: ArrivalBody) -> TransferOut:
    """Say what became of units in transit: arrived, damaged, or missing."""
    return once.write(lambda unit: transfers.receive_transfer(unit, key, body), body, TransferOut)
