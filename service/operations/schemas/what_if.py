"""Changes to try on a list day without saving them."""

from typing import Annotated

from pydantic import Field

from service.operations.schemas.base import Body, Clock, Day, Name, Ref
from service.operations.schemas.cases import CaseBody, PlanBody

__all__ = ["AddedCase", "AddedUnits", "MovedCase", "WhatIfBody"]


class AddedUnits(Body):
    """Units borrowed or ordered."""

    ref: Ref
    quantity: Annotated[int, Field(gt=0, le=1000)] = 1


class MovedCase(Body):
    """A case at another time, or on another list."""

    case: Ref
    starts: Clock
    ends: Clock
    list_date: Day | None = None
    theatre: Name | None = None


class AddedCase(Body):
    """An urgent case with its plan."""

    case: CaseBody
    plan: PlanBody


class WhatIfBody(Body):
    """What to try; everything given is tried together."""

    add_units: Annotated[list[AddedUnits], Field(max_length=50)] = []
    move_case: MovedCase | None = None
    add_case: AddedCase | None = None
