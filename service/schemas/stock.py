"""Locations, stock, movements and deliveries in and out."""

from datetime import date, datetime
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from service.schemas.base import (
    LOT_OR_SERIAL,
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
from service.schemas.catalogue import ItemOut, ItemSizes, TaughtCodes

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


def require_loan_to_go_back(body: Body, ownership: str, return_by: date | None) -> None:
    """Refuse a loan without the day it goes back, and such a day for what is owned."""
    if ownership != "consigned" and (ownership == "loan") != (return_by is not None):
        raise located(body, "return_by", "a loan needs a return_by date; owned stock has none")


class LotFields(Body):
    """Which units are meant."""

    ref: Ref
    lot: Name | None = None
    serial: Name | None = None
    ownership: Ownership = "owned"

    @model_validator(mode="after")
    def _has_lot_or_serial(self) -> Self:
        if self.lot is None and self.serial is None:
            raise located(self, "lot", LOT_OR_SERIAL)
        return self


class UseByBody(LotFields):
    """The use-by date that is printed on the packs of a lot, where another was typed."""

    use_by: Annotated[Day | None, Field(description="As on the label; null if the label has none")]
    reason: LongText


class LotOut(Out):
    """A lot as it is on record."""

    ref: str
    lot: str
    serial: str
    ownership: str
    use_by: date | None
    return_by: date | None
    sterility: str


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
        require_loan_to_go_back(self, self.ownership, self.return_by)
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
    """A line of the ledger; ``seq`` is ``None`` where a count found no difference.

    ``origin`` and ``target`` are the places the units left and came to, ``was`` and ``counted`` how
    many a count expected and found.
    """

    seq: int | None
    kind: str
    ref: str
    lot: str
    serial: str
    quantity: int
    actor: str
    at: datetime
    reopened: list[str] = []
    origin: LocationOut | None = None
    target: LocationOut | None = None
    was: int | None = None
    counted: int | None = None
    corrects_seq: int | None = None


class StockOut(Out):
    """Units of one lot at one place; ``not_usable`` says why they count for no case."""

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
    not_usable: str


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
        require_loan_to_go_back(self, self.ownership, self.return_by)
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


class FirstUse(Out):
    """The first coming case that could take the units."""

    case: str
    list_date: date
    theatre: str
    label: str


class ExpiringUnits(Out):
    """Units of one lot at one place; ``value_minor`` is ``None`` where no price is known."""

    ref: str
    description: str
    lot: str
    serial: str
    use_by: date
    days_left: int
    is_expired: bool
    ownership: str
    store: str
    shelf: str
    location_kind: str
    quantity: int
    held: int
    unit_price_minor: int | None
    value_minor: int | None
    currency: str | None
    first_use: FirstUse | None


class Worth(Out):
    """What units with a known price are worth, in one currency."""

    currency: str
    value_minor: int


class ExpiringOut(Out):
    """Everything that expires within some days, what has expired already first."""

    today: date
    days: int
    until: date
    units: list[ExpiringUnits]
    worth: list[Worth]
    without_price: int


class ListShortageOut(Out):
    """Something a coming list misses: any one of ``refs`` would serve."""

    case: str
    list_date: date
    theatre: str
    refs: list[str]
    what: str
    because: str
    missing: int
    sentence: str


class Amounts(Out):
    """Units of one or more items: ``here`` is ``promised``, ``free`` and ``not_usable`` together.

    ``needed`` is how many coming lists miss; what is on its way counts for none of them.
    """

    here: int = 0
    promised: int = 0
    free: int = 0
    not_usable: int = 0
    needed: int = 0
    coming: int = 0


class FamilyOut(Amounts):
    """One kind of item of one system."""

    kind: str
    system: str | None
    sizes: int


class SizeStockOut(Amounts, ItemSizes):
    """One catalogue line with what there is of it, its size also in words."""

    size: str


class LotHold(Out):
    """Units of a lot in one place that are promised to a case."""

    case: str
    list_date: date
    theatre: str
    quantity: int


class LotAtPlace(Out):
    """Units of one lot in one place; ``not_usable`` says why they count for no case."""

    ref: str
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
    not_usable: str
    holds: list[LotHold]


class StockChangeOut(Out):
    """Something that changes an item's stock on a day."""

    day: date
    kind: str
    quantity: int
    name: str


class ProjectedDayOut(Out):
    """An item's stock on one day."""

    day: date
    there: int
    promised: int
    free: int
    coming: int
    changes: list[StockChangeOut]


class ProjectionOut(Out):
    """An item's stock from today on, the days on which something changes."""

    first: date
    last: date
    there_now: int
    days: list[ProjectedDayOut]


class ItemView(Out):
    """Everything about one item's stock at a site."""

    item: ItemOut
    size: SizeStockOut
    lots: list[LotAtPlace]
    deliveries: list[DeliveryOut]
    missing: list[ListShortageOut]
    projection: ProjectionOut
    codes: TaughtCodes


class UnitsView(Out):
    """Units of one lot in one place, and the places they could go to."""

    item: ItemOut
    size: str
    units: LotAtPlace
    places: list[LocationOut]


class SetCopy(Out):
    """One copy of an instrument set: where it is, and when it can be used again.

    ``sent_at`` is when it was sent to be reprocessed, ``is_overdue`` that its turnaround has passed
    and it has not been scanned out.
    """

    ref: str
    lot: str
    serial: str
    ownership: str
    return_by: date | None
    sterility: str
    store: str
    shelf: str
    location_kind: str
    quantity: int
    state: str
    is_ready: bool
    sent_at: datetime | None
    is_overdue: bool
    back_at: datetime | None
    with_case: str | None
    next_case: str | None
    next_at: datetime | None


class SetNeed(Out):
    """A coming case that counts on an instrument set, or misses it.

    ``until`` is when the set is back and sterile; ``stands_by`` sets go back unopened.
    """

    case: str
    list_date: date
    theatre: str
    starts_at: datetime
    ends_at: datetime
    until: datetime
    stands_by: bool
    is_missing: bool


class SetStockOut(Out):
    """One kind of instrument set with its copies, who needs it next, and what clashes."""

    ref: str
    description: str
    system: str | None
    turnaround_minutes: int
    usable: int
    copies: list[SetCopy]
    needs: list[SetNeed]
    deliveries: list[DeliveryOut]
    conflicts: list[ListShortageOut]


class SetsOut(Out):
    """Every instrument set of a site, those with a conflict first."""

    until: date
    sets: list[SetStockOut]


class AskBody(Body):
    """Units asked of another site."""

    site: Name
    ref: Ref
    quantity: Count
    to: LocationBody


class AnswerBody(Body):
    """Whether a site agrees, and then which units go."""

    agreed: bool
    lot: Name | None = None
    serial: Name | None = None
    ownership: Literal["owned", "consigned", "loan"] = "owned"
    origin: LocationBody | None = None
    expected_at: Moment | None = Field(
        default=None, description="Expected arrival; if omitted, the units are not counted on"
    )


class ArrivalBody(Body):
    """What became of units that another site has sent."""

    quantity: Count
    condition: Literal["arrived", "damaged", "missing"] = Field(
        description="arrived: to the shelf; damaged: to quarantine; missing: written off"
    )
    to: LocationBody | None = Field(
        default=None, description="The shelf they go to, if not the one requested"
    )
    reason: LongText | None = Field(
        default=None, description="What is wrong with them, or why they will not arrive"
    )

    @model_validator(mode="after")
    def _says_why(self) -> Self:
        if self.condition != "arrived" and self.reason is None:
            why = "state what is wrong with them, or why they will not arrive"
            raise located(self, "reason", why)
        if self.condition != "arrived" and self.to is not None:
            raise located(self, "to", "only units that arrived in good order go to a shelf")
        return self


class TransferOut(Out):
    """A transfer as both sites see it.

    Of what was sent, every unit is in transit, has arrived or was written off.
    """

    id: int
    from_site: str
    to_site: str
    ref: str
    quantity: int
    to_store: str
    to_shelf: str
    state: str
    asked_at: datetime
    asked_by: str
    answered_by: str
    lot: str = ""
    serial: str = ""
    expected_at: datetime | None = None
    is_late: bool = False
    in_transit: int = 0
    arrived: int = 0
    written_off: int = 0


class Transfers(Out):
    """Transfers, the newest first."""

    transfers: list[TransferOut]
