"""What runs short across coming lists, and each way to cover it."""

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import Field

from service.schemas.base import Out


class ItemShortOut(Out):
    """An item that would close a shortfall; of several any one would do."""

    ref: str
    description: str
    size: str
    supplier: str
    lead_time_days: int | None
    pack_quantity: int


class MissingOut(Out):
    """A line of a case for which units are missing."""

    case: str
    list_date: date
    theatre: str
    starts_at: datetime
    list_starts_at: datetime
    side: str
    name: str
    planned: str
    stands: Literal["primary", "alternate", "near"]
    role: str
    label: str
    why: str
    missing: int
    because: str
    sentence: str


class WayOut(Out):
    """One way to cover a shortfall; without a moment, until when is not known."""

    way: Literal[
        "reprocess",
        "release",
        "transfer_store",
        "delivery",
        "transfer_site",
        "call_off",
        "loan",
        "order",
    ]
    ref: str
    source: str
    quantity: Annotated[int | None, Field(description="how many it could supply; null: unknown")]
    last_moment: Annotated[datetime | None, Field(description="for the list that needs it first")]
    has_passed: bool | None
    in_time_for: list[str]
    says: str


class QuestionOut(Out):
    """What the surgeon could be asked; it covers nothing until they have agreed."""

    kind: Literal["size", "construct", "time"]
    case: str
    asks: str
    ref: str
    free: Annotated[
        int | None, Field(description=("units free at this site on the list day, for a size"))
    ]
    planned: str


class ShortfallOut(Out):
    """Something missing: how many, from when, for whom, and what can be done."""

    label: str
    what: str
    because: Annotated[str, Field(description="why, where it is needed first")]
    items: list[ItemShortOut]
    quantity: int
    needed_on: date
    needed_at: Annotated[datetime, Field(description="start of the list that needs it first")]
    order_by: datetime | None
    order_by_has_passed: bool | None
    order_by_says: str
    gain: Annotated[
        float | None,
        Field(description="further cases expected from one more unit; null: not known"),
    ]
    missing: list[MissingOut]
    ways: list[WayOut]
    questions: list[QuestionOut]


class UncheckedOut(Out):
    """A coming case that could not be checked: what it lacks is not known."""

    case: str
    list_date: date
    theatre: str
    says: str


class FigureOut(Out):
    """A figure the moments rest on."""

    key: str
    value: float
    unit: str
    source: str
    note: str


class Shortfalls(Out):
    """Everything that is short on the lists of some days, what is needed first standing first."""

    today: date
    until: date
    checked_at: datetime
    shortfalls: list[ShortfallOut]
    unchecked: list[UncheckedOut]
    suppliers_unknown: Annotated[
        list[str],
        Field(description="named, but without working days: every day is counted"),
    ]
    figures: list[FigureOut]
    gains_searched: bool
    suggestions_searched: bool
    caution: str
