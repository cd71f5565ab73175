"""Orders, loans and call-offs as they are sent; money in minor units of the order's currency."""

from datetime import date, datetime
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from service.exchange.sheets.money import CURRENCIES, MOST_MINOR_UNITS, unknown_currency
from service.schemas.base import (
    CURRENCY,
    ENDPOINT,
    LOT_OR_SERIAL,
    PRINTABLE,
    SCHEME_OR_NONE,
    Body,
    Count,
    Day,
    LongText,
    Moment,
    Name,
    OptionalText,
    Out,
    Ref,
    located,
)
from service.schemas.stock import LocationBody
from service.schemas.trays import Raw

Price = Annotated[int, Field(ge=0, le=MOST_MINOR_UNITS)]


Why = Annotated[list[LongText], Field(max_length=50)]


Endpoint = Annotated[str, StringConstraints(max_length=50, pattern=ENDPOINT)]


Scheme = Annotated[str, StringConstraints(pattern=SCHEME_OR_NONE)]


class DraftLine(Body):
    """Units of an item that are wanted, and why."""

    ref: Ref
    quantity: Count
    why: Why = []
    supplier: Annotated[Name | None, Field(description="Instead of the catalogue supplier")] = None


class DraftBody(Body):
    """What is wanted; one draft a supplier is made of it, or an open draft is added to."""

    kind: Literal["purchase", "loan", "call_off"] = "purchase"
    lines: Annotated[list[DraftLine], Field(min_length=1, max_length=500)]
    wanted_for: OptionalText = ""
    return_by: Annotated[Day | None, Field(description="When a loan must be returned")] = None

    @model_validator(mode="after")
    def _only_loans_go_back(self) -> Self:
        if self.kind != "loan" and self.return_by is not None:
            raise located(self, "return_by", "only a loan has a return date")
        return self


class EditLine(Body):
    """A line as it should be; a price that is left out stays, one that is null is unknown."""

    ref: Ref
    quantity: Count
    unit_price_minor: Price | None = None
    why: Why | None = None


class EditBody(Body):
    """A draft as it should be; lines that are left out go."""

    lines: Annotated[list[EditLine], Field(min_length=1, max_length=500)]
    currency: Annotated[str | None, StringConstraints(pattern=CURRENCY)] = None
    note: OptionalText = ""
    wanted_for: OptionalText = ""
    return_by: Day | None = None

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        refs = [line.ref for line in self.lines]
        if len(set(refs)) < len(refs):
            raise located(self, "lines", "each REF may be entered once only; add up the quantities")
        if self.currency is not None and self.currency not in CURRENCIES:
            raise located(self, "currency", unknown_currency(self.currency))
        return self


class SendBody(Body):
    """An order that goes out; without moments they follow from the lead times."""

    due_at: Moment | None = None
    usable_from: Moment | None = None

    @model_validator(mode="after")
    def _usable_needs_due(self) -> Self:
        if self.usable_from is not None and self.due_at is None:
            raise located(self, "due_at", "enter the due date as well")
        return self


class DueBody(Body):
    """Another moment that the supplier has named, for the whole order or one line."""

    ref: Ref | None = None
    due_at: Moment
    usable_from: Moment | None = None


class CancelBody(Body):
    """Why an order is cancelled."""

    reason: LongText


class CancelRemainingBody(Body):
    """What is no longer expected: all that is outstanding, or the items named."""

    refs: Annotated[list[Ref], Field(max_length=500)] = []
    reason: LongText


class ReceiptLine(Body):
    """Units that came: scanned, or typed from the label; both must say the same."""

    raw: Annotated[Raw | None, Field(description="The scanned code of the pack")] = None
    second: Annotated[Raw | None, Field(description="A second code of the same label")] = None
    ref: Ref | None = None
    lot: Name | None = None
    serial: Name | None = None
    use_by: Day | None = None
    quantity: Count = 1
    to: LocationBody
    take_surplus: Annotated[bool, Field(description="Accept more than was ordered")] = False
    although: Annotated[
        LongText | None, Field(description="Reason for accepting a short-dated pack")
    ] = None

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.raw is None and self.ref is None:
            raise located(self, "ref", "scan the pack or type its REF")
        return self


class ReceiptBody(Body):
    """Everything that is received at once: all of it, or nothing."""

    lines: Annotated[list[ReceiptLine], Field(min_length=1, max_length=500)]


class ReturnLine(Body):
    """Units of a loan that go back, or are missing when the rest goes back."""

    ref: Ref
    lot: Name | None = None
    serial: Name | None = None
    quantity: Count = 1
    origin: Annotated[
        LocationBody | None, Field(description="Required when units are in several locations")
    ] = None
    missing: bool = False
    note: Annotated[OptionalText, Field(description="What is missing from a returned set")] = ""

    @model_validator(mode="after")
    def _has_lot_or_serial(self) -> Self:
        if self.lot is None and self.serial is None:
            raise located(self, "lot", LOT_OR_SERIAL)
        return self


class ReturnBody(Body):
    """Everything that goes back at once: all of it, or nothing."""

    lines: Annotated[list[ReturnLine], Field(min_length=1, max_length=500)]


class BillBody(Body):
    """Whose consigned units that were used go on a bill-only draft; everybody's without a name."""

    supplier: Name | None = None


class BuyerBody(Body):
    """Who orders, as electronic orders name this site."""

    legal_name: Annotated[str, StringConstraints(max_length=120, pattern=PRINTABLE)]
    endpoint_id: Endpoint = ""
    endpoint_scheme: Scheme = ""

    @model_validator(mode="after")
    def _endpoint_has_its_scheme(self) -> Self:
        if (self.endpoint_id == "") != (self.endpoint_scheme == ""):
            raise located(
                self, "endpoint_scheme", "enter both the electronic address and its scheme"
            )
        return self


class SteriliseBody(Body):
    """A lot that has been made sterile here, all of its units."""

    ref: Ref
    lot: Name | None = None
    serial: Name | None = None
    ownership: Literal["owned", "consigned", "loan"] = "owned"
    use_by: Annotated[Day | None, Field(description="Sterile until")] = None
    note: Annotated[OptionalText, Field(description="Steriliser, cycle, load")] = ""
    to: Annotated[
        LocationBody | None, Field(description="Its shelf; if omitted, the one it came from")
    ] = None

    @model_validator(mode="after")
    def _has_lot_or_serial(self) -> Self:
        if self.lot is None and self.serial is None:
            raise located(self, "lot", LOT_OR_SERIAL)
        return self


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
