"""Movements beyond receiving, moving and counting; packs on a tray; explicit holds."""

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import Field

from service.operations.schemas.base import Body, Count, LongText, Out, Ref
from service.operations.schemas.stock import (
    CountBody,
    LocationBody,
    LotFields,
    MoveBody,
    ReceiveBody,
)

__all__ = [
    "CorrectionBody",
    "HoldBody",
    "HoldList",
    "HoldOut",
    "ImplantLog",
    "ImplantOut",
    "LoanOutBody",
    "MovementBody",
    "PackBody",
    "PackFate",
    "PackOut",
    "QuarantineBody",
    "ReleaseBody",
    "StatusBody",
    "TrayOut",
    "WriteOffBody",
]


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
        bool, Field(description="Take the units from other cases: they are told and reopened")
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
        LongText | None, Field(description="Why a pack that is not on the pick list is brought")
    ] = None


class PackFate(LotFields):
    """What became of a pack of the tray."""

    fate: Literal["implant", "waste", "return"]
    quantity: Count = 1
    reason: LongText | None = None


class PackOut(Out):
    """A pack of the tray and what has become of it."""

    ref: str
    description: str
    lot: str
    serial: str
    use_by: date | None
    ownership: str
    home_store: str
    home_shelf: str
    picked: int
    returned: int
    implanted: int
    wasted: int
    open: int


class TrayOut(Out):
    """Everything scanned to a case."""

    case: str
    status: str
    version: int
    packs: list[PackOut]
    unaccounted: int


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
    | LoanOutBody
    | CorrectionBody,
    Field(discriminator="kind"),
]
