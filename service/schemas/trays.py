"""Movements beyond receiving, moving and counting; packs on a tray; explicit holds."""

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import ConfigDict, Field, StringConstraints

from service.schemas.base import Body, Count, LongText, Name, Out, Ref
from service.schemas.stock import CountBody, LocationBody, LotFields, MoveBody, ReceiveBody


class WriteOffBody(LotFields):
    """Units that are lost, damaged or expired."""

    kind: Literal["write_off"]
    quantity: Count
    at: LocationBody
    reason: LongText


class QuarantineBody(LotFields):
    """Units that must not be used until somebody has looked at them."""

    kind: Literal["quarantine"]
    quantity: Count
    origin: LocationBody
    reason: LongText


class ReleaseBody(LotFields):
    """Units that come out of quarantine."""

    kind: Literal["release"]
    quantity: Count
    origin: LocationBody
    to: LocationBody
    reason: LongText


class ReprocessBody(LotFields):
    """Copies of a set on a shelf that are not sterile after all, and are reprocessed."""

    kind: Literal["reprocess"]
    quantity: Count = 1
    origin: LocationBody
    reason: LongText


class LoanOutBody(LotFields):
    """Units of a loan that go back to their supplier."""

    kind: Literal["loan_out"]
    quantity: Count
    origin: LocationBody
    reason: LongText


class CorrectionBody(Body):
    """A line of the ledger that was wrong: it is taken back by a new line that names it."""

    kind: Literal["correction"]
    seq: Annotated[int, Field(gt=0, le=2**31 - 1)]
    reason: LongText


class HoldBody(LotFields):
    """Units to be promised to a case."""

    case: Ref
    quantity: Count = 1
    at: LocationBody
    take_over: Annotated[
        bool,
        Field(
            description=(
                "Take the units from other cases: their teams are notified and asked to confirm "
                "again"
            )
        ),
    ] = False
    reason: LongText | None = None


class HoldOut(Out):
    """Units promised to a case."""

    case: str
    ref: str
    description: str
    lot: str
    serial: str
    use_by: date | None
    store: str
    shelf: str
    quantity: int
    first_use: bool
    shared: bool
    made_at: datetime
    actor: str


class HoldList(Out):
    """What a case holds, and which cases lost something to it."""

    holds: list[HoldOut]
    reopened: list[str] = []


class PackBody(LotFields):
    """A pack scanned to the tray of a case."""

    quantity: Count = 1
    at: LocationBody | None = None
    although: Annotated[
        LongText | None, Field(description="Why a pack that is not on the pick list is taken")
    ] = None


class PackOutcomeBody(LotFields):
    """What became of a pack of the tray."""

    fate: Literal["implant", "waste", "return", "reprocess"]
    quantity: Count = 1
    reason: LongText | None = None
    was_used: Annotated[
        bool, Field(description="confirm that it is implanted although it must not be used")
    ] = False


class PackOut(Out):
    """A pack of the tray and what has become of it."""

    ref: str
    description: str
    system: Annotated[str, Field(description="Empty for what fits any")]
    size: Annotated[str, Field(description="As it is said in theatre; empty for what has none")]
    lot: str
    serial: str
    use_by: date | None
    ownership: str
    home_store: str
    home_shelf: str
    reusable: bool
    picked: int
    returned: int
    implanted: int
    wasted: int
    open: int
    unfit: Annotated[
        str,
        Field(description=("why it must not be used, such as expired; empty when it may be used")),
    ]


class TrayOut(Out):
    """Everything scanned to a case."""

    case: str
    status: str
    version: int
    packs: list[PackOut]
    unaccounted: int
    was_in_theatre: bool = Field(
        description="Whether packs on it may have been opened: the case has started"
    )


class ImplantOut(Out):
    """A line of the implant log."""

    case: str
    udi: str
    ref: str
    description: str
    lot: str
    serial: str
    use_by: date | None
    quantity: int
    fate: str
    reason: str
    at: datetime
    actor: str


class ImplantLog(Out):
    """What was implanted or wasted in a case."""

    lines: list[ImplantOut]


class StatusBody(Body):
    """Where a case stands."""

    status: Literal["prepared", "in_theatre", "closed"]


MovementBody = Annotated[
    ReceiveBody
    | MoveBody
    | CountBody
    | WriteOffBody
    | QuarantineBody
    | ReleaseBody
    | ReprocessBody
    | LoanOutBody
    | CorrectionBody,
    Field(discriminator="kind"),
]


#: As the scanner sent it: separators (U+001D) and trailing spaces are part of a code.
Raw = Annotated[str, StringConstraints(max_length=500)]


TrimmedRef = Annotated[Ref, StringConstraints(strip_whitespace=True)]


Verdicts = Literal[
    "unreadable",
    "needs_primary",
    "unknown",
    "recalled",
    "label_differs",
    "expired",
    "quarantined",
    "not_sterile",
    "expires_before_list_day",
    "goes_back",
    "no_pick_list",
    "wrong_side",
    "wrong_system",
    "wrong_size",
    "wrong_item",
    "needs_lot",
    "already_scanned",
    "held_for_another_case",
    "not_in_stock",
    "right",
    "known",
]


class _Scanned(Body):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=False)


class ScanBody(_Scanned):
    """One pack: its code, a second code of the same label, and the case it is meant for."""

    raw: Raw
    second: Raw | None = None
    case: TrimmedRef | None = None


class NamedPackBody(Body):
    """One pack whose label is read by eye, and the case it is meant for."""

    ref: Ref
    lot: Name | None = None
    serial: Name | None = None
    case: Ref | None = None


class ScannedItem(Out):
    """The catalogue line a code names."""

    ref: str
    kind: str
    system: str | None
    description: str
    size: str


class FillsOut(Out):
    """The line of the pick list a pack fills."""

    role: str
    label: str
    place: str
    why: str


class HolderOut(Out):
    """Another case that the units are promised to."""

    case: str
    list_date: date
    theatre: str


class ScannedPlace(Out):
    """Where units of the lot are on record."""

    store: str
    shelf: str
    kind: str
    quantity: int
    held: int


class ScanOut(Out):
    """What the pack is, whether it is the right one, and what to do."""

    kind: Literal["gs1", "gtin", "hibc_primary", "hibc_secondary", "hibc_combined", "unknown"]
    verdict: Verdicts
    says: str
    what_to_do: str
    item: ScannedItem | None
    lot: str
    serial: str
    use_by: date | None
    case: str | None
    fills: FillsOut | None
    comes_from: list[ScannedPlace]
    held_for: list[HolderOut]
    caution: str


class LearnBody(_Scanned):
    """A code of a pack and the REF printed beside it."""

    raw: Raw
    second: Raw | None = None
    ref: TrimmedRef


class LearnedOut(Out):
    """A code that is read as an item from now on; ``learned_at`` is ``None`` for its own GTIN."""

    code: str
    ref: str
    description: str
    size: str
    learned_at: datetime | None
    actor: str | None


class AloudOut(Out):
    """What is said aloud before a pack is opened, and how many of it lie on the tray."""

    ref: str
    kind: str
    description: str
    size: str
    side: str
    system: str
    lot: str
    serial: str
    use_by: date | None
    sterility: str
    ownership: str
    home_store: str
    home_shelf: str
    reusable: bool
    open: int
    implanted: int
    wasted: int
    returned: int
    unfit: str


class BroughtOut(Out):
    """What a scan said, and the pack that is on the tray now; ``None`` when none was brought."""

    scan: ScanOut
    pack: PackBody | None


class SettledOut(Out):
    """The tray, and how many units went back to their shelves."""

    tray: TrayOut
    went_back: int
