"""A storekeeper's words for orders, on the small department, with items that have prices."""

from typing import Any, TypeVar

from pydantic import BaseModel

from service.operations.catalogue import add_item
from service.operations.orders import (
    billing,
    deciding,
    drafting,
    receiving,
    returning,
    sterilising,
    viewing,
)
from service.operations.schemas.items import ItemBody
from service.operations.schemas.orders import (
    BillBody,
    CancelBody,
    DraftBody,
    DueBody,
    EditBody,
    LetGoBody,
    ReceiptBody,
    ReturnBody,
    SendBody,
    SteriliseBody,
)
from service.operations.schemas.orders_out import OrderOut, Orders, SterilisedOut
from service.operations.schemas.suppliers import SupplierBody
from service.operations.stock import list_deliveries
from service.operations.suppliers import put_supplier
from service.operations.unit import Unit
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
        return self.work.write(lambda unit: drafting.draft(unit, body), self.actor)

    def get(self, reference: str) -> OrderOut:
        return self.work.read(lambda unit: viewing.get_order(unit, reference))

    def edit(self, reference: str, *lines: dict[str, Any], **more: object) -> OrderOut:
        body = EditBody.model_validate({"lines": list(lines), **more})
        version = self.get(reference).version
        return self.work.write(
            lambda unit: drafting.change_order(unit, reference, body, version), self.actor
        )

    def approve(self, reference: str, actor: str = "head") -> OrderOut:
        version = self.get(reference).version
        return self.work.write(lambda unit: deciding.approve(unit, reference, version), actor)

    def send(self, reference: str, **moments: object) -> OrderOut:
        body = SendBody.model_validate(moments)
        version = self.get(reference).version
        return self.work.write(
            lambda unit: deciding.send(unit, reference, body, version), self.actor
        )

    def due(self, reference: str, **fields: object) -> OrderOut:
        body = DueBody.model_validate(fields)
        version = self.get(reference).version
        return self.work.write(
            lambda unit: deciding.set_moments(unit, reference, body, version), self.actor
        )

    def sent(self, *lines: tuple[str, int], **more: object) -> str:
        """Draft, approve and send; gives the reference."""
        reference = self.draft(*lines, **more).orders[0].reference  # type: ignore[arg-type] # fields of a body
        self.approve(reference)
        self.send(reference, due_at="2031-03-05T10:00")
        return reference

    def cancel(self, reference: str, reason: str = "not needed") -> OrderOut:
        body = CancelBody(reason=reason)
        return self.work.write(lambda unit: deciding.cancel(unit, reference, body), self.actor)

    def let_go(self, reference: str, *refs: str) -> OrderOut:
        body = LetGoBody(refs=list(refs), reason="not made any more")
        return self.work.write(lambda unit: deciding.let_go(unit, reference, body), self.actor)

    def receive(self, reference: str, *lines: dict[str, Any]) -> OrderOut:
        body = ReceiptBody.model_validate({"lines": [{"to": SHELF, **line} for line in lines]})
        return self.work.write(
            lambda unit: receiving.receive_order(unit, reference, body), self.actor
        )

    def give_back(self, reference: str, *lines: dict[str, Any]) -> OrderOut:
        body = ReturnBody.model_validate({"lines": list(lines)})
        return self.work.write(lambda unit: returning.give_back(unit, reference, body), self.actor)

    def bill(self, supplier: str | None = None) -> Orders:
        body = BillBody(supplier=supplier)
        return self.work.write(lambda unit: billing.draft_bills(unit, body), self.actor)

    def sterilise(self, **fields: object) -> SterilisedOut:
        body = SteriliseBody.model_validate(fields)
        return self.work.write(lambda unit: sterilising.make_sterile(unit, body), self.actor)

    def coming(self) -> dict[tuple[str, str], int]:
        """Give what is on its way, as the planner is told: by order and REF."""
        rows = self.work.read(list_deliveries).deliveries
        return {(row.reference, row.ref): row.quantity for row in rows}
