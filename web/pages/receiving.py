"""Receiving an order: scanned or typed, all of it saved at once or nothing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.datastructures import FormData
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, NotFound, ServiceError
from service.operations.locations import list_locations
from service.operations.orders import loans, view
from service.operations.orders import receive as receiving
from service.operations.orders.receive import ArrivalLabel, read_label, usual_places
from service.operations.people.permissions import MOVE_STOCK, ORDER, requires
from service.operations.stock import reprocessing
from service.schemas.faults import faults_of
from service.schemas.orders import OrderOut, ReceiptBody, ReturnBody, SteriliseBody, SterilisedOut
from service.schemas.stock import LocationBody, LocationOut
from web.forms import (
    Filled,
    FormFault,
    LongForm,
    at_rows,
    faults_by_field,
    new_key,
    whole_form,
    write_once,
)
from web.pages.orders import order_page
from web.render import page, work_of

router = APIRouter()


_ASKED = ("lot", "serial", "use_by", "quantity", "to", "surplus", "although", "ref")


#: Store and shelf are typed in one field.
_WHERE = "name the shelf as it is offered: its store, a comma, and the shelf"


@router.get("/orders/{reference:path}/receive")
@requires(ORDER)
def show_receive(request: Request, reference: str) -> Response:
    """Show what is still to come, with a line to fill in for each item."""
    work = work_of(request)
    order = work.read(lambda unit: view.get_order(unit, reference))
    refs = [line.ref for line in order.items]
    usual = work.read(lambda unit: usual_places(unit, refs))
    return _show_receipt(request, order, start_rows(order, usual))


@router.post("/orders/{reference:path}/receive")
@requires(ORDER)
def receive(request: Request, reference: str, form: LongForm) -> Response:
    """Read a scanned code into the lines, or receive what the lines say."""
    values = {name: str(value) for name, value in form.items()}
    rows = rows_of(values)
    if values.get("act") == "read" or values.get("code", "").strip():
        return _read(request, reference, rows, values)
    if values.get("act") == "add":
        return _show_receipt(request, _order(request, reference), [*rows, _empty(rows)], form=form)
    return _receive(request, reference, rows, form)


@dataclass(frozen=True, slots=True)
class ReceiptRow:
    """One line of a receipt as it stands in the form.

    Parameters
    ----------
    expected
        How many stood in the field at first: a row with another number has been touched.
    """

    ref: str
    raw: str = ""
    second: str = ""
    lot: str = ""
    serial: str = ""
    use_by: str = ""
    quantity: str = ""
    to: str = ""
    surplus: str = ""
    although: str = ""
    expected: str = ""

    @property
    def is_touched(self) -> bool:
        """Whether somebody said anything about it."""
        return any(getattr(self, name) for name in _SAID) or self.quantity != self.expected


def _empty(rows: Sequence[ReceiptRow]) -> ReceiptRow:
    return ReceiptRow("", quantity="1", expected="1", to=rows[-1].to if rows else "")


def _order(request: Request, reference: str) -> OrderOut:
    return work_of(request).read(lambda unit: view.get_order(unit, reference))


def _read(
    request: Request, reference: str, rows: Sequence[ReceiptRow], values: dict[str, str]
) -> Response:
    """Put a label into the lines; nothing is saved, and a refusal is an answer like any other."""
    raw, waiting = values.get("code", ""), values.get("waiting", "")
    order = _order(request, reference)
    key = values.get("once", "")
    if not raw.strip():
        return _show_receipt(
            request, order, rows, label=ArrivalLabel(refused="Scan or type a code first."), key=key
        )
    label = work_of(request).read(lambda unit: read_label(unit, reference, raw, waiting))
    if label.waits:
        return _show_receipt(request, order, rows, label=label, waiting=raw, key=key)
    if label.refused:
        return _show_receipt(request, order, rows, label=label, key=key)
    filled, place = with_label(rows, label, raw, waiting)
    return _show_receipt(request, order, filled, label=label, place=place, key=key)


def _receive(
    request: Request, reference: str, rows: Sequence[ReceiptRow], form: FormData
) -> Response:
    work, key = work_of(request), str(form.get("once", ""))
    lines, numbers = body_of(rows, work.read(list_locations))
    if not lines:
        faults = whole_form("scan a pack, or type its lot or serial")
        return _show_receipt(request, _order(request, reference), rows, faults=faults, form=form)
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
        return _show_receipt(request, _order(request, reference), rows, faults=faults, form=form)
    except NotFound:
        raise
    except ServiceError as error:
        faults = _at_rows(error.faults, numbers, rows) or whole_form(error.detail)
        return _show_receipt(request, _order(request, reference), rows, faults=faults, form=form)
    told = urlencode({"did": "received", "done": key})
    return RedirectResponse(f"/orders/{quote(reference)}?{told}", 303)


def _at_rows(
    faults: Sequence[FieldFault], numbers: Sequence[str], rows: Sequence[ReceiptRow]
) -> list[FormFault]:
    said = [
        FieldFault(fault.pointer, _WHERE) if "/to/" in fault.pointer else fault for fault in faults
    ]
    return at_rows(said, numbers, lambda row: rows[int(row)].ref or "new line", _ASKED)


def _show_receipt(
    request: Request,
    order: OrderOut,
    rows: Sequence[ReceiptRow],
    *,
    faults: Sequence[FormFault] = (),
    form: FormData | None = None,
    label: ArrivalLabel | None = None,
    place: int | None = None,
    waiting: str = "",
    key: str = "",
) -> Response:
    places = work_of(request).read(list_locations)
    typed = "" if form is None else str(form.get("once", ""))
    return page(
        request,
        "receive.html",
        status=422 if faults else 200,
        order=order,
        lines={line.ref: line for line in order.items},
        rows=list(enumerate(rows)),
        faults=faults,
        wrongs=faults_by_field(faults),
        label=label,
        place=place,
        waiting=waiting,
        places=[place_words(one) for one in places if one.kind == "shelf"],
        once=key or typed or new_key(),
    )


@router.post("/orders/{reference:path}/sterilise")
@requires(MOVE_STOCK)
def make_sterile(request: Request, reference: str, values: Filled) -> Response:
    """Note that a lot of a loan has been reprocessed here."""
    given: dict[str, Any] = {
        name: values[name]
        for name in ("ref", "lot", "serial", "use_by", "note")
        if values.get(name)
    }
    try:
        body = SteriliseBody.model_validate({**given, "ownership": "loan"})
        write_once(
            request,
            values.get("once", ""),
            body,
            lambda unit: reprocessing.make_sterile(unit, body),
            SterilisedOut,
        )
    except ValidationError as error:
        faults = at_rows(faults_of(error.errors()), (), str, ())
        return order_page(request, reference, status=422, faults=faults)
    except ServiceError as error:
        faults = at_rows(error.faults, (), str, ()) or whole_form(error.detail)
        return order_page(request, reference, status=422, faults=faults)
    return RedirectResponse(f"/orders/{quote(reference)}?{urlencode({'did': 'sterilised'})}", 303)


@router.get("/orders/{reference:path}/return")
@requires(ORDER)
def show_return(request: Request, reference: str) -> Response:
    """Show what of a loan is here, with what goes back and what is missing to fill in."""
    return _show_return(request, reference, {}, [])


@router.post("/orders/{reference:path}/return")
@requires(ORDER)
def give_back(request: Request, reference: str, form: LongForm) -> Response:
    """Send units of a loan back, and say which are missing."""
    values = {name: str(value).strip() for name, value in form.items() if name != "form_token"}
    lines, fields, names = _lines(values)
    if not lines:
        return _show_return(
            request, reference, values, whole_form("enter how many are returned or missing")
        )
    try:
        body = ReturnBody.model_validate({"lines": lines})
        write_once(
            request,
            values.get("once", ""),
            body,
            lambda unit: loans.return_loan(unit, reference, body),
            OrderOut,
        )
    except ValidationError as error:
        return _show_return(
            request, reference, values, _at(faults_of(error.errors()), fields, names)
        )
    except NotFound:
        raise
    except ServiceError as error:
        faults = _at(error.faults, fields, names) or whole_form(error.detail)
        return _show_return(request, reference, values, faults)
    return RedirectResponse(f"/orders/{quote(reference)}?{urlencode({'did': 'returned'})}", 303)


def _lines(values: Mapping[str, str]) -> tuple[list[dict[str, Any]], list[str], list[str]]:
    """Read the form: lines of the return, the field of each, and what each is called."""
    lines: list[dict[str, Any]] = []
    fields, names = [], []
    place = 0
    while f"ref-{place}" in values:
        which = {name: values.get(f"{name}-{place}", "") for name in ("ref", "lot", "serial")}
        for field in ("back", "missing"):
            typed = values.get(f"{field}-{place}", "")
            if typed in {"", "0"}:
                continue
            line: dict[str, Any] = {name: value for name, value in which.items() if value}
            line |= {"quantity": typed, "missing": field == "missing"}
            line |= {"note": values.get(f"note-{place}", "")}
            store, _, shelf = values.get(f"origin-{place}", "").rpartition(", ")
            if shelf:
                line["origin"] = {"store": store, "shelf": shelf}
            lines.append(line)
            fields.append(f"{field}-{place}")
            names.append(f"{which['ref']} {which['lot'] or which['serial']}")
        place += 1
    return lines, fields, names


def _at(faults: Any, fields: list[str], names: list[str]) -> list[FormFault]:  # noqa: ANN401 - faults of either kind
    found = []
    for fault in faults:
        parts = fault.pointer.strip("/").split("/")
        if len(parts) > 1 and parts[0] == "lines" and parts[1].isdigit():
            place = int(parts[1])
            found.append(FormFault(fields[place], names[place], fault.reason))
        else:
            found.append(FormFault("", "", fault.reason))
    return found


def _show_return(
    request: Request, reference: str, values: Mapping[str, str], faults: list[FormFault]
) -> Response:
    order = work_of(request).read(lambda unit: view.get_order(unit, reference))
    if order.kind != "loan":
        raise NotFound(f"Order {reference} is not a loan.")
    return page(
        request,
        "return.html",
        status=422 if faults else 200,
        order=order,
        here=list(enumerate(lot for lot in order.loan if lot.still_here)),
        typed=values,
        faults=faults,
        wrongs=faults_by_field(faults),
        once=values.get("once") or new_key(),
    )


#: What a row asks, as the form names it.
FIELDS = (
    "ref",
    "raw",
    "second",
    "lot",
    "serial",
    "use_by",
    "quantity",
    "to",
    "surplus",
    "although",
)


_SAID = ("raw", "lot", "serial", "use_by", "surplus", "although")


_MOST_ROWS = 200


def place_words(place: LocationBody | LocationOut | None) -> str:
    """Write a shelf as it is typed."""
    return "" if place is None else f"{place.store}, {place.shelf}"


def start_rows(order: OrderOut, usual: Mapping[str, LocationBody]) -> list[ReceiptRow]:
    """Return a row for each line of which something is still to come."""
    return [
        ReceiptRow(
            line.ref,
            quantity=str(line.outstanding),
            expected=str(line.outstanding),
            to=place_words(usual.get(line.ref)),
        )
        for line in order.items
        if line.outstanding
    ]


def rows_of(values: Mapping[str, str]) -> list[ReceiptRow]:
    """Read the rows a form carries."""
    found: list[ReceiptRow] = []
    while f"ref-{len(found)}" in values and len(found) < _MOST_ROWS:
        place = len(found)
        texts = {name: values.get(f"{name}-{place}", "").strip() for name in FIELDS}
        # Separators and blanks are part of a scanned code.
        texts |= {name: values.get(f"{name}-{place}", "") for name in ("raw", "second")}
        found.append(ReceiptRow(**texts, expected=values.get(f"expected-{place}", "")))
    return found


def with_label(
    rows: Sequence[ReceiptRow], label: ArrivalLabel, raw: str, second: str
) -> tuple[list[ReceiptRow], int]:
    """Put what a label says into the rows, and say into which.

    The same lot again is one unit more; a serial is one unit; else the first row of the item that
    nobody has touched is filled, or a row added. The number of units is then one: each is scanned.
    """
    use_by = "" if label.use_by is None else str(label.use_by)
    said = {"raw": raw, "second": second, "lot": label.lot, "serial": label.serial}
    same = [
        place
        for place, row in enumerate(rows)
        if (row.ref, row.lot, row.serial) == (label.ref, label.lot, label.serial) and label.lot
    ]
    if same and not label.serial and rows[same[0]].quantity.isdigit():
        place = same[0]
        more = replace(rows[place], quantity=str(int(rows[place].quantity) + 1))
        return [*rows[:place], more, *rows[place + 1 :]], place
    free = [i for i, row in enumerate(rows) if row.ref == label.ref and not row.is_touched]
    place = free[0] if free else len(rows)
    shelf = next((row.to for row in rows if row.ref == label.ref and row.to), "")
    old = rows[place] if free else ReceiptRow(label.ref, to=shelf)
    filled = replace(old, **said, use_by=use_by, quantity="1", expected="")
    return [*rows[:place], filled, *rows[place + 1 :]], place


def body_of(
    rows: Sequence[ReceiptRow], places: Sequence[LocationOut]
) -> tuple[list[dict[str, Any]], list[str]]:
    """Return the lines of a receipt, and the row of each; rows nobody has touched are left out."""
    lines, numbers = [], []
    for place, row in enumerate(rows):
        if not row.is_touched:
            continue
        line: dict[str, Any] = {"ref": row.ref, "quantity": row.quantity}
        line |= {
            name: getattr(row, name)
            for name in ("raw", "second", "lot", "serial", "use_by", "although")
            if getattr(row, name)
        }
        line["to"] = place_of(row.to, places)
        line["take_surplus"] = row.surplus == "yes"
        lines.append(line)
        numbers.append(str(place))
    return lines, numbers


def place_of(text: str, places: Sequence[LocationOut]) -> dict[str, str]:
    """Read a shelf: as it is offered, or by its own name when only one shelf has it."""
    named = [one for one in places if text.lower() in {place_words(one).lower(), one.shelf.lower()}]
    if len(named) == 1:
        return {"store": named[0].store, "shelf": named[0].shelf, "kind": named[0].kind}
    store, _, shelf = text.rpartition(", ")
    return {"store": store, "shelf": shelf}
