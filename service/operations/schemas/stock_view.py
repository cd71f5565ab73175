"""What the stock pages show: families and sizes, one item with its lots, and where sets are."""

from datetime import date, datetime

from service.operations.schemas.base import Out
from service.operations.schemas.items import ItemOut
from service.operations.schemas.stock import DeliveryOut, LocationOut

__all__ = [
    "ChangeOut",
    "FamilyOut",
    "ItemView",
    "LotAtPlace",
    "LotHold",
    "MissingOut",
    "ProjectedDayOut",
    "ProjectionOut",
    "SetCopy",
    "SetNeed",
    "SetOut",
    "SetsOut",
    "SizeOut",
    "UnitsView",
]


class MissingOut(Out):
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


class SizeOut(Amounts):
    """One catalogue line with what there is of it; lengths in mm, angles in degrees."""

    ref: str
    kind: str
    system: str | None
    description: str
    size: str
    length_mm: float | None
    diameter_mm: float | None
    angle_deg: float | None
    side: str | None
    head_design: str | None
    thread: str | None
    thread_length_mm: float | None
    holes: int | None
    barrel_mm: float | None


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


class ChangeOut(Out):
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
    changes: list[ChangeOut]


class ProjectionOut(Out):
    """An item's stock from today on, the days on which something changes."""

    first: date
    last: date
    there_now: int
    days: list[ProjectedDayOut]


class ItemView(Out):
    """Everything about one item's stock at a site."""

    item: ItemOut
    size: SizeOut
    lots: list[LotAtPlace]
    deliveries: list[DeliveryOut]
    missing: list[MissingOut]
    projection: ProjectionOut


class UnitsView(Out):
    """Units of one lot in one place, and the places they could go to."""

    item: ItemOut
    size: str
    units: LotAtPlace
    places: list[LocationOut]


class SetCopy(Out):
    """One copy of an instrument set: where it is, and when it can be used again."""

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


class SetOut(Out):
    """One kind of instrument set with its copies, who needs it next, and what clashes."""

    ref: str
    description: str
    system: str | None
    turnaround_minutes: int
    usable: int
    copies: list[SetCopy]
    needs: list[SetNeed]
    deliveries: list[DeliveryOut]
    conflicts: list[MissingOut]


class SetsOut(Out):
    """Every instrument set of a site, those with a conflict first."""

    until: date
    sets: list[SetOut]
