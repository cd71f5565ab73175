"""Sizing and guidance, in and out."""

from typing import Annotated, Literal, Self

from pydantic import Field, computed_field, model_validator

from service.core.catalogue import EXTRACTION_KINDS
from service.schemas.base import Body, LongText, Millimetres, OptionalText, Out
from service.schemas.cases import FindingsBody, MeasurementsBody, Planned

Spread = Annotated[float, Field(ge=0, le=200, allow_inf_nan=False)]


Offset = Annotated[float, Field(ge=-100, le=100, allow_inf_nan=False)]


class FilmBody(Body):
    """A length on a film and the marker beside it, in mm."""

    film_mm: Millimetres
    marker_film_mm: Millimetres | None = None
    marker_true_mm: Millimetres | None = None
    sd_mm: Spread | None = None


class RuleBody(Body):
    """How the size follows from the length."""

    offset_mm: Offset = 0.0
    fit: Literal["nearest", "at_most", "at_least", "passes"] = "nearest"
    step_mm: Millimetres | None = None


class ViewBody(Body):
    """One view with the screw in it, in mm."""

    tip_to_apex_film_mm: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]
    screw_true_mm: Millimetres
    screw_film_mm: Millimetres


class SizingRequest(Body):
    """A film with the sizes made, or two views for the tip–apex distance, or both."""

    film: FilmBody | None = None
    rule: RuleBody = RuleBody()
    sizes_made_mm: Annotated[list[Millimetres], Field(max_length=200)] = []
    views: Annotated[list[ViewBody], Field(min_length=2, max_length=2)] | None = None

    @model_validator(mode="after")
    def _asks_something(self) -> Self:
        if self.film is None and self.views is None:
            message = "send a film measurement, or two views for the tip–apex distance"
            raise ValueError(message)
        if len(set(self.sizes_made_mm)) == 1 and self.rule.step_mm is None:
            message = "only one size is made: rule.step_mm must state how far from it still fits"
            raise ValueError(message)
        return self

    model_config = {
        **Body.model_config,
        "json_schema_extra": {
            "examples": [
                {
                    "film": {"film_mm": 114, "marker_film_mm": 30},
                    "rule": {"offset_mm": -5},
                    "sizes_made_mm": [80, 85, 90, 95, 100, 105],
                }
            ]
        },
    }


class SizeOut(Out):
    """One size and its probability; no size means not made."""

    size_mm: float | None
    probability: float


class TrueSizeOut(Out):
    """A true length as far as it is known."""

    mean_mm: float
    sd_mm: float
    calibrated: bool


class SizingAnswer(Out):
    """What was asked, and the usual caution."""

    true_size: TrueSizeOut | None
    sizes: list[SizeOut]
    nominal_mm: float | None
    bring_mm: list[float]
    bring_probability: float | None
    tip_apex_distance_mm: float | None
    tip_apex_target_mm: float
    defaults_used: list["SizingDefaultOut"]
    caution: str


class SizingDefaultBody(Body):
    """A figure the department sets, with its source."""

    value: Annotated[float, Field(ge=-1000, le=1000, allow_inf_nan=False)]
    source: LongText
    note: OptionalText = ""


class SizingDefaultOut(Out):
    """A figure the sizing assumes, and where it comes from; ``version`` is also its ETag."""

    key: str
    value: float
    unit: str
    source: str
    note: str
    version: int


class SizingDefaultList(Out):
    """Every figure the sizing assumes."""

    defaults: list[SizingDefaultOut]


class GuidanceRequest(Body):
    """The findings and the construct planned first."""

    primary: Planned
    fracture_class: Annotated[str, Field(max_length=20, examples=["31A2.2"])] | None = None
    class_year: Annotated[int, Field(examples=[2018])] | None = None
    findings: FindingsBody = FindingsBody()
    measurements: MeasurementsBody = MeasurementsBody()


class NeedOut(Out):
    """A need with its default probability."""

    need: str
    probability: float
    constructs: list[str]
    reason: str
    source: str


class SuggestionOut(Out):
    """A suggested alternate."""

    alternate: str
    reason: str
    source: str


class NearOut(Out):
    """Something to have near: an item kind or a construct."""

    what: str
    reason: str
    source: str

    @computed_field(description="Whether it is on the pick list regardless of the plan")  # type: ignore[prop-decorator] # pydantic's own way
    @property
    def is_counted(self) -> bool:
        """Whether it takes out metal that is in the bone already."""
        return self.what in EXTRACTION_KINDS


class CautionOut(Out):
    """A sentence the team should read."""

    says: str
    source: str


class SideOut(Out):
    """What one source says."""

    says: str
    source: str


class ConflictOut(Out):
    """Sources or findings that contradict each other."""

    topic: str
    reason: str
    sides: list[SideOut]


class UnknownOut(Out):
    """A finding nobody has given, and why it matters."""

    finding: str
    reason: str
    source: str


class GuidanceAnswer(Out):
    """What the rules suggest; the surgeon decides."""

    needs: list[NeedOut]
    alternates: list[SuggestionOut]
    near: list[NearOut]
    cautions: list[CautionOut]
    conflicts: list[ConflictOut]
    unknowns: list[UnknownOut]
    caution: str


class SuggestedAlternate(SuggestionOut):
    """A suggested alternate, written out with a system that can do it."""

    name: str
    can_be_done: bool


class SuggestedPlan(Out):
    """What the rules suggest beside a primary; nothing is stored."""

    primary: str
    name: str
    alternates: list[SuggestedAlternate]
    near: list[NearOut]
    cautions: list[CautionOut]
    conflicts: list[ConflictOut]
    unknowns: list[UnknownOut]


class ConstructChoice(Out):
    """Something that can be planned, as it is written and as it is said."""

    planned: str
    name: str


class ConstructChoices(Out):
    """Everything that can be planned."""

    bases: list[ConstructChoice]
    add_ons: list[ConstructChoice]
