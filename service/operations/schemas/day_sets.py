"""Instrument sets over a list day: which case has one, and until when."""

from datetime import datetime

from service.operations.schemas.base import Out

__all__ = ["SetTimes", "SetUseOut"]


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
