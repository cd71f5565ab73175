"""Transfers between sites in and out."""

from datetime import datetime
from typing import Literal

from service.operations.schemas.base import Body, Count, Name, Out, Ref
from service.operations.schemas.stock import LocationBody

__all__ = ["AnswerBody", "AskBody", "TransferOut", "Transfers"]


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


class TransferOut(Out):
    """A transfer as both sites see it."""

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


class Transfers(Out):
    """Transfers, the newest first."""

    transfers: list[TransferOut]
