"""The check of a table of trade rules as read from a file."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import get_args

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

COMMON_FIELDS = frozenset({"code", "when", "any_of", "reason"})


OWN_FIELDS: Mapping[Kind, frozenset[str]] = {
    "need": frozenset({"name", "weight", "constructs", "source"}),
    "alternate": frozenset({"constructs", "source"}),
    "near": frozenset({"what", "source"}),
    "caution": frozenset({"source"}),
    "conflict": frozenset({"topic", "sides"}),
    "unknown": frozenset({"finding", "source"}),
}


SIDES_NEEDED = 2


def rules_from(data: Mapping[str, object]) -> Rules:
    """Check a table of rules as read from a file.

    Parameters
    ----------
    data
        ``conversion`` (``probability``, ``source``) and lists of rules under ``need``,
        ``alternate``, ``near``, ``caution``, ``conflict`` and ``unknown``.

    Returns
    -------
    Rules
        The checked rules.

    Raises
    ------
    GuidanceError
        At the first fault: an unknown finding or field, a construct or item kind that is not
        written as one, a value the finding never has, a probability outside 0 to 1, or a code
        used twice.

    Notes
    -----
    Which construct templates exist is not known here: any code is taken that is written as one.
    Source: each rule carries its own.

    Examples
    --------
    >>> rules_from({"conversion": {"probability": 1.5, "source": "x"}})
    Traceback (most recent call last):
    service.core.fractures.rules.GuidanceError: /conversion/probability: It must be from 0 to 1.
    """
    unknown = sorted(str(key) for key in data if key not in {"conversion", *get_args(Kind)})
    if unknown:
        raise GuidanceError(f"/{unknown[0]}", f"There is no kind of rule '{unknown[0]}'.")
    conversion = _table("/conversion", data.get("conversion"))
    probability = _number("/conversion/probability", conversion.get("probability"))
    if not 0 <= probability <= 1:
        raise GuidanceError("/conversion/probability", "It must be from 0 to 1.")
    rules: dict[str, Rule] = {}
    for kind in get_args(Kind):
        for index, row in enumerate(_rows(f"/{kind}", data.get(kind, []))):
            rule = _rule(f"/{kind}/{index}", kind, row)
            if rule.code in rules:
                raise GuidanceError(f"/{kind}/{index}/code", f"'{rule.code}' is used twice.")
            rules[rule.code] = rule
    source = _text("/conversion/source", conversion.get("source"))
    return Rules(probability, source, tuple(rules.values()))


def _rule(pointer: str, kind: Kind, value: object) -> Rule:
    row = _table(pointer, value)
    unknown = sorted(str(key) for key in row if key not in COMMON_FIELDS | OWN_FIELDS[kind])
    if unknown:
        raise GuidanceError(f"{pointer}/{unknown[0]}", f"A {kind} has no field '{unknown[0]}'.")
    own = _OWN[kind](pointer, row)
    # Each side of a conflict names its own source; every other rule names one.
    source = "; ".join(side.source for side in own.sides)
    return Rule(
        code=_text(f"{pointer}/code", row.get("code")),
        kind=kind,
        when=_conditions(f"{pointer}/when", row.get("when", [])),
        any_of=_conditions(f"{pointer}/any_of", row.get("any_of", [])),
        reason=_text(f"{pointer}/reason", row.get("reason")),
        source=source or _text(f"{pointer}/source", row.get("source")),
        name=own.name,
        weight=own.weight,
        names=own.names,
        sides=own.sides,
    )


@dataclass(frozen=True, slots=True)
class _Own:
    """The fields of a rule that only its kind has."""

    name: str = ""
    weight: float = 0.0
    names: tuple[str, ...] = ()
    sides: tuple[SourceSide, ...] = ()


def _need(pointer: str, row: Mapping[str, object]) -> _Own:
    weight = _number(f"{pointer}/weight", row.get("weight"))
    if weight <= 0:
        raise GuidanceError(f"{pointer}/weight", "The weight of a need must be above 0.")
    name = _text(f"{pointer}/name", row.get("name"))
    return _Own(name=name, weight=weight, names=_alternate(pointer, row).names)


def _alternate(pointer: str, row: Mapping[str, object]) -> _Own:
    names = _texts(f"{pointer}/constructs", row.get("constructs"))
    for index, name in enumerate(names):
        _check_construct(f"{pointer}/constructs/{index}", name)
    return _Own(names=names)


def _near(pointer: str, row: Mapping[str, object]) -> _Own:
    names = _texts(f"{pointer}/what", row.get("what"))
    for index, name in enumerate(names):
        if name not in ITEM_KINDS:
            _check_near(f"{pointer}/what/{index}", name)
    return _Own(names=names)


def _caution(_pointer: str, _row: Mapping[str, object]) -> _Own:
    return _Own()


def _conflict(pointer: str, row: Mapping[str, object]) -> _Own:
    rows = _rows(f"{pointer}/sides", row.get("sides"))
    if len(rows) < SIDES_NEEDED:
        raise GuidanceError(f"{pointer}/sides", "A conflict needs at least two sides.")
    sides = []
    for index, value in enumerate(rows):
        at = f"{pointer}/sides/{index}"
        side = _table(at, value)
        says = _text(f"{at}/says", side.get("says"))
        sides.append(SourceSide(says, _text(f"{at}/source", side.get("source"))))
    return _Own(name=_text(f"{pointer}/topic", row.get("topic")), sides=tuple(sides))


def _unknown(pointer: str, row: Mapping[str, object]) -> _Own:
    finding = _text(f"{pointer}/finding", row.get("finding"))
    _known_values(f"{pointer}/finding", finding)
    return _Own(name=finding)


_OWN: Mapping[Kind, Callable[[str, Mapping[str, object]], _Own]] = {
    "need": _need,
    "alternate": _alternate,
    "near": _near,
    "caution": _caution,
    "conflict": _conflict,
    "unknown": _unknown,
}


def _check_construct(pointer: str, construct: str) -> None:
    parts = construct.split("+")
    for part in parts:
        if not is_code(part):
            raise GuidanceError(
                pointer, f"'{part}' is no construct's code: lower-case letters, digits and hyphens."
            )
    if PLANNED in parts[1:]:
        raise GuidanceError(pointer, f"'{PLANNED}' stands first, for the construct as planned.")
    if len(set(parts)) < len(parts):
        raise GuidanceError(pointer, f"A part of '{construct}' is named twice.")


def _check_near(pointer: str, what: str) -> None:
    _check_construct(pointer, what)
    if PLANNED in what.split("+"):
        raise GuidanceError(pointer, "What is planned is in the room; say what else must be near.")


def _conditions(pointer: str, value: object) -> tuple[RuleCondition, ...]:
    return tuple(
        _condition(f"{pointer}/{index}", _table(f"{pointer}/{index}", row))
        for index, row in enumerate(_rows(pointer, value))
    )


def _condition(pointer: str, row: Mapping[str, object]) -> RuleCondition:
    finding = _text(f"{pointer}/finding", row.get("finding"))
    values = _known_values(f"{pointer}/finding", finding)
    operators = [operator for operator in get_args(Operator) if operator in row]
    if len(operators) != 1 or len(row) != len(operators) + 1:
        raise GuidanceError(
            pointer, f"A condition names a finding and one of {', '.join(get_args(Operator))}."
        )
    operator: Operator = operators[0]
    at, value = f"{pointer}/{operator}", row[operator]
    if operator == "is_unknown":
        if value is not True:
            raise GuidanceError(at, "Write is_unknown = true.")
        return RuleCondition(finding, operator, value=True)
    if operator in {"at_most", "above"}:
        if values != NUMBER:
            raise GuidanceError(at, f"'{finding}' is not a number.")
        return RuleCondition(finding, operator, _number(at, value))
    return RuleCondition(finding, operator, _compared(at, finding, operator, value))


def _compared(
    pointer: str, finding: str, operator: Operator, value: object
) -> bool | str | float | tuple[str, ...]:
    """Check the value of ``equals`` or ``one_of`` against what the finding can be."""
    values = FINDINGS[finding]
    if operator == "equals" and values == NUMBER:
        return _number(pointer, value)
    if operator == "equals" and values == YES_NO:
        if not isinstance(value, bool):
            raise GuidanceError(pointer, f"'{finding}' is true or false.")
        return value
    words = _texts(pointer, value if operator == "one_of" else [value])
    if values == CODE:
        for word in words:
            _check_construct(pointer, word)
            if "+" in word:
                raise GuidanceError(pointer, f"'{word}' is more than one template.")
        return words if operator == "one_of" else words[0]
    for word in words:
        if word not in values:
            raise GuidanceError(
                pointer, f"'{finding}' is never '{word}'; it can be {', '.join(values)}."
            )
    return words if operator == "one_of" else words[0]


def _known_values(pointer: str, finding: str) -> tuple[str, ...]:
    if finding not in FINDINGS:
        raise GuidanceError(pointer, f"There is no finding '{finding}'.")
    return FINDINGS[finding]


def _table(pointer: str, value: object) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise GuidanceError(pointer, "There must be a table here.")
    return value


def _rows(pointer: str, value: object) -> list[object]:
    if not isinstance(value, list):
        raise GuidanceError(pointer, "There must be a list here.")
    return value


def _text(pointer: str, value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise GuidanceError(pointer, "There must be words here.")
    return value


def _texts(pointer: str, value: object) -> tuple[str, ...]:
    texts = tuple(
        _text(f"{pointer}/{index}", entry) for index, entry in enumerate(_rows(pointer, value))
    )
    if not texts:
        raise GuidanceError(pointer, "The list must not be empty.")
    return texts


def _number(pointer: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise GuidanceError(pointer, "There must be a finite number here.")
    return float(value)
