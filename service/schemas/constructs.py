"""Construct templates in and out, and their way to the planner's own values."""

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from service.core.catalogue import (
    HEAD_DESIGNS,
    ITEM_KINDS,
    SCREW_TYPES,
    SIDES,
    SIZE_FIELDS,
    THREADS,
)
from service.core.constructs.templates import DIMENSIONS, ItemCondition, Role, RoleSize, Template
from service.core.sizing import SizeBand, SizeRule
from service.schemas.base import FIGURE_KEY, Body, Code, Name, OptionalText, Out

Offset = Annotated[float, Field(ge=-100, le=100, allow_inf_nan=False)]


Positive = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]


Probability = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


Number = Annotated[int, Field(ge=0, le=50)]


SettingName = Annotated[str, Field(pattern=FIGURE_KEY)]


_WORDS = {
    "head_design": HEAD_DESIGNS,
    "thread": THREADS,
    "side": SIDES,
    "screw_type": SCREW_TYPES,
}


_TEXT_FIELDS = frozenset({*_WORDS, "system"})


_SUM_TOLERANCE = 1e-9


class BandBody(Body):
    """One size for every target up to a bound; the last band has none."""

    up_to_mm: Positive | None = None
    size_mm: Positive


class ConditionBody(Body):
    """A column an item must satisfy: equal, or within bounds (both included)."""

    field: str
    equals: float | Name | None = None
    at_most: Positive | None = None
    at_least: Positive | None = None

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.field not in {*SIZE_FIELDS, *_TEXT_FIELDS}:
            message = f"'{self.field}' is not a column that a condition can use"
            raise ValueError(message)
        bounds = [self.equals, self.at_most, self.at_least]
        if all(bound is None for bound in bounds):
            message = "a condition needs equals, at_most or at_least"
            raise ValueError(message)
        is_text = isinstance(self.equals, str)
        if self.field in _TEXT_FIELDS and (not is_text or bounds[1:] != [None, None]):
            message = f"{self.field} is a word: use equals with text"
            raise ValueError(message)
        if self.field not in _TEXT_FIELDS and is_text:
            message = f"{self.field} is a number: use a number"
            raise ValueError(message)
        if self.field in _WORDS and self.equals not in _WORDS[self.field]:
            message = f"'{self.equals}' is not one of {', '.join(sorted(_WORDS[self.field]))}"
            raise ValueError(message)
        return self


class SizeBody(Body):
    """How a column follows from a dimension or from the size chosen for another role."""

    field: Literal["length_mm", "diameter_mm", "thread_length_mm", "barrel_mm", "holes"]
    dimension: str | None = None
    follows: Name | None = None
    offset_mm: Offset = 0.0
    offset_default: SettingName | None = None
    fit: Literal["nearest", "at_most", "at_least", "passes"] = "nearest"
    step_mm: Positive | None = None
    within_mm: Positive | None = None
    bands: Annotated[list[BandBody], Field(max_length=10)] = []
    bound_default: SettingName | None = None
    cover: bool = True

    @model_validator(mode="after")
    def _has_one_origin(self) -> Self:
        if (self.dimension is None) == (self.follows is None):
            message = "give either a dimension or the role that the size follows"
            raise ValueError(message)
        if self.dimension is not None and self.dimension not in DIMENSIONS:
            message = f"'{self.dimension}' is not a dimension; use one of {', '.join(DIMENSIONS)}"
            raise ValueError(message)
        if not self.bands and self.step_mm is None:
            message = "step_mm is required: how far beyond the last size made that size still fits"
            raise ValueError(message)
        bounds = [band.up_to_mm for band in self.bands]
        if None in bounds[:-1] or sorted(b for b in bounds if b) != [b for b in bounds if b]:
            message = "bands must increase, and only the last may have no upper bound"
            raise ValueError(message)
        return self

    def to_core(self) -> RoleSize:
        """Return the planner's value."""
        bands = tuple(SizeBand(band.up_to_mm, band.size_mm) for band in self.bands)
        rule = SizeRule(self.offset_mm, self.fit, self.step_mm, bands, self.within_mm)
        return RoleSize(
            self.field,
            self.dimension,
            self.follows,
            rule,
            self.offset_default,
            self.bound_default,
            self.cover,
        )


class RoleBody(Body):
    """One thing a construct takes."""

    role: Name
    kinds: Annotated[list[str], Field(min_length=1, max_length=10)]
    where: Annotated[list[ConditionBody], Field(max_length=10)] = []
    match: Annotated[list[Literal["system", "angle", "side"]], Field(max_length=3)] = []
    quantity: Annotated[dict[Number, Probability], Field(max_length=20)] = {1: 1.0}
    sizes: Annotated[list[SizeBody], Field(max_length=3)] = []

    @field_validator("kinds")
    @classmethod
    def _known_kinds(cls, kinds: list[str]) -> list[str]:
        for kind in kinds:
            if kind not in ITEM_KINDS:
                message = (
                    f"'{kind}' is not a kind of item; use one of {', '.join(sorted(ITEM_KINDS))}"
                )
                raise ValueError(message)
        return kinds

    @field_validator("quantity")
    @classmethod
    def _whole_quantity(cls, quantity: dict[int, float]) -> dict[int, float]:
        if abs(sum(quantity.values()) - 1) > _SUM_TOLERANCE:
            message = "the probabilities of the quantities must sum to 1"
            raise ValueError(message)
        if not any(number for number, probability in quantity.items() if probability > 0):
            message = "at least one quantity must be 1 or more"
            raise ValueError(message)
        return quantity

    def to_core(self) -> Role:
        """Return the planner's value."""
        return Role(
            self.role,
            tuple(sorted(self.kinds)),
            tuple(
                ItemCondition(one.field, one.equals, one.at_most, one.at_least)
                for one in self.where
            ),
            frozenset(self.match),
            tuple(sorted(self.quantity.items())),
            tuple(size.to_core() for size in self.sizes),
        )


class ConstructFields(Body):
    """A construct template."""

    name: Name
    part: Literal["base", "add_on"]
    note: OptionalText = ""
    roles: Annotated[list[RoleBody], Field(min_length=1, max_length=30)]

    @model_validator(mode="after")
    def _leaders_come_first(self) -> Self:
        seen: dict[str, RoleBody] = {}
        for role in self.roles:
            if role.role in seen:
                message = f"the role '{role.role}' is used twice"
                raise ValueError(message)
            for size in role.sizes:
                if size.follows is not None and not (
                    size.follows in seen and seen[size.follows].sizes
                ):
                    message = (
                        f"'{role.role}' follows '{size.follows}', which is not a sized role above "
                        "it"
                    )
                    raise ValueError(message)
            seen[role.role] = role
        return self


class ConstructBody(ConstructFields):
    """A construct template with its code, as files carry it."""

    code: Code


class ConstructOut(ConstructFields):
    """A construct template as it is answered; ``version`` is also its ETag."""

    code: Code
    version: int
    systems: list[str]


def template_of(body: ConstructBody) -> Template:
    """Return the planner's value of a template."""
    roles = tuple(role.to_core() for role in body.roles)
    return Template(body.code, body.name, body.part, roles, body.note)


class ConstructList(Out):
    """Every construct template, by code."""

    constructs: list[ConstructOut]
