"""Recalls and where the recalled units are."""

from datetime import date, datetime
from typing import Literal, Self

from pydantic import Field, model_validator

from service.core.recalls import comparable
from service.schemas.base import Body, LongText, Name, Out, Ref, located


def _refuse_blank(body: "RecallBody | RecallSearch") -> None:
    """Refuse a name made of spaces and dashes: it would mean every pack, or none."""
    for field in ("supplier", "lot", "serial"):
        said: str | None = getattr(body, field)
        if said is not None and not comparable(said):
            raise located(body, field, "use at least one letter or digit")


class RecallBody(Body):
    """A supplier's notice; what it does not name it recalls all of."""

    notice: Ref
    ref: Ref | None = None
    supplier: Name | None = None
    lot: Name | None = None
    serial: Name | None = None
    reason: LongText
    quarantine: bool = Field(description="Quarantine every unit now on a shelf")

    @model_validator(mode="after")
    def _names_something(self) -> Self:
        if not any((self.ref, self.supplier, self.lot, self.serial)):
            raise located(self, "ref", "enter at least one of ref, supplier, lot and serial")
        _refuse_blank(self)
        return self


class RecallSearch(Body):
    """What units are looked for; what is not said is any."""

    ref: Ref | None = None
    supplier: Name | None = None
    lot: Name | None = None
    serial: Name | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        _refuse_blank(self)
        return self


class LiftBody(Body):
    """Why a recall is lifted, such as that the supplier has taken the notice back."""

    reason: LongText


class RecallHead(Out):
    """What a notice recalls, whether it is in force, and who lifts it.

    ``site`` is the site that declared it, empty where that is not on record; ``may_lift`` says that
    this is the asking site's to lift. Where it takes two people, ``lift_asked_by`` asked for it.
    """

    notice: str
    ref: str | None
    supplier: str
    lot: str
    serial: str
    reason: str
    at: datetime
    actor: str
    site: str
    may_lift: bool
    lift_asked_at: datetime | None
    lift_asked_by: str
    lift_asked_why: str
    lifted_at: datetime | None
    lifted_by: str
    lifted_why: str


class RecallPage(Out):
    """Some of the recalls, the newest first, and where the next begins."""

    recalls: list[RecallHead]
    next_after: str | None = None


class RecalledUnits(Out):
    """Units of one lot at one place."""

    ref: str
    lot: str
    serial: str
    store: str
    shelf: str
    quantity: int
    held: int


class TrayUnits(Out):
    """Units scanned to a case's tray and not accounted for yet."""

    ref: str
    lot: str
    serial: str
    case: str
    list_date: date
    theatre: str
    quantity: int


class PromisedUnits(TrayUnits):
    """Units a hold promises to a case."""


class GoneUnits(Out):
    """Units gone without being used in a case: returned, written off, missing at a count."""

    ref: str
    lot: str
    serial: str
    kind: str
    quantity: int
    last_on: date


class UsedUnits(Out):
    """Units implanted or wasted in a case; ``case`` is ``None`` where it is not on record."""

    ref: str
    lot: str
    serial: str
    case: str | None
    outcome: str
    quantity: int
    last_on: date
    source: Literal["ledger", "history"]


class RecallReport(RecallHead):
    """Where every recalled unit is, was or went; what nobody can tell is listed as such."""

    says: str
    on_shelves: list[RecalledUnits]
    in_quarantine: list[RecalledUnits]
    in_theatre: list[RecalledUnits]
    in_transit: list[RecalledUnits] = Field(
        description="Units sent by another site and not yet received"
    )
    on_trays: list[TrayUnits]
    on_lists: list[PromisedUnits]
    used: list[UsedUnits]
    gone: list[GoneUnits]
    cannot_tell: list[RecalledUnits] = Field(
        description="Units with no lot or serial recorded to compare with the notice"
    )
    cannot_tell_used: list[UsedUnits] = Field(
        description="Uses with no lot or serial recorded to compare with the notice"
    )
    moved: int = Field(description="Units moved to quarantine by this call")
    cases_told: list[str] = Field(description="Cases to be confirmed again because of this call")
