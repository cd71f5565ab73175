"""One item: its lots and what becomes of them; units in one place, and what is done with them."""

from collections.abc import Mapping, Sequence
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from pydantic import TypeAdapter, ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, Forbidden, NotFound, ServiceError
from service.operations.catalogue import unlearn_code as unlearn
from service.operations.people.permissions import KEEP_STOCK, MOVE_STOCK, READ, may, requires
from service.operations.stock import movements
from service.operations.stock import view as item_view
from service.schemas.base import OptionalText
from service.schemas.catalogue import TaughtCode, UnlearnBody
from service.schemas.faults import faults_of
from service.schemas.stock import ItemView, MovementOut, ProjectionOut
from service.schemas.trays import MovementBody
from web.forms import Filled, answered_before, new_key, write_once
from web.labels import ACTIONS, item_name
from web.pictures.charts.projection import StockChange, stock_projection
from web.pictures.svg import Picture
from web.render import page, work_of

router = APIRouter()


_BODY: TypeAdapter[MovementBody] = TypeAdapter(MovementBody)


#: What names units in one place.
_WHICH = ("lot", "serial", "ownership", "store", "shelf")


@router.get("/items/{ref:path}")
@requires(READ)
def show_item(request: Request, ref: str, done: Annotated[OptionalText, Query()] = "") -> Response:
    """Show an item: how many, which lots where, for whom, and the coming weeks."""
    return _item(request, ref, answered_before(request, done, MovementOut))


def _item(
    request: Request,
    ref: str,
    done: MovementOut | None = None,
    faults: Sequence[FieldFault] = (),
) -> Response:
    work = work_of(request)
    view = work.read(lambda unit: item_view.view_item(unit, ref))
    return page(
        request,
        "item.html",
        view=view,
        item_name=item_name(view.item.system, view.item.description),
        status=422 if faults else 200,
        done=done,
        faults=faults,
        once=new_key(),
        actions=ACTIONS,
        picture=_picture_of(view),
        can_act=may(work.caller.roles, MOVE_STOCK),
    )


@router.post("/items/codes/unlearn")
@requires(KEEP_STOCK)
def unlearn_code(request: Request, values: Filled) -> Response:
    """Take back a code that was taught wrongly."""
    ref, code = values.get("ref", ""), values.get("code", "")
    try:
        body = UnlearnBody.model_validate(
            {"reason": values["reason"]} if values.get("reason") else {}
        )
    except ValidationError as error:
        return _item(request, ref, faults=faults_of(error.errors()))
    key = values.get("once", "")
    write_once(request, key, body, lambda unit: unlearn(unit, code, body), TaughtCode)
    return RedirectResponse(f"/items/{quote(ref)}#codes", status_code=303)


def _picture_of(view: ItemView) -> Picture | None:
    """Draw the coming weeks; not for a set, which is promised for a span of time and comes back."""
    if view.item.turnaround_minutes is not None:
        return None
    return _picture(f"{view.item.ref} {view.size.size}", view.projection)


def _picture(name: str, projection: ProjectionOut) -> Picture:
    """Draw the coming weeks; a backup goes back unopened and changes nothing."""
    kinds = {"arrives": "delivery", "expires": "expiry", "goes back": "expiry", "first use": "case"}
    changes = [
        StockChange(
            day=change.day,
            kind=kinds[change.kind],  # type: ignore[arg-type] # the words above
            quantity=change.quantity,
            says=f"{change.name} {change.kind}" if change.kind != "first use" else change.name,
        )
        for day in projection.days
        for change in day.changes
        if change.kind in kinds
    ]
    return stock_projection(
        name.strip(),
        today=projection.first,
        until=projection.last,
        on_hand=projection.there_now,
        changes=changes,
        par_level=None,
        prefix="weeks",
    )


@router.get("/stock/units")
@requires(MOVE_STOCK)
def show_units(  # noqa: PLR0917 - FastAPI fills the parameters by name
    request: Request,
    ref: Annotated[OptionalText, Query()] = "",
    lot: Annotated[OptionalText, Query()] = "",
    serial: Annotated[OptionalText, Query()] = "",
    ownership: Annotated[OptionalText, Query()] = "",
    store: Annotated[OptionalText, Query()] = "",
    shelf: Annotated[OptionalText, Query()] = "",
    action: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show units of one lot in one place with the form of one thing to do with them."""
    which = {"lot": lot, "serial": serial, "ownership": ownership, "store": store, "shelf": shelf}
    return _units(request, ref, which, action, {}, ())


@router.post("/stock/units")
@requires(MOVE_STOCK)
def record(request: Request, values: Filled) -> Response:
    """Move, count, quarantine, write off, release or send off the units a form names."""
    ref, action = values.get("ref", ""), values.get("action", "")
    which = {name: values.get(name, "") for name in _WHICH}
    try:
        body = _BODY.validate_python(_movement(ref, action, which, values))
        key = values.get("once", "")
        write_once(
            request, key, body, lambda unit: movements.record_movement(unit, body), MovementOut
        )
    except ValidationError as error:
        faults = [_without_kind(fault, action) for fault in faults_of(error.errors())]
    except (NotFound, Forbidden):
        raise
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    else:
        return RedirectResponse(f"/items/{quote(ref)}?{urlencode({'done': key})}", status_code=303)
    return _units(request, ref, which, action, values, faults)


def _movement(
    ref: str, action: str, which: Mapping[str, str], values: Mapping[str, str]
) -> dict[str, object]:
    """Write the form as a movement; an empty field is left out and so named as missing."""
    place = {"store": which["store"], "shelf": which["shelf"]}
    body: dict[str, object] = {
        "kind": action,
        "ref": ref,
        "ownership": which["ownership"],
        **{name: which[name] for name in ("lot", "serial") if which[name]},
        **{name: values[name] for name in _FIELDS.get(action, ()) if values.get(name)},
    }
    body["at" if action in {"count", "write_off"} else "origin"] = place
    if "to" in _FIELDS.get(action, ()):
        body["to"] = {"store": values.get("to_store", ""), "shelf": values.get("to", "")}
    return body


#: What each form asks.
_FIELDS = {
    "move": ("quantity", "to", "reason"),
    "count": ("counted", "reason"),
    "quarantine": ("quantity", "reason"),
    "write_off": ("quantity", "reason"),
    "release": ("quantity", "to", "reason"),
    "reprocess": ("quantity", "reason"),
}


def _without_kind(fault: FieldFault, action: str) -> FieldFault:
    """Name the field of the form: the union's word is no part of it, a shelf's name is ``to``."""
    pointer = fault.pointer.removeprefix(f"/{action}")
    if pointer.startswith("/to/store"):
        pointer = "/to_store"
    return FieldFault(pointer, fault.reason)


def _units(  # noqa: PLR0917 - which units, and the form as it was sent
    request: Request,
    ref: str,
    which: Mapping[str, str],
    action: str,
    values: Mapping[str, str],
    faults: Sequence[FieldFault],
) -> Response:
    work = work_of(request)
    view = work.read(lambda unit: item_view.view_units(unit, ref, which))
    offered = _offered(
        work.caller.roles, view.units.location_kind, is_set=view.item.turnaround_minutes is not None
    )
    shown = action if action in offered else offered[0]
    return page(
        request,
        "units.html",
        status=422 if faults else 200,
        view=view,
        item_name=item_name(view.item.system, view.item.description),
        tabs=[(_units_at(ref, which, name), ACTIONS[name][0], name == shown) for name in offered],
        action=shown,
        action_name=ACTIONS[shown][0],
        fields=_FIELDS[shown],
        hidden={"ref": ref, **which, "action": shown},
        values=values,
        faults=faults,
        once=values.get("once") or new_key(),
        stores=[(name, name) for name in dict.fromkeys(place.store for place in view.places)],
    )


def _units_at(ref: str, which: Mapping[str, str], action: str) -> str:
    return f"/stock/units?{urlencode({'ref': ref, **which, 'action': action})}"


#: What is not done with units, by the kind of the place they lie in; a shelf has none.
_NOT_DONE = {
    "quarantine": {"quarantine", "reprocess"},
    "reprocessing": {"move", "release", "reprocess"},
}


def _offered(roles: frozenset[str], location_kind: str, *, is_set: bool) -> list[str]:
    """Return what somebody with these roles may do with units in such a place."""
    offered = [name for name in ACTIONS if movements.may_record(roles, name)]
    not_done = _NOT_DONE.get(location_kind, {"release"} if is_set else {"release", "reprocess"})
    return [name for name in offered if name not in not_done]
