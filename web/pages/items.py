"""One item: its lots and what becomes of them; units in one place, and what is done with them."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from pydantic import TypeAdapter, ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, Forbidden, NotFound, ServiceError
from service.operations.catalogue import unlearn_code as unlearn
from service.operations.locations import add_location
from service.operations.people.permissions import (
    KEEP_STOCK,
    MOVE_STOCK,
    READ,
    may,
    require,
    requires,
)
from service.operations.stock import movements
from service.operations.stock import view as item_view
from service.operations.work import Unit
from service.schemas.base import OptionalText
from service.schemas.catalogue import TaughtCode, UnlearnBody
from service.schemas.faults import faults_of
from service.schemas.stock import (
    ItemView,
    LocationBody,
    LocationOut,
    MovementOut,
    ProjectionOut,
    UnitsView,
)
from service.schemas.trays import CorrectionBody, MovementBody
from web.forms import Filled, answered_before, new_key, whole, write_once
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
    refused: str = "",
) -> Response:
    work = work_of(request)
    roles = work.caller.roles
    view = work.read(lambda unit: item_view.view_item(unit, ref))
    is_set = view.item.turnaround_minutes is not None
    return page(
        request,
        "item.html",
        view=view,
        item_name=item_name(view.item.system, view.item.description),
        status=409 if refused else 422 if faults else 200,
        done=done,
        said="" if done is None else said_of(done),
        undo=None if done is None else _undo_of(done, roles),
        faults=faults,
        refused=refused,
        once=new_key(),
        amounts=amounts_of(view),
        offered={
            kind: [(name, ACTIONS[name]) for name in _offered(roles, kind, is_set=is_set)]
            for kind in {lot.location_kind for lot in view.lots}
        },
        picture=_picture_of(view),
        can_act=may(roles, MOVE_STOCK),
    )


def amounts_of(view: ItemView) -> list[tuple[str, int]]:
    """Say what the units in stock are, each counted once: together they are the units in stock."""
    found = Counter({"Free": view.size.free, "Reserved": 0})
    for lot in view.lots:
        if lot.location_kind == "transit":
            continue
        if lot.location_kind == "theatre":
            found["On a tray"] += lot.quantity
            continue
        found["Reserved"] += lot.held
        if lot.not_usable:
            found[lot.not_usable[:1].upper() + lot.not_usable[1:]] += lot.quantity - lot.held
    return [(name, count) for name, count in found.items() if count or name in {"Free", "Reserved"}]


def said_of(done: MovementOut) -> str:
    """Say what was saved of some units, and where."""
    units = f"{done.quantity} of {_pack(done)}"
    origin, target = _place(done.origin), _place(done.target)
    if done.corrects_seq is not None:
        where = f"back at {target}" if done.target else f"taken off {origin} again"
        return f"Undone: {units} {where}."
    if done.counted is not None and done.was is not None:
        change = done.counted - done.was
        if not change:
            return (
                f"Count agrees: {done.counted} of {_pack(done)} at {origin}. Nothing was changed."
            )
        size = f"{abs(change)} {'more' if change > 0 else 'fewer'}"
        where = target or origin
        return f"Count saved: {done.counted} (was {done.was}, {size}), {_pack(done)} at {where}."
    return {
        "move": f"Moved: {units} from {origin} to {target}.",
        "quarantine": f"Quarantined: {units}, from {origin} to {target}.",
        "write_off": f"Written off: {units} at {origin}.",
        "release": f"Released: {units} to {target}.",
        "reprocess": f"Not sterile: {units}, sent to be reprocessed from {origin}.",
    }.get(done.kind, f"Saved: {units}.")


def _pack(done: MovementOut) -> str:
    return f"lot {done.lot}" if done.lot else f"serial {done.serial}"


def _place(place: LocationOut | None) -> str:
    return "" if place is None else f"{place.store}, {place.shelf}"


def _undo_of(done: MovementOut, roles: frozenset[str]) -> int | None:
    """Return the line of the ledger that can be taken back.

    Quarantine ends with a release, and what is not sterile is scanned out of sterilisation.
    """
    is_undone = done.seq is None or done.corrects_seq is not None
    if is_undone or done.kind in {"quarantine", "reprocess"}:
        return None
    return done.seq if done.kind in ACTIONS and movements.may_record(roles, done.kind) else None


@router.post("/items/undo")
@requires(MOVE_STOCK)
def undo(request: Request, values: Filled) -> Response:
    """Take back what was just saved, by a new line of the ledger."""
    ref, key = values.get("ref", ""), values.get("once", "")
    try:
        body = CorrectionBody(kind="correction", seq=whole(values, "seq"), reason=_UNDONE)
        write_once(
            request, key, body, lambda unit: movements.record_movement(unit, body), MovementOut
        )
    except ValidationError:
        return _item(request, ref, refused="This form is out of date: open the page again.")
    except Forbidden:
        raise
    except ServiceError as error:
        reasons = [fault.reason for fault in error.faults]
        return _item(request, ref, refused="; ".join(reasons) or error.detail)
    return RedirectResponse(f"/items/{quote(ref)}?{urlencode({'done': key})}", status_code=303)


#: What the ledger says of a line that was taken back on the page it was made on.
_UNDONE = "Recorded by mistake, undone at once"


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
        adds = values.get("add_shelf") == f"{values.get('to_store')}, {values.get('to')}"
        write_once(request, key, body, lambda unit: _recorded(unit, body, adds=adds), MovementOut)
    except ValidationError as error:
        faults = [_without_kind(fault, action) for fault in faults_of(error.errors())]
    except (NotFound, Forbidden):
        raise
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    else:
        return RedirectResponse(f"/items/{quote(ref)}?{urlencode({'done': key})}", status_code=303)
    return _units(request, ref, which, action, values, faults)


def _recorded(unit: Unit, body: MovementBody, *, adds: bool) -> MovementOut:
    """Record a movement; the shelf it goes to is added first where that was asked for."""
    target = getattr(body, "to", None)
    if adds and isinstance(target, LocationBody):
        require(unit.caller, KEEP_STOCK)
        add_location(unit, target)
    return movements.record_movement(unit, body)


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
        tabs=[(_units_at(ref, which, name), ACTIONS[name], name == shown) for name in offered],
        action=shown,
        action_name=ACTIONS[shown],
        fields=_FIELDS[shown],
        hidden={"ref": ref, **which, "action": shown},
        values=values,
        faults=faults,
        once=values.get("once") or new_key(),
        stores=[(name, name) for name in dict.fromkeys(place.store for place in view.places)],
        new_shelf=_new_shelf(view, values) if may(work.caller.roles, KEEP_STOCK) else "",
    )


def _new_shelf(view: UnitsView, values: Mapping[str, str]) -> str:
    """Return the shelf a form names that there is not yet, to offer adding it."""
    named = (values.get("to_store", ""), values.get("to", ""))
    if not all(named) or named in {(one.store, one.shelf) for one in view.places}:
        return ""
    return ", ".join(named)


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
