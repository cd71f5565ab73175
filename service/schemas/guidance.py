"""A table of trade rules as it is sent or read from a file."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Self, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic import StringConstraints as Text
from pydantic_core import PydanticCustomError

from service.core.catalogue import ITEM_KINDS
from service.core.constructs.planned import is_code
from service.core.fractures.rules import (
    CODE,
    FINDINGS,
    NUMBER,
    PLANNED,
    YES_NO,
    GuidanceError,
    Kind,
    Operator,
    Rule,
    RuleCondition,
    Rules,
    SourceSide,
)
from service.schemas.base import NOT_BLANK
from service.schemas.faults import problem_faults
from service.schemas.problem import Chance, Fault, Part, checked


def _refuse(reason: str) -> PydanticCustomError:
    return PydanticCustomError("rule", "{reason}", {"reason": reason})


def _construct(construct: str) -> str:
    reason = _construct_fault(construct)
    if reason is not None:
        raise _refuse(reason)
    return construct


def _construct_fault(construct: str) -> str | None:
    parts = construct.split("+")
    for part in parts:
        if not is_code(part):
            return f"'{part}' is not a construct code: use lower-case letters, digits and hyphens."
    if PLANNED in parts[1:]:
        return f"Write '{PLANNED}' first: it stands for the planned construct."
    if len(set(parts)) < len(parts):
        return f"A part of '{construct}' is named twice."
    return None


def _kept_near(what: str) -> str:
    if what not in ITEM_KINDS and PLANNED in _construct(what).split("+"):
        raise _refuse(
            "The planned construct is in the room already; name what else to have available."
        )
    return what


def _known(finding: str) -> str:
    if finding not in FINDINGS:
        raise _refuse(f"There is no finding '{finding}'.")
    return finding


def _only_true(value: bool) -> bool:
    if not value:
        raise _refuse("Write is_unknown = true.")
    return value


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


Words = Annotated[str, Text(strict=True, pattern=NOT_BLANK)]


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]


Constructs = Annotated[list[Annotated[Words, AfterValidator(_construct)]], Field(min_length=1)]


Finding = Annotated[Words, AfterValidator(_known)]


class ConditionIn(BaseModel):
    """One thing a rule asks of the findings: a finding, and one of the operators."""

    # What else is named here is counted, and refused for the condition as a whole.
    model_config = ConfigDict(extra="allow")

    finding: Finding
    equals: object = None
    one_of: Annotated[list[Words], Field(min_length=1)] = []
    at_most: Number = 0.0
    above: Number = 0.0
    is_unknown: Annotated[bool, Field(strict=True), AfterValidator(_only_true)] = True

    @model_validator(mode="after")
    def _can_be_asked(self) -> Self:
        return checked(self, self._faults())

    def _faults(self) -> Iterator[Fault]:
        operators = self.model_fields_set & set(get_args(Operator))
        if len(operators) != 1 or len(self.model_fields_set) != len(operators) + 1:
            yield (), f"A condition needs a finding and one of {', '.join(get_args(Operator))}."
            return
        (operator,) = operators
        values = FINDINGS[self.finding]
        if operator in {"at_most", "above"} and values != NUMBER:
            yield (operator,), f"'{self.finding}' is not a number."
        elif operator == "equals" and values == NUMBER:
            if not _is_number(self.equals):
                yield ("equals",), "Enter a number, such as 12.5."
        elif operator == "equals" and values == YES_NO:
            if not isinstance(self.equals, bool):
                yield ("equals",), f"'{self.finding}' is true or false."
        elif operator == "equals" and not (isinstance(self.equals, str) and self.equals.strip()):
            yield ("equals", 0), "Enter text, such as a name."
        elif operator in {"equals", "one_of"}:
            words = self.one_of if operator == "one_of" else [str(self.equals)]
            yield from (((operator,), reason) for reason in self._word_faults(words, values))

    def _word_faults(self, words: Sequence[str], values: Sequence[str]) -> Iterator[str]:
        for word in words:
            if values != CODE:
                if word not in values:
                    yield f"'{self.finding}' cannot be '{word}'; use one of {', '.join(values)}."
            elif reason := _construct_fault(word):
                yield reason
            elif "+" in word:
                yield f"Name one template only, not '{word}'."

    def to_condition(self) -> RuleCondition:
        """Return the condition as a frozen value."""
        operator: Operator = next(
            each for each in get_args(Operator) if each in self.model_fields_set
        )
        value: Any = getattr(self, operator)
        if operator == "one_of":
            value = tuple(value)
        elif FINDINGS[self.finding] == NUMBER and operator == "equals":
            value = float(value)
        return RuleCondition(self.finding, operator, value)


class ConversionIn(BaseModel):
    """How likely the plan changes on the table."""

    probability: Chance
    source: Words


class SideIn(BaseModel):
    """What one source says where sources differ."""

    says: Words
    source: Words


class RuleIn(Part):
    """What every rule has, whatever its kind."""

    code: Words
    when: list[ConditionIn] = []
    any_of: list[ConditionIn] = []
    reason: Words

    def to_rule(self, kind: Kind) -> Rule:
        """Return the rule as a frozen value."""
        return Rule(
            code=self.code,
            kind=kind,
            when=tuple(each.to_condition() for each in self.when),
            any_of=tuple(each.to_condition() for each in self.any_of),
            reason=self.reason,
            **self._own(),
        )

    def _own(self) -> dict[str, Any]:
        """Return what only this kind of rule says, by the rule's fields."""
        raise NotImplementedError


class CautionIn(RuleIn):
    """A sentence the team should read."""

    source: Words

    def _own(self) -> dict[str, Any]:
        return {"source": self.source}


class AlternateIn(CautionIn):
    """Constructs that can stand in for the planned one."""

    constructs: Constructs

    def _own(self) -> dict[str, Any]:
        return {**super()._own(), "names": tuple(self.constructs)}


class NeedIn(AlternateIn):
    """What the fracture may turn out to need."""

    weight: Annotated[Number, Field(gt=0)] = 1.0
    probability: Annotated[Chance, Field(gt=0)] | None = None
    name: Words

    @model_validator(mode="after")
    def _says_how_probable(self) -> Self:
        if len({"weight", "probability"} & self.model_fields_set) != 1:
            raise _refuse("A need says its weight, or its own probability.")
        return self

    def _own(self) -> dict[str, Any]:
        return {
            **super()._own(),
            "weight": self.weight if self.probability is None else 0.0,
            "probability": self.probability,
            "name": self.name,
        }


class NearIn(CautionIn):
    """Constructs or item kinds that must be near the theatre."""

    what: Annotated[list[Annotated[Words, AfterValidator(_kept_near)]], Field(min_length=1)]

    def _own(self) -> dict[str, Any]:
        return {**super()._own(), "names": tuple(self.what)}


class UnknownIn(CautionIn):
    """A finding whose absence matters."""

    finding: Finding

    def _own(self) -> dict[str, Any]:
        return {**super()._own(), "name": self.finding}


class ConflictIn(RuleIn):
    """Sources that contradict each other; each side names its own."""

    topic: Words
    sides: Annotated[list[SideIn], Field(min_length=2)]

    def _own(self) -> dict[str, Any]:
        return {
            "source": "; ".join(side.source for side in self.sides),
            "name": self.topic,
            "sides": tuple(SourceSide(side.says, side.source) for side in self.sides),
        }


class RuleTable(Part):
    """The rules by kind, and how likely the plan changes at all."""

    conversion: ConversionIn
    need: list[NeedIn] = []
    alternate: list[AlternateIn] = []
    near: list[NearIn] = []
    caution: list[CautionIn] = []
    conflict: list[ConflictIn] = []
    unknown: list[UnknownIn] = []

    @model_validator(mode="after")
    def _codes_stand_once(self) -> Self:
        return checked(self, self._faults())

    def _faults(self) -> Iterator[Fault]:
        seen: set[str] = set()
        for kind, index, rule in self._rules():
            if rule.code in seen:
                yield (kind, index, "code"), f"The name {rule.code!r} is used twice."
            seen.add(rule.code)

    def _rules(self) -> Iterator[tuple[Kind, int, RuleIn]]:
        for kind in get_args(Kind):
            for index, rule in enumerate(getattr(self, kind)):
                yield kind, index, rule

    def to_rules(self) -> Rules:
        """Return the table as frozen values."""
        rules = tuple(rule.to_rule(kind) for kind, _, rule in self._rules())
        return Rules(self.conversion.probability, self.conversion.source, rules)


def rules_from(data: Mapping[str, object]) -> Rules:
    """Read a table of rules; which construct templates exist is not known here.

    Raises
    ------
    GuidanceError
        With the first fault. A misspelt field comes before what is missing for it.

    Examples
    --------
    >>> rules_from({"conversion": {"probability": 1.5, "source": "x"}})
    Traceback (most recent call last):
    service.core.fractures.rules.GuidanceError: /conversion/probability: Enter 1 or less.
    """
    try:
        return RuleTable.model_validate(data).to_rules()
    except ValidationError as error:
        faults = problem_faults(error)
        first = faults[0][0]
        misspelt = [
            (pointer, reason)
            for pointer, reason in problem_faults(error, "extra_forbidden")
            if first.startswith(pointer.rpartition("/")[0] + "/")
        ]
        raise GuidanceError(
            *min(misspelt or faults[:1], key=lambda fault: fault[0].count("/"))
        ) from error
