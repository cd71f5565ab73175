"""Suppliers and days without deliveries, in and out."""

from datetime import date, time
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, field_validator, model_validator

from service.core.shortfalls.deadlines import EVERY_DAY, days_fault
from service.exchange.sheets.money import CURRENCIES, MOST_MINOR_UNITS, unknown_currency
from service.schemas.base import (
    CURRENCY_OR_NONE,
    ENDPOINT,
    SCHEME_OR_NONE,
    Body,
    Clock,
    Name,
    Out,
    located,
    pattern,
)

WorksOn = Annotated[
    str,
    Field(description="Monday to Sunday, 1 for a working day; 1111111 counts calendar days"),
    StringConstraints(
        pattern=pattern(
            r"^[01]{7}$",
            "enter seven digits for Monday to Sunday, 1 for a working day, such as 1111100",
        )
    ),
]


Endpoint = Annotated[str, StringConstraints(max_length=80, pattern=ENDPOINT)]


COUNTRY_OR_NONE = pattern(
    r"^([A-Z]{2})?$", "enter a country code of two capital letters, such as GB"
)


class SupplierBody(Body):
    """How a supplier works and is addressed; its name stands in the address."""

    minimum_order_minor: Annotated[int, Field(ge=0, le=MOST_MINOR_UNITS)] = 0
    currency: Annotated[str, StringConstraints(pattern=CURRENCY_OR_NONE)] = ""
    works_on: WorksOn = EVERY_DAY
    cut_off: Annotated[
        Clock | None, Field(description="Latest time for an order to count on the same day")
    ] = None
    endpoint_id: Endpoint = ""
    endpoint_scheme: Annotated[str, StringConstraints(pattern=SCHEME_OR_NONE)] = ""
    country: Annotated[str, StringConstraints(pattern=COUNTRY_OR_NONE)] = ""
    is_loan_lender: bool = False

    @field_validator("cut_off")
    @classmethod
    def _whole_minute(cls, cut_off: time | None) -> time | None:
        if cut_off is not None and (cut_off.second or cut_off.microsecond):
            message = "enter a time in whole minutes, such as 14:00"
            raise ValueError(message)
        return cut_off

    @field_validator("works_on")
    @classmethod
    def _some_day(cls, works_on: str) -> str:
        fault = days_fault(works_on)
        if fault is not None:
            raise ValueError(fault)
        return works_on

    @model_validator(mode="after")
    def _belongs_together(self) -> Self:
        if self.currency and self.currency not in CURRENCIES:
            raise located(self, "currency", unknown_currency(self.currency))
        if self.minimum_order_minor and not self.currency:
            raise located(self, "currency", "a minimum order needs a currency")
        if bool(self.endpoint_id) != bool(self.endpoint_scheme):
            field = "endpoint_scheme" if self.endpoint_id else "endpoint_id"
            raise located(self, field, "enter both the electronic address and its scheme")
        return self


class SupplierOut(Out):
    """A supplier; ``version`` is also its ETag."""

    name: str
    minimum_order_minor: int
    currency: str
    works_on: str
    cut_off: Annotated[str | None, Field(description="HH:MM, local time")]
    endpoint_id: str
    endpoint_scheme: str
    country: str
    is_loan_lender: bool
    version: int


class SupplierList(Out):
    """Every supplier, and those the catalogue names of whom nothing else is known."""

    suppliers: list[SupplierOut]
    unknown: list[str]


class HolidayBody(Body):
    """What a day without deliveries is called."""

    name: Name


class HolidayOut(Out):
    """A day on which the site neither sends nor receives."""

    day: date
    weekday: Literal["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]
    name: str


class HolidayList(Out):
    """A site's holidays, the earliest first."""

    holidays: list[HolidayOut]
