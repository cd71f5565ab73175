"""A storekeeper's words for orders, on the small department, with items that have prices."""

from typing import Any, TypeVar

from pydantic import BaseModel

from service.operations.catalogue import add_item
from service.operations.orders import draft, loans, progress, receive, view
from service.operations.stock import reprocessing
from service.operations.stock.movements import list_deliveries
from service.operations.suppliers import put_supplier
from service.operations.work import Unit
from service.schemas.catalogue import ItemBody
from service.schemas.orders import (
    BillBody,
    CancelBody,
    CancelRemainingBody,
    DraftBody,
    DueBody,
    EditBody,
    OrderOut,
    Orders,
    ReceiptBody,
    ReturnBody,
    SendBody,
    SteriliseBody,
    SterilisedOut,
)
from service.schemas.suppliers import SupplierBody
from tests.small_theatre import SHELF, Theatre

Sent = TypeVar("Sent", bound=BaseModel)


_SCREW: dict[str, Any] = {
    "kind": "cortical_screw",
    "system": "Testfield",
    "description": "Screw",
    "supplied_sterile": True,
    "length_mm": 40,
    "diameter_mm": 4.5,
}


ITEMS: list[dict[str, Any]] = [
    {
        **_SCREW,
        "ref": "SCREW",
        "gtin": "02910000000024",
        "supplier": "Test supply",
        "pack_quantity": 5,
        "unit_price_minor": 1250,
        "currency": "GBP",
        "lead_time_days": 5,
    },
    {**_SCREW, "ref": "BOLT", "supplier": "Test supply", "lead_time_days": 2},
    {
        **_SCREW,
        "ref": "EURO",
        "supplier": "Test supply",
        "unit_price_minor": 900,
        "currency": "EUR",
        "lead_time_days": 5,
    },
    {
        **_SCREW,
        "ref": "OTHER",
        "supplier": "Other supply",
        "unit_price_minor": 700,
        "currency": "GBP",
        "lead_time_days": 5,
    },
]


class Desk:
    """Orders as a storekeeper makes them, each step in one transaction."""

    def __init__(self, theatre: Theatre) -> None:
        self.theatre = theatre
        self.work = theatre.work
        self.actor = "storekeeper"

    def furnish(self) -> None:
        def write(unit: Unit) -> None:
            for item in ITEMS:
                add_item(unit, ItemBody.model_validate(item))

        self.work.write(write)

    def supplier(self, name: str = "Test supply", **fields: object) -> None:
        body = SupplierBody.model_validate(fields)
        self.work.write(lambda unit: put_supplier(unit, name, body, None))

    def draft(self, *lines: tuple[str, int], why: tuple[str, ...] = (), **more: object) -> Orders:
        rows = [{"ref": ref, "quantity": number, "why": list(why)} for ref, number in lines]
        body = DraftBody.model_validate({"lines": rows, **more})
        return self.work.write(lambda unit: draft.draft_orders(unit, body), self.actor)

    def get(self, reference: str) -> OrderOut:
        return self.work.read(lambda unit: view.get_order(unit, reference))

    def edit(self, reference: str, *lines: dict[str, Any], **more: object) -> OrderOut:
        body = EditBody.model_validate({"lines": list(lines), **more})
        version = self.get(reference).version
        return self.work.write(
            lambda unit: draft.change_order(unit, reference, body, version), self.actor
        )

    def approve(self, reference: str, actor: str = "head") -> OrderOut:
        version = self.get(reference).version
        return self.work.write(lambda unit: progress.approve_order(unit, reference, version), actor)

    def send(self, reference: str, **moments: object) -> OrderOut:
        body = SendBody.model_validate(moments)
        version = self.get(reference).version
        return self.work.write(
            lambda unit: progress.send_order(unit, reference, body, version), self.actor
        )

    def due(self, reference: str, **fields: object) -> OrderOut:
        body = DueBody.model_validate(fields)
        version = self.get(reference).version
        return self.work.write(
            lambda unit: progress.set_due_moments(unit, reference, body, version), self.actor
        )

    def sent(self, *lines: tuple[str, int], **more: object) -> str:
        """Draft, approve and send; gives the reference."""
        reference = self.draft(*lines, **more).orders[0].reference  # type: ignore[arg-type] # fields of a body
        self.approve(reference)
        self.send(reference, due_at="2031-03-05T10:00")
        return reference

    def cancel(self, reference: str, reason: str = "not needed") -> OrderOut:
        body = CancelBody(reason=reason)
        return self.work.write(
            lambda unit: progress.cancel_order(unit, reference, body), self.actor
        )

    def let_go(self, reference: str, *refs: str) -> OrderOut:
        body = CancelRemainingBody(refs=list(refs), reason="not made any more")
        return self.work.write(
            lambda unit: progress.cancel_remaining(unit, reference, body), self.actor
        )

    def receive(self, reference: str, *lines: dict[str, Any]) -> OrderOut:
        body = ReceiptBody.model_validate({"lines": [{"to": SHELF, **line} for line in lines]})
        return self.work.write(
            lambda unit: receive.receive_order(unit, reference, body), self.actor
        )

    def give_back(self, reference: str, *lines: dict[str, Any]) -> OrderOut:
        body = ReturnBody.model_validate({"lines": list(lines)})
        return self.work.write(lambda unit: loans.return_loan(unit, reference, body), self.actor)

    def bill(self, supplier: str | None = None) -> Orders:
        body = BillBody(supplier=supplier)
        return self.work.write(lambda unit: draft.draft_bills(unit, body), self.actor)

    def sterilise(self, **fields: object) -> SterilisedOut:
        body = SteriliseBody.model_validate(fields)
        return self.work.write(lambda unit: reprocessing.make_sterile(unit, body), self.actor)

    def coming(self) -> dict[tuple[str, str], int]:
        """Give what is on its way, as the planner is told: by order and REF."""
        rows = self.work.read(list_deliveries).deliveries
        return {(row.reference, row.ref): row.quantity for row in rows}
