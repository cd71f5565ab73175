"""What is scanned and what is answered."""

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import ConfigDict, StringConstraints

from service.operations.schemas.base import Body, Name, Out, Ref

__all__ = [
    "FillsOut",
    "HolderOut",
    "LearnBody",
    "LearnedOut",
    "NamedPackBody",
    "ScanBody",
    "ScanOut",
    "Verdicts",
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
