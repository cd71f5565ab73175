"""Orders, loans and call-offs as they are answered; money in minor units of the currency."""

from datetime import date, datetime
from typing import Literal

from service.operations.schemas.base import Out

__all__ = [
    "BillGroup",
    "BillOnly",
    "BuyerOut",
    "LoanLot",
    "LoanUse",
    "Loans",
    "OrderHead",
    "OrderLineOut",
    "OrderOut",
    "OrderPage",
    "Orders",
    "ReceiptOut",
    "ReturnOut",
    "SterilisedOut",
    "UseOut",
]


class BuyerOut(Out):
    """Who orders; version 0 until somebody has said it."""

    legal_name: str
    endpoint_id: str
    endpoint_scheme: str
    version: int


class SterilisedOut(Out):
    """A lot that is sterile from now on."""

    ref: str
    lot: str
    serial: str
    ownership: str
    use_by: date | None
    note: str
    at: datetime
    actor: str


class OrderLineOut(Out):
    """A line and what has come of it."""

    ref: str
    description: str
    size: str
    gtin: str | None
    wanted: int
    quantity: int
    pack_quantity: int
    packs: int
    rounded_says: str
    received: int
    let_go: int
    outstanding: int
    surplus: int
    unit_price_minor: int | None
    line_total_minor: int | None
    due_at: datetime | None
    usable_from: datetime | None
    is_late: bool
    why: list[str]


class ReceiptOut(Out):
    """Units that came, and the line of the ledger."""

    ref: str
    lot: str
    serial: str
    use_by: date | None
    quantity: int
    store: str
    shelf: str
    reason: str
    movement_seq: int
    at: datetime
    actor: str


class ReturnOut(Out):
    """Units that went back, or were missing."""

    ref: str
    lot: str
    serial: str
    quantity: int
    missing: int
    note: str
    at: datetime
    actor: str


class UseOut(Out):
    """Consigned units that were used in a case; one line of the ledger."""

    movement_seq: int
    ref: str
    lot: str
    serial: str
    quantity: int
    case: str
    at: datetime


class LoanUse(Out):
    """Units of a loan that were used in a case."""

    case: str
    quantity: int
    fate: Literal["implanted", "wasted"]


class LoanLot(Out):
    """What became of one lot or serial of a loan; ``unexplained`` units are neither here nor told.

    Units of one lot that came with two loans are counted to the older loan first.
    """

    ref: str
    lot: str
    serial: str
    received: int
    returned: int
    missing: int
    used: list[LoanUse]
    still_here: int
    unexplained: int
    sterility: str
    places: list[str]


class OrderHead(Out):
    """An order without its lines."""

    reference: str
    supplier: str
    kind: str
    ownership: str
    state: str
    says: str
    is_late: bool
    is_partly_received: bool
    lines: int
    outstanding: int
    currency: str | None
    total_minor: int
    lines_without_price: int
    total_says: str
    minimum_says: str
    due_at: datetime | None
    usable_from: datetime | None
    return_by: date | None
    wanted_for: str
    note: str
    made_at: datetime
    made_by: str
    approved_at: datetime | None
    approved_by: str
    sent_at: datetime | None
    sent_by: str
    closed_at: datetime | None
    closed_by: str
    closed_why: str
    version: int


class OrderOut(OrderHead):
    """An order with its lines, what came, what went back, and what it pays for."""

    items: list[OrderLineOut]
    receipts: list[ReceiptOut]
    returns: list[ReturnOut]
    uses: list[UseOut]
    loan: list[LoanLot]
    loan_says: str


class Orders(Out):
    """Orders that were made or added to."""

    orders: list[OrderOut]


class OrderPage(Out):
    """Some orders, the newest first, and where the next begin."""

    orders: list[OrderHead]
    next_after: str | None = None


class Loans(Out):
    """Loans that are here, those to go back first at the top."""

    loans: list[OrderOut]


class BillGroup(Out):
    """Uses of one supplier's consigned units that nobody has put on an order yet."""

    supplier: str
    uses: list[UseOut]


class BillOnly(Out):
    """What was used of consigned stock and is not on any order yet, by supplier."""

    suppliers: list[BillGroup]
