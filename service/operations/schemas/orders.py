"""Orders, loans and call-offs as they are sent; money in minor units of the order's currency."""

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from service.exchange.money import CURRENCIES, MOST_MINOR_UNITS
from service.operations.schemas.base import (
    Body,
    Count,
    Day,
    LongText,
    Moment,
    Name,
    OptionalText,
    Ref,
    located,
)
from service.operations.schemas.scans import Raw
from service.operations.schemas.stock import LocationBody

__all__ = [
    "BillBody",
    "BuyerBody",
    "CancelBody",
    "DraftBody",
    "DraftLine",
    "DueBody",
    "EditBody",
    "EditLine",
    "LetGoBody",
    "ReceiptBody",
    "ReceiptLine",
    "ReturnBody",
    "ReturnLine",
    "SendBody",
    "SteriliseBody",
]

Price = Annotated[int, Field(ge=0, le=MOST_MINOR_UNITS)]
Why = Annotated[list[LongText], Field(max_length=50)]
Endpoint = Annotated[str, StringConstraints(max_length=50, pattern=r"^[!-~]*$")]
#: A code of the list Electronic Address Scheme, such as 0088 for a GLN.
Scheme = Annotated[str, StringConstraints(pattern=r"^([0-9]{4})?$")]


class DraftLine(Body):
    """Units of an item that are wanted, and why."""

    ref: Ref
    quantity: Count
    why: Why = []
    supplier: Annotated[Name | None, Field(description="Instead of the catalogue's")] = None


class DraftBody(Body):
    """What is wanted; one draft a supplier is made of it, or an open draft is added to."""

    kind: Literal["purchase", "loan", "call_off"] = "purchase"
    lines: Annotated[list[DraftLine], Field(min_length=1, max_length=500)]
    wanted_for: OptionalText = ""
    return_by: Annotated[Day | None, Field(description="When a loan goes back")] = None

    @model_validator(mode="after")
    def _only_loans_go_back(self) -> Self:
        if self.kind != "loan" and self.return_by is not None:
            raise located(self, "return_by", "only a loan goes back")
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
    currency: Annotated[str | None, StringConstraints(pattern=r"^[A-Z]{3}$")] = None
    note: OptionalText = ""
    wanted_for: OptionalText = ""
    return_by: Day | None = None

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        refs = [line.ref for line in self.lines]
        if len(set(refs)) < len(refs):
            raise located(self, "lines", "each REF comes once; add the quantities up")
        if self.currency is not None and self.currency not in CURRENCIES:
            raise located(self, "currency", f"'{self.currency}' is no currency of ISO 4217")
        return self


class SendBody(Body):
    """An order that goes out; without moments they follow from the lead times."""

    due_at: Moment | None = None
    usable_from: Moment | None = None

    @model_validator(mode="after")
    def _usable_needs_due(self) -> Self:
        if self.usable_from is not None and self.due_at is None:
            raise located(self, "due_at", "say when it is due, too")
        return self


class DueBody(Body):
    """Another moment that the supplier has named, for the whole order or one line."""

    ref: Ref | None = None
    due_at: Moment
    usable_from: Moment | None = None


class CancelBody(Body):
    """Why an order is cancelled."""

    reason: LongText


class LetGoBody(Body):
    """What is no longer expected: all that is outstanding, or the items named."""

    refs: Annotated[list[Ref], Field(max_length=500)] = []
    reason: LongText


class ReceiptLine(Body):
    """Units that came: scanned, or typed from the label; both must say the same."""

    raw: Annotated[Raw | None, Field(description="The pack's code as it was scanned")] = None
    second: Annotated[Raw | None, Field(description="A second code of the same label")] = None
    ref: Ref | None = None
    lot: Name | None = None
    serial: Name | None = None
    use_by: Day | None = None
    quantity: Count = 1
    to: LocationBody
    take_surplus: Annotated[bool, Field(description="Take more than was ordered")] = False
    although: Annotated[
        LongText | None, Field(description="Why a short-dated pack is taken all the same")
    ] = None

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.raw is None and self.ref is None:
            raise located(self, "ref", "scan the pack, or type its REF")
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
        LocationBody | None, Field(description="Needed where units lie in several places")
    ] = None
    missing: bool = False
    note: Annotated[OptionalText, Field(description="What a set goes back without")] = ""

    @model_validator(mode="after")
    def _has_lot_or_serial(self) -> Self:
        if self.lot is None and self.serial is None:
            raise located(self, "lot", "say the lot or the serial")
        return self


class ReturnBody(Body):
    """Everything that goes back at once: all of it, or nothing."""

    lines: Annotated[list[ReturnLine], Field(min_length=1, max_length=500)]


class BillBody(Body):
    """Whose consigned units that were used go on a bill-only draft; everybody's without a name."""

    supplier: Name | None = None


class BuyerBody(Body):
    """Who orders, as electronic orders name this site."""

    legal_name: Annotated[str, StringConstraints(max_length=120, pattern=r"^[^\x00-\x1f\x7f]*$")]
    endpoint_id: Endpoint = ""
    endpoint_scheme: Scheme = ""

    @model_validator(mode="after")
    def _endpoint_has_its_scheme(self) -> Self:
        if (self.endpoint_id == "") != (self.endpoint_scheme == ""):
            raise located(self, "endpoint_scheme", "an endpoint and its scheme come together")
        return self


class SteriliseBody(Body):
    """A lot that has been made sterile here, all of its units."""

    ref: Ref
    lot: Name | None = None
    serial: Name | None = None
    ownership: Literal["owned", "consigned", "loan"] = "owned"
    use_by: Annotated[Day | None, Field(description="Until when it stays sterile")] = None
    note: Annotated[OptionalText, Field(description="Steriliser, cycle, load")] = ""

    @model_validator(mode="after")
    def _has_lot_or_serial(self) -> Self:
        if self.lot is None and self.serial is None:
            raise located(self, "lot", "say the lot or the serial")
        return self
