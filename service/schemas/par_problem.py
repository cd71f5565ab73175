"""A par problem as it is sent: shape, limits, and what must agree across it."""

import math
from collections.abc import Iterator, Mapping
from typing import Annotated, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic import StringConstraints as Text
from pydantic_core import PydanticCustomError, PydanticKnownError

from service.core.par import problem as core
from service.schemas.faults import problem_faults
from service.schemas.problem import (
    Chance,
    Fault,
    Part,
    checked,
    off_one,
    take_faults,
    twice,
    unnamed,
)

MAX_ITEMS = 2_000


MAX_CASE_TYPES = 2_000


MAX_FACTORS = 24


MAX_CONSTRUCTS_PER_NEED = 8


MAX_QUANTITY = 1_000


MAX_LEVEL = 1_000


MAX_UNITS_ASKED = 20_000


MAX_MONEY_MINOR = 10**15


MAX_DAYS = 3_650


MAX_ARRIVALS_PER_DAY = 1_000


MAX_WEIGHT = 1e12


def _whole(value: object) -> object:
    """Take 2.0 for 2: JSON does not tell them apart."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _listed(name: str, info: ValidationInfo) -> str:
    items: list[ItemIn] | None = info.data.get("items")
    if items is not None and all(name != each.item for each in items):
        raise PydanticCustomError("name_not_listed", "This item is not listed under items.")
    return name


Name = Annotated[str, Text(strict=True, min_length=1)]


Whole = Annotated[int, Field(strict=True, ge=0), BeforeValidator(_whole)]


Number = Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False)]


Money = Annotated[Whole, Field(le=MAX_MONEY_MINOR)]


Level = Annotated[Whole, Field(le=MAX_LEVEL)]


Quantity = Annotated[Whole, Field(le=MAX_QUANTITY)]


class ItemIn(Part):
    """An item whose level is decided."""

    item: Name
    unit_cost: Money
    lead_time_days: Annotated[Number, Field(le=MAX_DAYS)]
    minimum: Level = 0
    shelf_life_days: Annotated[Number, Field(le=10 * MAX_DAYS)] | None = None


class FactorIn(Part):
    """Something not known until the operation."""

    name: Name
    probabilities: list[Chance]

    @model_validator(mode="after")
    def _sums_to_one(self) -> Self:
        return checked(self, off_one(("probabilities",), self.probabilities))


class TakeIn(Part):
    """What is taken for each joint outcome of the factors."""

    factors: list[Name] = []
    items: list[dict[Name, Quantity] | None]


class ConstructIn(Part):
    """One way to fix the fracture."""

    name: Name = Field(alias="construct")
    takes: list[TakeIn]


class NeedIn(Part):
    """What the fracture may turn out to need."""

    need: Name
    probability: Chance
    constructs: Annotated[list[Name], Field(max_length=MAX_CONSTRUCTS_PER_NEED)]


class CaseTypeIn(Part):
    """One kind of case; `starts` and `ends` of a readiness problem's case play no part."""

    case: Name = "?"
    starts: object = None
    ends: object = None
    factors: Annotated[list[FactorIn], Field(max_length=MAX_FACTORS)] = []
    constructs: list[ConstructIn]
    needs: list[NeedIn]

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        return checked(self, self._faults())

    def _faults(self) -> Iterator[Fault]:
        sizes = {factor.name: len(factor.probabilities) for factor in self.factors}
        named = [each.name for each in self.constructs]
        yield from twice(("factors",), "name", [factor.name for factor in self.factors])
        yield from twice(("constructs",), "construct", named)
        yield from twice(("needs",), "need", [need.need for need in self.needs])
        for index, construct in enumerate(self.constructs):
            for place, take in enumerate(construct.takes):
                inside = ("constructs", index, "takes", place)
                yield from take_faults(inside, take.factors, len(take.items), sizes)
        for index, need in enumerate(self.needs):
            at = ("needs", index, "constructs")
            yield from unnamed(at, need.constructs, named, "construct")
        yield from off_one(("needs",), [need.probability for need in self.needs])

    def to_case_type(self) -> core.CaseType:
        """Return the kind of case as frozen values."""
        factor_at = {factor.name: index for index, factor in enumerate(self.factors)}
        construct_at = {each.name: index for index, each in enumerate(self.constructs)}
        return core.CaseType(
            self.case,
            tuple(tuple(factor.probabilities) for factor in self.factors),
            tuple(
                core.ParNeed(
                    need.need,
                    need.probability,
                    tuple(construct_at[name] for name in need.constructs),
                )
                for need in self.needs
            ),
            tuple(
                core.ParConstruct(
                    each.name,
                    tuple(
                        core.ParTake(
                            tuple(factor_at[name] for name in take.factors),
                            tuple(_taken(entry) for entry in take.items),
                        )
                        for take in each.takes
                    ),
                )
                for each in self.constructs
            ),
        )


class MixEntryIn(Part):
    """A kind of case and its share of the stream, relative to the others."""

    weight: Annotated[Number, Field(le=MAX_WEIGHT)]
    case: CaseTypeIn


class ParProblem(Part):
    """A stream of cases, the items kept for it, and what is asked: levels, a target or a budget."""

    arrivals_per_day: Annotated[Number, Field(le=MAX_ARRIVALS_PER_DAY)]
    case_mix: Annotated[list[MixEntryIn], Field(max_length=MAX_CASE_TYPES)]
    items: Annotated[list[ItemIn], Field(max_length=MAX_ITEMS)]
    levels: dict[Annotated[Name, AfterValidator(_listed)], Level] | None = None
    target_readiness: Chance | None = None
    budget: Money | None = None

    @field_validator("case_mix")
    @classmethod
    def _some_case_comes(cls, entries: list[MixEntryIn]) -> list[MixEntryIn]:
        if math.fsum(entry.weight for entry in entries) <= 0:
            sentence = "At least one case with a positive weight is needed."
            raise PydanticCustomError("no_weight", sentence)
        return entries

    @field_validator("levels")
    @classmethod
    def _few_enough_units(cls, levels: dict[str, int] | None) -> dict[str, int] | None:
        units = sum((levels or {}).values())
        if units > MAX_UNITS_ASKED:
            limit = {"field_type": "Levels", "max_length": MAX_UNITS_ASKED, "actual_length": units}
            raise PydanticKnownError("too_long", limit)
        return levels

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        return checked(self, self._faults())

    def _faults(self) -> Iterator[Fault]:
        yield from twice(("items",), "item", [each.item for each in self.items])
        asked = (self.levels, self.target_readiness, self.budget)
        if sum(each is not None for each in asked) != 1:
            yield (), "Give exactly one of levels, target_readiness and budget."

    def to_problem(self) -> core.ParProblem:
        """Return the problem as frozen values."""
        return core.ParProblem(
            self.arrivals_per_day,
            tuple(
                core.MixEntry(entry.weight, entry.case.to_case_type()) for entry in self.case_mix
            ),
            tuple(
                core.ParItem(
                    each.item,
                    each.unit_cost,
                    each.lead_time_days,
                    each.minimum,
                    each.shelf_life_days,
                )
                for each in self.items
            ),
            self.levels,
            self.target_readiness,
            self.budget,
        )


def par_problem_from(data: object) -> core.ParProblem:
    """Read a par problem.

    Raises
    ------
    ParTooLarge
        When a list is longer than its stated limit, or too many units are asked for.
    ParError
        With a JSON pointer and a sentence for each other fault found.

    Examples
    --------
    >>> try:
    ...     par_problem_from({"arrivals_per_day": 1, "case_mix": [], "items": [], "budget": -1})
    ... except core.ParError as error:
    ...     print(error.faults[0][0], error.faults[1][0])
    /case_mix /budget
    """
    try:
        return ParProblem.model_validate(data).to_problem()
    except ValidationError as error:
        too_long = problem_faults(error, "too_long")
        if too_long:
            raise core.ParTooLarge(too_long) from error
        raise core.ParError(problem_faults(error)) from error


def _taken(entry: Mapping[str, int] | None) -> Mapping[str, int] | None:
    if entry is None:
        return None
    return {item: quantity for item, quantity in entry.items() if quantity}
