"""What the findings ask to have ready: needs, alternates, things near, cautions and conflicts.

The rules are data (see `Rules`); this file only asks them. It suggests and the surgeon
decides: a finding that nobody knows is listed as unknown and never taken for a good one.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.core.constructs.planned import PlannedConstruct, read_planned
from service.core.fractures.classification import WALL_THRESHOLD_MM, LateralWall
from service.core.fractures.findings import Findings, codes_of, planned_of, rule_facts, wall_of
from service.core.fractures.rules import PLANNED, Fact, Rule, Rules, SourceSide

AS_PLANNED = "as planned"


PLATE, BUTTRESS = "sliding-hip-screw", "trochanteric-buttress-plate"


@dataclass(frozen=True, slots=True)
class FractureNeed:
    """What the fracture may turn out to need, how likely, and constructs in order of preference."""

    name: str
    probability: float
    constructs: tuple[str, ...]
    reason: str
    source: str
    rule: str


@dataclass(frozen=True, slots=True)
class AlternateSuggestion:
    """A construct that can stand in for the planned one, with the rule that says so."""

    construct: str
    reason: str
    source: str
    rule: str


@dataclass(frozen=True, slots=True)
class KeptNear:
    """Something that must be near the theatre: a construct or an item kind."""

    what: str
    reason: str
    source: str
    rule: str


@dataclass(frozen=True, slots=True)
class Caution:
    """A sentence the team should read."""

    says: str
    source: str
    rule: str


@dataclass(frozen=True, slots=True)
class SourceConflict:
    """Two or more sources or findings that contradict each other; nobody is overruled."""

    topic: str
    reason: str
    sides: tuple[SourceSide, ...]
    rule: str


@dataclass(frozen=True, slots=True)
class UnknownFinding:
    """A finding that nobody has given and that would matter."""

    finding: str
    reason: str
    source: str
    rule: str


@dataclass(frozen=True, slots=True)
class Guidance:
    """Everything the rules say of one case; the probabilities of the needs sum to 1."""

    needs: tuple[FractureNeed, ...]
    alternates: tuple[AlternateSuggestion, ...]
    near: tuple[KeptNear, ...]
    cautions: tuple[Caution, ...]
    conflicts: tuple[SourceConflict, ...]
    unknowns: tuple[UnknownFinding, ...]


def suggest(
    findings: Findings, rules: Rules, *, wall_threshold_mm: float = WALL_THRESHOLD_MM
) -> Guidance:
    """Ask the rules what a case should have ready.

    A need whose rule has a probability of its own takes that; the others that hold share the
    table's conversion probability by weight. The rest is "as planned", with the planned construct
    first and then its alternates. Where no need holds, the plan is taken to stand. Where no rule
    asks for the planned base, nothing is suggested in its place and a caution says so: rules for
    every construct were not written with it in mind.

    Parameters
    ----------
    findings
        What is known of the case.
    rules
        The rules, checked.
    wall_threshold_mm
        Thickness in mm at and below which the lateral wall does not carry; the department's figure.

    Returns
    -------
    Guidance
        Needs (as planned first), alternates, things to have near, cautions, conflicts and the
        findings that are unknown and matter; each in the order of the rules.

    Raises
    ------
    FractureError
        If the wall's thickness is not a plausible length.

    Notes
    -----
    Assumption: the needs exclude each other. Source: each rule carries its own; about nine plans
    in ten hold, common practice, no source.

    Examples
    --------
    >>> from service.core.fractures.rules import Rule, RuleCondition
    >>> asks = (RuleCondition("base", "equals", "short-nail"),)
    >>> need = Rule("n", "need", asks, (), "It runs further.", "common practice",
    ...             name="longer", weight=1.0, names=("long-nail",))
    >>> rules = Rules(0.1, "x", (need,))
    >>> told = suggest(Findings("short-nail"), rules)
    >>> [(need.name, need.probability) for need in told.needs]
    [('as planned', 0.9), ('longer', 0.1)]
    >>> suggest(Findings("other-nail"), rules).cautions[0].rule
    'no-rule-knows-the-base'
    """
    planned = planned_of(findings.construct)
    wall = wall_of(findings, wall_threshold_mm)
    facts = rule_facts(findings, planned, wall)
    alternates = _alternates(planned, rules, facts)
    return Guidance(
        needs=_needs(planned, rules, facts, alternates),
        alternates=alternates,
        near=_near(planned, rules, facts),
        cautions=_cautions(planned, rules, facts),
        conflicts=_wall_conflicts(wall)
        + tuple(
            SourceConflict(r.name, r.reason, r.sides, r.code) for r in rules.of("conflict", facts)
        ),
        unknowns=tuple(
            UnknownFinding(r.name, r.reason, r.source, r.code)
            for r in rules.of("unknown", facts)
            if facts[r.name] is None
        ),
    )


def _named(construct: str, planned: PlannedConstruct) -> str:
    """Write out a rule's construct for this plan, each part once.

    The planned add-ons stay: a wire that the plan needs is needed round another nail as well. Only
    the buttress plate goes when the new base is a nail, which carries the screw's head itself.
    """
    first, *add_ons = construct.split("+")
    kept = [
        str(part)
        for part in planned.parts[1:]
        if first in {PLANNED, PLATE} or part.template != BUTTRESS
    ]
    base = str(planned.parts[0]) if first == PLANNED else first
    return "+".join([base, *kept, *(code for code in add_ons if code not in codes_of(planned))])


def _others(names: tuple[str, ...], planned: PlannedConstruct) -> list[str]:
    """Return the constructs a rule names, without the plan itself."""
    named = (_named(name, planned) for name in names)
    return [name for name in named if set(codes_of(read_planned(name))) != set(codes_of(planned))]


def _knows(rules: Rules, planned: PlannedConstruct) -> bool:
    return codes_of(planned)[0] in rules.bases


def _cautions(
    planned: PlannedConstruct, rules: Rules, facts: Mapping[str, Fact]
) -> tuple[Caution, ...]:
    said = tuple(Caution(r.reason, r.source, r.code) for r in rules.of("caution", facts))
    if _knows(rules, planned):
        return said
    base = codes_of(planned)[0]
    unknown = (
        f"No guidance rule covers the construct '{base}': no backup is suggested, and nothing "
        "shows that the plan will hold."
    )
    return (Caution(unknown, "current guidance rules", "no-rule-knows-the-base"), *said)


def _alternates(
    planned: PlannedConstruct, rules: Rules, facts: Mapping[str, Fact]
) -> tuple[AlternateSuggestion, ...]:
    found: dict[str, AlternateSuggestion] = {}
    if not _knows(rules, planned):
        return ()
    for rule in rules.of("alternate", facts):
        for name in _others(rule.names, planned):
            found.setdefault(name, AlternateSuggestion(name, rule.reason, rule.source, rule.code))
    return tuple(found.values())


def _needs(
    planned: PlannedConstruct,
    rules: Rules,
    facts: Mapping[str, Fact],
    alternates: tuple[AlternateSuggestion, ...],
) -> tuple[FractureNeed, ...]:
    known = _knows(rules, planned)
    holding = [
        (rule, tuple(others))
        for rule in rules.of("need", facts)
        if known and (others := _others(rule.names, planned))
    ]
    chances = _chances([rule for rule, _ in holding], rules)
    reason = "The plan holds." if holding else "No rule suggests that anything else may be needed."
    as_planned = FractureNeed(
        AS_PLANNED,
        1 - math.fsum(chances),
        (str(planned), *(alternate.construct for alternate in alternates)),
        reason if known else "No guidance rule covers this construct.",
        rules.conversion_source if holding else "current guidance rules",
        "",
    )
    return (
        as_planned,
        *(
            FractureNeed(r.name, chance, others, r.reason, r.source, r.code)
            for chance, (r, others) in zip(chances, holding, strict=True)
        ),
    )


def _chances(holding: Sequence[Rule], rules: Rules) -> list[float]:
    """Return the probability of each need; what stands alone never leaves the plan below 0."""
    own = math.fsum(rule.probability or 0.0 for rule in holding)
    total = sum(rule.weight for rule in holding if rule.probability is None)
    shared = min(rules.conversion_probability, max(1 - own, 0.0))
    scale = 1 / max(own, 1.0)
    return [
        shared * rule.weight / total if rule.probability is None else scale * rule.probability
        for rule in holding
    ]


def _near(
    planned: PlannedConstruct, rules: Rules, facts: Mapping[str, Fact]
) -> tuple[KeptNear, ...]:
    found: dict[str, KeptNear] = {}
    for rule in rules.of("near", facts):
        for what in rule.names:
            if not set(what.split("+")) <= set(codes_of(planned)):
                found.setdefault(what, KeptNear(what, rule.reason, rule.source, rule.code))
    return tuple(found.values())


def _wall_conflicts(wall: LateralWall) -> tuple[SourceConflict, ...]:
    if not wall.conflict:
        return ()
    sides = tuple(SourceSide(piece.says, piece.source) for piece in wall.evidence)
    return (SourceConflict("lateral wall", wall.reason, sides, "lateral-wall-findings"),)
