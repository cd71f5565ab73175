"""Planning a case on one page: what is sent together, and what is answered before it is saved."""

from typing import Annotated, Literal

from pydantic import Field

from service.operations.schemas.base import Body, Out
from service.operations.schemas.cases import CaseOut, FindingsBody, MeasurementsBody, PlanBody
from service.operations.schemas.checks import CaseCheckOut, ConstructCheckOut
from service.operations.schemas.planning import SuggestedPlan
from service.operations.schemas.readiness import CaseReadiness

__all__ = [
    "BesideOut",
    "CasePlanBody",
    "CaseView",
    "MeasureOut",
    "SizeThatFollows",
    "TriedPlan",
]


class CasePlanBody(Body):
    """What is known of a fracture, and the plan for it; without a plan, the measures alone."""

    side: Literal["left", "right"]
    sex: Literal["F", "M", "unknown"] = "unknown"
    fracture_class: Annotated[str, Field(max_length=20, examples=["31A2.2"])] | None = None
    class_year: Annotated[int, Field(examples=[2018])] | None = None
    findings: FindingsBody = FindingsBody()
    measurements: MeasurementsBody = MeasurementsBody()
    plan: PlanBody | None = None


class BesideOut(Out):
    """A neighbouring size that is brought, and whether it is there."""

    size_mm: float
    is_there: bool


class SizeThatFollows(Out):
    """The size of one role that follows from a measure; none when it is not made."""

    role: str
    size_mm: float | None
    is_there: bool
    beside: list[BesideOut]


class MeasureOut(Out):
    """A dimension: as measured, as far as its true size is known, and the sizes that follow."""

    dimension: str
    meaning: str
    given_mm: float | None
    mean_mm: float
    sd_mm: float
    calibrated: bool
    basis: str
    sizes: list[SizeThatFollows]


class TriedPlan(Out):
    """A plan as it would be, with nothing saved.

    ``offered`` holds the cover of what is suggested but not accepted, by how it is planned.
    """

    case: CaseOut
    check: CaseCheckOut | None
    readiness: CaseReadiness | None
    measures: list[MeasureOut]
    suggested: SuggestedPlan | None
    offered: dict[str, ConstructCheckOut]


class CaseView(Out):
    """A case with everything its page says of it; no check where it is past or cancelled."""

    case: CaseOut
    check: CaseCheckOut | None
    readiness: CaseReadiness | None
    measures: list[MeasureOut]
    suggested: SuggestedPlan | None
