"""Trade rules as data: what a rule may ask of the findings and what it may say."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from service.core.faults import ValueFault

Fact = bool | str | float | None


Kind = Literal["need", "alternate", "near", "caution", "conflict", "unknown"]


Operator = Literal["equals", "one_of", "at_most", "above", "is_unknown"]


#: Stands in a rule for the construct as planned: ``planned+cerclage-cable``.
PLANNED = "planned"


YES_NO: tuple[str, ...] = ("yes or no",)


NUMBER: tuple[str, ...] = ("a number",)


#: Construct templates are data: any code may stand here, and the database knows which exist.
CODE: tuple[str, ...] = ("the code of a construct template",)


#: What a rule may ask, and the known values of each; every one may also be unknown. The planned
#: construct is asked by its base and by whether it has an add-on.
FINDINGS: Mapping[str, tuple[str, ...]] = {
    "base": CODE,
    "buttress_plate": YES_NO,
    "cerclage": YES_NO,
    "partly_threaded": YES_NO,
    "fully_threaded": YES_NO,
    "fracture_group": ("31A1", "31A2", "31A3", "32"),
    "stable": YES_NO,
    "reverse_oblique": YES_NO,
    "subtrochanteric": YES_NO,
    "lateral_wall": ("intact", "thin", "broken"),
    "lateral_wall_mm": NUMBER,
    "canal_mm": NUMBER,
    "medial_fragment": ("none", "small", "large", "comminuted"),
    "coronal_fragment": ("none", "present"),
    "pattern": ("short", "long_oblique", "spiral", "comminuted"),
    "bone_quality": ("good", "poor"),
    "existing_metal": ("none", "present"),
    "shaft_extension": ("none", "present"),
    "calibrated": YES_NO,
}


class GuidanceError(ValueFault):
    """A rule or a finding cannot be used."""


@dataclass(frozen=True, slots=True)
class RuleCondition:
    """One thing a rule asks of the findings.

    Parameters
    ----------
    finding
        A name from `FINDINGS`.
    operator
        ``equals``, ``one_of``, ``at_most``, ``above`` or ``is_unknown``.
    value
        What to compare with: a value, a tuple of words, a number, or True for ``is_unknown``.
    """

    finding: str
    operator: Operator
    value: bool | str | float | tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SourceSide:
    """What one source says where sources differ.

    Parameters
    ----------
    says
        The statement, in our own sentence.
    source
        Who says it.
    """

    says: str
    source: str


@dataclass(frozen=True, slots=True)
class Rule:
    """One trade rule: when it holds and what it then says.

    Parameters
    ----------
    code
        Its name, unique in the table.
    kind
        What it adds: a need, an alternate, something to have near, a caution, a conflict between
        sources, or a finding whose absence matters.
    when
        Conditions that must all hold.
    any_of
        Conditions of which one must hold, if there are any.
    reason
        Why, in a sentence.
    source
        Where the rule comes from.
    name
        Of a need: what the fracture turns out to need; of a conflict: its topic; of an unknown:
        the finding.
    weight
        Of a need: its share in the probability that the plan changes, above 0; or 0 where
        `probability` says how probable it is.
    probability
        Of a need: its own probability, 0 to 1, where a source gives one; None: by weight.
    names
        Of a need or alternate: constructs in order of preference; of a near rule: constructs or
        item kinds.
    sides
        Of a conflict: what each source says.
    """

    code: str
    kind: Kind
    when: tuple[RuleCondition, ...]
    any_of: tuple[RuleCondition, ...]
    reason: str
    source: str
    name: str = ""
    weight: float = 0.0
    probability: float | None = None
    names: tuple[str, ...] = ()
    sides: tuple[SourceSide, ...] = ()


@dataclass(frozen=True, slots=True)
class Rules:
    """A checked table of rules.

    Parameters
    ----------
    conversion_probability
        Probability that the plan changes on the table, in total, 0 to 1.
    conversion_source
        Where that figure comes from.
    rules
        The rules, in the order of the table within each kind.
    """

    conversion_probability: float
    conversion_source: str
    rules: tuple[Rule, ...]

    @property
    def bases(self) -> frozenset[str]:
        """The bases some rule asks for: of any other planned base the rules know nothing."""
        asked = (condition for rule in self.rules for condition in (*rule.when, *rule.any_of))
        return frozenset(
            code
            for condition in asked
            if condition.finding == "base"
            for code in codes_in(condition)
        )

    def of(self, kind: Kind, facts: Mapping[str, Fact]) -> tuple[Rule, ...]:
        """Return the rules of one kind that hold for these facts, in order."""
        return tuple(rule for rule in self.rules if rule.kind == kind and holds(rule, facts))


def codes_in(condition: RuleCondition) -> tuple[str, ...]:
    """Return the words a condition compares its finding with.

    Parameters
    ----------
    condition
        A condition of a checked rule.

    Returns
    -------
    tuple of str
        The words in order; none where it compares with a number or with yes and no.

    Notes
    -----
    Source: none needed.

    Examples
    --------
    >>> codes_in(RuleCondition("base", "one_of", ("a-nail", "b-nail")))
    ('a-nail', 'b-nail')
    """
    values = condition.value if isinstance(condition.value, tuple) else (condition.value,)
    return tuple(value for value in values if isinstance(value, str))


def holds(rule: Rule, facts: Mapping[str, Fact]) -> bool:
    """Say whether a rule's conditions hold.

    Parameters
    ----------
    rule
        The rule.
    facts
        Each finding by name; None is unknown and matches ``is_unknown`` only.

    Returns
    -------
    bool
        True if every ``when`` holds and, where there is an ``any_of``, one of it does.

    Notes
    -----
    Source: none needed; an unknown finding never passes for its good value.

    Examples
    --------
    >>> asks = (RuleCondition("stable", "equals", True),)
    >>> rule = Rule("r", "caution", asks, (), "because", "common practice")
    >>> holds(rule, {"stable": True}), holds(rule, {"stable": None})
    (True, False)
    """
    every = all(_met(condition, facts[condition.finding]) for condition in rule.when)
    some = any(_met(condition, facts[condition.finding]) for condition in rule.any_of)
    return every and (some or not rule.any_of)


def _met(condition: RuleCondition, fact: Fact) -> bool:
    if fact is None or condition.operator == "is_unknown":
        return fact is None and condition.operator == "is_unknown"
    if isinstance(condition.value, tuple):
        return fact in condition.value
    if condition.operator == "equals":
        return fact == condition.value
    within = float(fact) <= float(condition.value)
    return within if condition.operator == "at_most" else not within
