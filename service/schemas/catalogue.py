"""Catalogue lines in and out."""

from datetime import datetime
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, field_validator, model_validator

from service.core.catalogue import check_item
from service.exchange.labels.gs1 import gtin_problem
from service.exchange.sheets.money import CURRENCIES, MOST_MINOR_UNITS, unknown_currency
from service.schemas.base import (
    CURRENCY,
    Body,
    LongText,
    Name,
    Out,
    Ref,
    all_located,
    located,
    pattern,
)

Size = Annotated[float, Field(gt=0, le=5000, allow_inf_nan=False)]


EMDN_CODE = pattern(
    r"^[A-Z][0-9]{2,14}$", "enter a capital letter and 2 to 14 digits, such as P09120201"
)


class ItemFields(Body):
    """Every column of a catalogue line; lengths in mm, angles in degrees."""

    gtin: Annotated[str | None, Field(description="14 digits with a valid check digit")] = None
    kind: Annotated[str, Field(description="a generic trade class", examples=["lag_screw"])]
    system: Name | None = None
    description: LongText
    supplier: Name
    length_mm: Size | None = None
    diameter_mm: Size | None = None
    angle_deg: Size | None = None
    side: Literal["left", "right", "either"] | None = None
    screw_type: (
        Literal["lag", "antirotation", "blade", "locking", "cortical", "cancellous"] | None
    ) = None
    head_design: Literal["headed", "headless"] | None = None
    thread: Literal["partly", "fully"] | None = None
    thread_length_mm: Size | None = None
    holes: Annotated[int, Field(gt=0, le=30)] | None = None
    barrel_mm: Size | None = None
    bow_radius_mm: Size | None = None
    supplied_sterile: bool
    reusable: bool = False
    pack_quantity: Annotated[int, Field(gt=0, le=10_000)] = 1
    unit_price_minor: Annotated[int, Field(ge=0, le=MOST_MINOR_UNITS)] | None = None
    currency: Annotated[str, StringConstraints(pattern=CURRENCY)] | None = None
    lead_time_days: Annotated[int, Field(ge=0, le=3650)] | None = None
    emdn_code: Annotated[str, StringConstraints(pattern=EMDN_CODE)] | None = None
    turnaround_minutes: Annotated[int, Field(gt=0, le=10_080)] | None = None


class ItemBody(ItemFields):
    """A catalogue line as it is sent."""

    ref: Ref

    @field_validator("gtin")
    @classmethod
    def _whole_gtin(cls, gtin: str | None) -> str | None:
        problem = gtin_problem(gtin) if gtin is not None else None
        if problem is not None:
            raise ValueError(problem)
        return gtin

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Self:
        faults = check_item(self.model_dump())
        if (self.unit_price_minor is None) != (self.currency is None):
            reason = "enter both a price and a currency, or neither"
            raise located(self, "currency", reason)
        if self.currency is not None and self.currency not in CURRENCIES:
            reason = unknown_currency(self.currency)
            raise located(self, "currency", reason)
        if faults:
            raise all_located(self, [((fault.field,), fault.reason) for fault in faults])
        return self


class ItemSizes(Out):
    """What tells a catalogue line from its neighbours; lengths in mm, angles in degrees."""

    ref: str
    kind: str
    system: str | None
    description: str
    length_mm: float | None
    diameter_mm: float | None
    angle_deg: float | None
    side: str | None
    head_design: str | None
    thread: str | None
    thread_length_mm: float | None
    holes: int | None
    barrel_mm: float | None


class ItemOut(ItemSizes):
    """A catalogue line as it is answered; ``version`` is also its ETag."""

    gtin: str | None
    supplier: str
    screw_type: str | None
    bow_radius_mm: float | None
    supplied_sterile: bool
    reusable: bool
    pack_quantity: int
    unit_price_minor: int | None
    currency: str | None
    lead_time_days: int | None
    emdn_code: str | None
    turnaround_minutes: int | None
    version: int


class ItemPage(Out):
    """Some catalogue lines and where the next begin."""

    items: list[ItemOut]
    next_after: str | None = None


class UnlearnBody(Body):
    """Why a code is taken back, such as that it was taught with another pack in hand."""

    reason: LongText


class TaughtCode(Out):
    """A code that somebody has taught, and who took it back, if anybody did."""

    code: str
    ref: str
    learned_at: datetime
    taught_by: str
    unlearned_at: datetime | None = None
    unlearned_by: str = ""
    reason: str = ""


class TaughtCodes(Out):
    """The codes that are read because somebody taught them, and those that were taken back."""

    known: list[TaughtCode]
    unlearned: list[TaughtCode]
