"""What a check of a list day answers."""

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import Field

from service.schemas.base import Body, Out

State = Literal["covered", "covered if", "partly covered", "not covered"]


class PickOut(Out):
    """Units of one lot to take from one shelf."""

    lot: str
    serial: str
    use_by: date | None
    ownership: str
    store: str
    shelf: str
    quantity: int


class GapOut(Out):
    """What is missing and why."""

    role: str
    label: str
    what: str
    because: str
    missing: int
    sentence: str


class ExpectationOut(Out):
    """What has to happen first: a set back after a case, a delivery, or units from another site.

    ``after`` is empty but for a set that comes back, ``sent_from`` but for what a site has sent.
    """

    ref: str
    name: str
    due: datetime
    needed: datetime
    after: str
    sent_from: str = ""
    is_late: bool = False


class PickLineOut(Out):
    """One line of a pick list."""

    role: str
    label: str
    refs: list[str]
    quantity: int
    found: int
    why: str
    place: str
    what: str
    picks: list[PickOut]
    gap: GapOut | None


class ImplantSizesOut(Out):
    """How probable it is that one implant is at hand in the size it needs."""

    role: str
    probability: Annotated[float, Field(ge=0, le=1)]


class SizesFoundOut(Out):
    """How probable it is that a construct is at hand in the sizes it needs."""

    probability: Annotated[
        float,
        Field(
            ge=0,
            le=1,
            description=("Probability that every size it needs is among those found, 0 to 1"),
        ),
    ]
    implants: list[ImplantSizesOut]
    says: str
    refused: Annotated[
        str, Field(description="Why they are not enough for cover; empty when they are")
    ] = ""


class ConstructCheckOut(Out):
    """A planned construct and how far it is covered."""

    planned: str
    name: str
    role: Literal["primary", "alternate"]
    state: State
    says: str
    gaps: list[GapOut]
    expects: list[ExpectationOut]
    condition: Annotated[
        str, Field(description="What has to happen before it is covered; empty when nothing has")
    ] = ""
    sizes: Annotated[
        SizesFoundOut | None, Field(description="Null for a construct without sized implants")
    ] = None
    lines: list[PickLineOut]


class DimensionOut(Out):
    """What is known of one dimension and how."""

    dimension: str
    meaning: str
    mean_mm: float
    sd_mm: float
    calibrated: bool
    basis: str


class PickRowOut(Out):
    """What to take from a shelf, where it goes and why; a pack several constructs name is once."""

    label: str
    ref: str
    lot: str
    serial: str
    use_by: date | None
    ownership: str
    store: str
    shelf: str
    quantity: int
    place: str
    whys: list[str]
    shared_with: list[str]
    held: bool
    on_tray: Annotated[bool, Field(description="it is already on the case's tray")]


class ConfirmationOut(Out):
    """Who confirmed which plan revision, and whether that still holds."""

    plan_revision: int
    at: datetime
    actor: str
    in_force: bool
    changed: list[str]


class CaseCheckOut(Out):
    """A case with the state of each construct; a case without a plan says so."""

    case: str
    position: int
    starts_at: datetime
    ends_at: datetime
    side: str
    plan_revision: int | None
    state: Literal[
        "covered",
        "covered if",
        "partly covered",
        "not covered",
        "not planned",
        "cannot be sized",
        "closed",
    ]
    says: str
    expects: list[ExpectationOut] = []
    condition: Annotated[
        str, Field(description="What has to happen before it is covered; empty when nothing has")
    ] = ""
    awaited: Annotated[
        list[ExpectationOut],
        Field(description="What its probability assumes that has not happened yet"),
    ] = []
    counting_on: Annotated[str, Field(description="That in words; empty when there is nothing")] = (
        ""
    )
    dimensions: list[DimensionOut]
    constructs: list[ConstructCheckOut]
    near: list[PickLineOut]
    pick_list: list[PickRowOut]
    confirmation: ConfirmationOut | None = None


class ListCheckOut(Out):
    """One theatre's list."""

    theatre: str
    cases: list[CaseCheckOut]


class TroubleOut(Out):
    """One thing wrong with one case, with every construct it touches."""

    case: str
    theatre: str
    because: str
    what: str
    role: str
    label: str
    constructs: list[str]
    sentence: str


class CheckOut(Out):
    """A list day checked against stock."""

    date: date
    checked_at: datetime
    lists: list[ListCheckOut]
    troubles: list[TroubleOut]
    caution: str

    def case_starts(self) -> dict[str, datetime]:
        """Return when each case of the day starts, by reference."""
        return {case.case: case.starts_at for one in self.lists for case in one.cases}


class ConfirmBody(Body):
    """The plan revision whose backups are confirmed."""

    plan_revision: Annotated[int, Field(gt=0, le=1_000_000)]


class SetUseOut(Out):
    """One case that counts on a set; ``back_at`` is when the set can be used again."""

    case: str
    starts_at: datetime
    ends_at: datetime
    back_at: datetime


class SetTimes(Out):
    """One kind of set, how many sterile copies are here, and the cases of the day that need one."""

    ref: str
    name: str
    quantity: int
    turnaround_minutes: int
    uses: list[SetUseOut]
