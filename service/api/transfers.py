"""Transfers between sites over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path

from service.api.access import GuardedRoute
from service.api.deps import OnceDep, WorkDep
from service.operations import transfers
from service.operations.rules import KEEP_STOCK, READ, requires
from service.operations.schemas.transfers import AnswerBody, AskBody, TransferOut, Transfers

__all__ = ["router"]

router = APIRouter(prefix="/transfers", tags=["transfers"], route_class=GuardedRoute)

Key = Annotated[int, Path(gt=0, le=10**9, description="The transfer's number")]


@router.get("")
@requires(READ)
def list_transfers(work: WorkDep) -> Transfers:
    """Give every transfer that the site asks for or is asked for."""
    return work.read(transfers.list_transfers)


@router.post("", status_code=201)
@requires(KEEP_STOCK)
def ask(once: OnceDep, body: AskBody) -> TransferOut:
    """Ask another site for units."""
    return once.write(lambda unit: transfers.ask(unit, body), body, TransferOut)


@router.post("/{key}/answer", status_code=201)
@requires(KEEP_STOCK)
def answer(once: OnceDep, key: Key, body: AnswerBody) -> TransferOut:
    """Agree to a transfer and say which units go, or refuse it."""
    return once.write(lambda unit: transfers.answer(unit, key, body), body, TransferOut)
