"""Locations, stock, movements and deliveries in and out."""

from datetime import date, datetime
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from service.operations.schemas.base import (
    Body,
    Count,
    Day,
    LongText,
    Moment,
    Name,
    Out,
    Ref,
    located,
)

__all__ = [
    "CountBody",
    "DeliveryBody",
    "DeliveryOut",
    "LocationBody",
    "LocationOut",
    "MoveBody",
    "MovementOut",
    "ReceiveBody",
    "StockOut",
    "StockPage",
]

Ownership = Literal["owned", "consigned", "loan"]


class LocationBody(Body):
    """A shelf in a store, the quarantine, or a theatre."""

    store: Name
    shelf: Name
    kind: Literal["shelf", "quarantine", "theatre"] = "shelf"


class LocationOut(Out):
    """A location as it is answered."""

    store: str
    shelf: str
    kind: str


class LotFields(Body):
    """Which units are meant."""

    ref: Ref
    lot: Name | None = None
    serial: Name | None = None
    ownership: Ownership = "owned"

    @model_validator(mode="after")
    def _has_lot_or_serial(self) -> Self:
        if self.lot is None and self.serial is None:
            raise located(self, "lot", "say the lot or the serial")
        return self


class ReceiveBody(LotFields):
    """Units that arrive and are put on a shelf."""

    kind: Literal["receive"]
    quantity: Count
    to: LocationBody
    use_by: Day | None = None
    return_by: Day | None = None
    sterility: Literal["sterile", "unsterile"] | None = None

    @model_validator(mode="after")
    def _loan_goes_back(self) -> Self:
        if self.ownership != "consigned" and (self.ownership == "loan") != (
            self.return_by is not None
        ):
            raise located(
                self, "return_by", "a loan has a return_by date, and what is owned has none"
            )
        return self


class MoveBody(LotFields):
    """Units that go from one location to another, quarantine included."""

    kind: Literal["move"]
    quantity: Count
    origin: LocationBody
    to: LocationBody
    reason: LongText | None = None


class CountBody(LotFields):
    """What somebody counted at a location; the difference goes to the ledger."""

    kind: Literal["count"]
    at: LocationBody
    counted: Annotated[int, Field(ge=0, le=1_000_000)]
    reason: LongText


class MovementOut(Out):
    """A line of the ledger; ``seq`` is ``None`` where a count found no difference."""

    seq: int | None
    kind: str
    ref: str
    lot: str
    serial: str
    quantity: int
    actor: str
    at: datetime
    reopened: list[str] = []


class StockOut(Out):
    """Units of one lot at one place."""

    ref: str
    kind: str
    system: str | None
    description: str
    size: str
    lot: str
    serial: str
    use_by: date | None
    ownership: str
    return_by: date | None
    sterility: str
    store: str
    shelf: str
    location_kind: str
    quantity: int
    held: int


class StockPage(Out):
    """Some of the stock and where the next begins."""

    stock: list[StockOut]
    next_after: str | None = None


class DeliveryBody(Body):
    """Units on their way: an order or a loan; not stock until received."""

    reference: Ref
    ref: Ref
    quantity: Count
    ownership: Ownership = "owned"
    due_at: Moment
    usable_from: Moment | None = None
    return_by: Day | None = None
    supplier: Name | None = None

    @model_validator(mode="after")
    def _loan_goes_back(self) -> Self:
        if self.ownership != "consigned" and (self.ownership == "loan") != (
            self.return_by is not None
        ):
            raise located(
                self, "return_by", "a loan has a return_by date, and what is owned has none"
            )
        return self


class DeliveryOut(Out):
    """A delivery as it is answered."""

    reference: str
    ref: str
    description: str
    quantity: int
    ownership: str
    due_at: datetime
    usable_from: datetime
    return_by: date | None
    supplier: str


class DeliveryList(Out):
    """What is on its way, the earliest first."""

    deliveries: list[DeliveryOut]
