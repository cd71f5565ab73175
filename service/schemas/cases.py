"""Lists, cases and plans in and out."""

from datetime import date, datetime
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from service.core.case_times import ends_on
from service.core.catalogue import ITEM_KINDS
from service.core.constructs.planned import ConstructError, read_planned
from service.core.fractures.classification import FractureError, read_class
from service.schemas.base import (
    Body,
    CaseReference,
    Clock,
    Count,
    Day,
    LongText,
    Millimetres,
    Name,
    OptionalText,
    Out,
    all_located,
    located,
)

#: Where the planner's reader of fracture classes finds fault, and the field here that is meant.
CLASS_FIELDS = {"/code": "fracture_class", "/year": "class_year"}


def _is_planned(text: str) -> str:
    try:
        return str(read_planned(text))
    except ConstructError as error:
        raise ValueError(error.faults[0].reason) from error


class FindingsBody(Body):
    """What is known of the fracture; unknown stays unknown."""

    lateral_wall_mm: (
        Annotated[
            float,
            Field(
                gt=0,
                le=100,
                allow_inf_nan=False,
                description="On the film, scaled by its marker as the other lengths are",
            ),
        ]
        | None
    ) = None
    lateral_wall: Literal["intact", "thin", "broken", "unknown"] = "unknown"
    medial_fragment: Literal["none", "small", "large", "comminuted", "unknown"] = "unknown"
    coronal_fragment: Literal["none", "present", "unknown"] = "unknown"
    pattern: Literal["short", "long_oblique", "spiral", "comminuted", "unknown"] = "unknown"
    bone_quality: Literal["good", "poor", "unknown"] = "unknown"
    existing_metal: Literal["none", "present", "unknown"] = "unknown"
    shaft_extension: Literal["none", "present", "unknown"] = "unknown"


class MeasurementsBody(Body):
    """Lengths in mm: on the film as it is, the marker on the film and in truth."""

    neck_film_mm: Millimetres | None = None
    canal_film_mm: Millimetres | None = None
    nail_length_mm: Millimetres | None = None
    marker_film_mm: Millimetres | None = None
    marker_true_mm: Millimetres | None = None


#: Of a time that the site's clock shows twice.
Twice = Literal["first", "second"]


#: Said of an end that is before the start.
ENDS_LATE = "the end must be after the start, or within 12 hours over midnight"


class CaseFields(Body):
    """A case on a list: a local reference only, never a name."""

    list_date: Day
    theatre: Name
    starts: Clock
    ends: Annotated[
        Clock, Field(description="before the start: on the next day, at most 12 hours later")
    ]
    twice: Annotated[
        Twice | None,
        Field(description="which of the two times is meant when the clocks go back"),
    ] = None
    position: Count
    side: Literal["left", "right"]
    sex: Literal["F", "M", "unknown"] = "unknown"
    fracture_class: Annotated[str, Field(max_length=20, examples=["31A2.2"])] | None = None
    class_year: Annotated[int, Field(examples=[2018])] | None = None
    findings: FindingsBody = FindingsBody()
    measurements: MeasurementsBody = MeasurementsBody()

    @model_validator(mode="after")
    def _ends_later(self) -> Self:
        if ends_on(self.list_date, self.starts, self.ends) is None:
            raise located(self, "ends", ENDS_LATE)
        if (self.fracture_class is None) != (self.class_year is None):
            absent = "class_year" if self.class_year is None else "fracture_class"
            reason = "a fracture class needs the year of its classification, 2007 or 2018"
            raise located(self, absent, reason)
        if self.fracture_class is not None and self.class_year is not None:
            try:
                self.fracture_class = read_class(self.fracture_class, self.class_year).code
            except FractureError as error:
                raise located(self, CLASS_FIELDS[error.pointer], error.reason) from error
        return self


class CaseBody(CaseFields):
    """A case with its reference, as it is sent."""

    reference: CaseReference


class NeedBody(Body):
    """What the fracture may turn out to need, how likely, and what answers it, best first."""

    need: Name
    probability: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
    constructs: Annotated[list[str], Field(max_length=9)] = []

    @field_validator("constructs")
    @classmethod
    def _readable(cls, constructs: list[str]) -> list[str]:
        return [_is_planned(text) for text in constructs]


class NearBody(Body):
    """Something that must be near though no construct takes it."""

    kind: str
    reason: LongText

    @field_validator("kind")
    @classmethod
    def _known(cls, kind: str) -> str:
        if kind not in ITEM_KINDS:
            message = f"'{kind}' is not a kind of item"
            raise ValueError(message)
        return kind


Planned = Annotated[str, Field(max_length=400, examples=["short-single-lag-nail@Ambleford/130"])]


class RefusedBody(Body):
    """A suggested alternate the surgeon does not want, with why where it is said."""

    alternate: Planned
    reason: OptionalText = ""

    @field_validator("alternate")
    @classmethod
    def _readable(cls, text: str) -> str:
        return _is_planned(text)


class PlanBody(Body):
    """The surgeon's choice: what is planned, what stands by, for what, and what was refused."""

    primary: Planned
    alternates: Annotated[list[Planned], Field(max_length=8)] = []
    needs: Annotated[list[NeedBody], Field(max_length=12)] = []
    near: Annotated[list[NearBody], Field(max_length=10)] = []
    refused: Annotated[list[RefusedBody], Field(max_length=12)] = []

    @field_validator("primary")
    @classmethod
    def _readable_primary(cls, text: str) -> str:
        return _is_planned(text)

    @field_validator("alternates")
    @classmethod
    def _readable_alternates(cls, texts: list[str]) -> list[str]:
        return [_is_planned(text) for text in texts]

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        planned = [self.primary, *self.alternates]
        if len(set(planned)) != len(planned):
            reason = "each construct can be chosen once only, as planned or as a backup"
            raise located(self, "alternates", reason)
        unplanned = [
            (("needs", place, "constructs"), f"{construct} is not planned")
            for place, need in enumerate(self.needs)
            for construct in need.constructs
            if construct not in planned
        ]
        if unplanned:
            raise all_located(self, unplanned)
        if any(one.alternate in planned for one in self.refused):
            reason = "a construct cannot be both declined and planned"
            raise located(self, "refused", reason)
        if self.needs and abs(sum(need.probability for need in self.needs) - 1) > 1e-9:  # noqa: PLR2004 - the tolerance of every sum of probabilities here
            raise located(self, "needs", "the probabilities of the needs must sum to 1")
        return self


class PlanOut(Out):
    """A revision of a plan."""

    revision: int
    made_at: datetime
    actor: str
    primary: str
    alternates: list[str]
    needs: list[NeedBody]
    near: list[NearBody]
    refused: list[RefusedBody] = []


class CaseOut(Out):
    """A case as it is answered; ``version`` is also its ETag."""

    reference: str
    list_date: date
    theatre: str
    starts_at: datetime
    ends_at: datetime
    twice: Twice | None
    position: int
    side: str
    sex: str
    fracture_class: str | None
    class_year: int | None
    findings: FindingsBody
    measurements: MeasurementsBody
    status: str
    version: int
    plan: PlanOut | None


class ListOut(Out):
    """One theatre's list with its cases in order."""

    list_date: date
    theatre: str
    cases: list[CaseOut]


class ListDays(Out):
    """The lists of a span of days."""

    lists: list[ListOut]
