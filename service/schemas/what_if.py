"""Planning a case on one page: what is sent together, and what is answered before it is saved."""

from typing import Annotated, Literal

from pydantic import Field

from service.schemas.base import Body, Clock, Day, Millimetres, Name, Out, Ref
from service.schemas.cases import CaseBody, CaseOut, FindingsBody, MeasurementsBody, PlanBody, Twice
from service.schemas.cover import CaseCheckOut, ConstructCheckOut
from service.schemas.planning import SuggestedPlan
from service.schemas.readiness import CaseReadiness


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


class PlanPreviewOut(Out):
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


class AddedUnits(Body):
    """Units borrowed or ordered."""

    ref: Ref
    quantity: Annotated[int, Field(gt=0, le=1000)] = 1


class CaseWhatIfBody(Body):
    """Units borrowed or ordered, or other measures than were taken; lengths in mm."""

    add_units: Annotated[list[AddedUnits], Field(max_length=50)] = []
    neck_film_mm: Millimetres | None = None
    canal_film_mm: Millimetres | None = None
    nail_length_mm: Millimetres | None = None


class MovedCase(Body):
    """A case at another time, or on another list."""

    case: Ref
    starts: Clock
    ends: Clock
    twice: Twice | None = None
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
