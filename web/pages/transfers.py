"""Transfers between sites: asking, answering what is asked of us, receiving what was sent."""

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, ServiceError
from service.operations.people.permissions import KEEP_STOCK, READ, requires
from service.operations.stock import transfers
from service.operations.stock.transfers import TransfersView
from service.operations.work import Unit
from service.schemas.base import Body
from service.schemas.faults import faults_of
from service.schemas.stock import AnswerBody, ArrivalBody, AskBody, TransferOut
from web.forms import Filled, new_key, whole, write_once
from web.render import page, work_of

router = APIRouter()

AnyBody = TypeVar("AnyBody", bound=Body)


@router.get("/transfers")
@requires(READ)
def show_transfers(request: Request) -> Response:
    """Show what we ask of other sites, and what they ask of us."""
    asked = {name: request.query_params.get(name, "") for name in ("site", "ref", "quantity")}
    return _show(request, asked, ())


@router.post("/transfers")
@requires(KEEP_STOCK)
def ask(request: Request, values: Filled) -> Response:
    """Ask another site for units."""
    given: dict[str, object] = {
        name: values[name] for name in ("site", "ref", "quantity") if values.get(name)
    }
    given["to"] = {"store": values.get("to_store", ""), "shelf": values.get("to", "")}
    try:
        body = AskBody.model_validate(given)
        saved = write_once(
            request,
            values.get("once", ""),
            body,
            lambda unit: transfers.ask_for_units(unit, body),
            TransferOut,
        )
    except ValidationError as error:
        return _show(request, values, faults_of(error.errors()))
    except ServiceError as error:
        return _show(request, values, [*error.faults] or [FieldFault("", error.detail)])
    return _saved(saved.id)


@router.post("/transfers/{key}")
@requires(KEEP_STOCK)
def answer(request: Request, key: int, values: Filled) -> Response:
    """Agree to a transfer and say which units go, or refuse it."""
    return _write(request, key, values, AnswerBody, _answer(values), transfers.answer_transfer)


@router.post("/transfers/{key}/arrivals")
@requires(KEEP_STOCK)
def receive(request: Request, key: int, values: Filled) -> Response:
    """Receive what another site has sent: in order, damaged, or missing for good."""
    given = {name: values.get(name) or None for name in ("quantity", "condition", "reason")}
    return _write(request, key, values, ArrivalBody, given, transfers.receive_transfer)


def _write(  # noqa: PLR0917 - what was filled in, and what is to become of it
    request: Request,
    key: int,
    values: Mapping[str, str],
    body_class: type[AnyBody],
    given: Mapping[str, object],
    operation: Callable[[Unit, int, AnyBody], TransferOut],
) -> Response:
    """Carry out what a form asks of a transfer, or show the form with its faults."""
    try:
        body = body_class.model_validate(given)
        write_once(
            request,
            values.get("once", ""),
            body,
            lambda unit: operation(unit, key, body),
            TransferOut,
        )
    except ValidationError as error:
        return _show(request, values, faults_of(error.errors()), about=key)
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
        return _show(request, values, faults, about=key)
    return _saved(key)


def _saved(key: int) -> Response:
    return RedirectResponse(f"/transfers?saved={key}", status_code=303)


def _done_words(view: TransfersView, key: int) -> str:
    """Say what has just been saved about a transfer: how it stands now."""
    ours = next((one for one in view.ours if one.id == key), None)
    if ours is not None:
        return _ours_words(ours)
    one = next((one for one in view.answered if one.id == key), None)
    if one is None:
        return ""
    if one.state == "refused":
        return f"Saved: refused. {one.to_site} sees that we send no {one.ref}."
    return (
        f"Saved: {one.quantity} × {one.ref}, {one.lot or one.serial}, sent to {one.to_site}. "
        "They no longer count here."
    )


def _ours_words(one: TransferOut) -> str:
    if one.state == "asked":
        return (
            f"Saved: {one.from_site} is asked for {one.quantity} × {one.ref}. "
            "Nothing moves until they answer."
        )
    parts = [f"{one.arrived} of {one.quantity} × {one.ref} booked in"]
    parts += [f"{one.written_off} written off"] if one.written_off else []
    parts += [f"{one.in_transit} still in transit"] if one.in_transit else []
    return f"Saved: {', '.join(parts)}. If that is wrong, count the shelf."


def _answer(values: Mapping[str, str]) -> dict[str, object]:
    """Read which units were chosen: a row of the shelf, its parts with tabs between them."""
    agreed = values.get("agreed") == "yes"
    parts = values.get("units", "").split("\t")
    if not agreed or len(parts) != _PARTS:
        return {"agreed": agreed}
    lot, serial, ownership, store, shelf = parts
    return {
        "agreed": True,
        "lot": lot or None,
        "serial": serial or None,
        "ownership": ownership,
        "origin": {"store": store, "shelf": shelf},
        "expected_at": values.get("expected_at") or None,
    }


#: Lot, serial, ownership, store and shelf.
_PARTS = 5


def _show(
    request: Request,
    values: Mapping[str, str],
    faults: Sequence[FieldFault],
    about: int | None = None,
) -> Response:
    view = work_of(request).read(transfers.view_transfers)
    cards = {one.id for one in (*view.to_answer, *view.to_receive)}
    return page(
        request,
        "transfers.html",
        status=422 if faults else 200,
        view=view,
        done="" if faults else _done_words(view, whole(request.query_params, "saved")),
        others=[(one.code, one.name) for one in view.others],
        stores=[(store, store) for store in dict.fromkeys(one.store for one in view.places)],
        values=values,
        faults=faults,
        # A fault of a card stands on it; one whose card is gone stands above them all.
        about=about,
        is_on_card=about in cards,
        new_key=new_key,
        once=values.get("once") or new_key(),
    )
