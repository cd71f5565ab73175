"""The case mix as a sum of products, and the units a case takes of each item."""

import itertools
import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from service.core.par.problem import CaseType, ParNeed, ParProblem, ParTake, ParTooLarge

Group = tuple[tuple[float, tuple[tuple[int, int], ...]], ...]


class CaseMixTerms:
    """What a case mix asks for, whatever the levels and however many cases come a day.

    Walks over the case mix once, sharing the groups of a set of constructs between needs.

    Parameters
    ----------
    problem
        The problem; only its case mix and the names of its items count.

    Raises
    ------
    ParTooLarge
        When the takes have too many joint outcomes.

    Examples
    --------
    >>> from service.core.par.problem import CaseType, MixEntry, ParItem, ParNeed
    >>> from service.core.par.problem import ParConstruct, ParTake
    >>> screw = ParConstruct("one", (ParTake((), ({"screw": 1},)),))
    >>> case = CaseType("K", (), (ParNeed("fix", 1.0, (0,)),), (screw,))
    >>> CaseMixTerms(ParProblem(0.5, (MixEntry(1.0, case),), (ParItem("screw", 1, 4.0),))).terms
    {(((1.0, ((0, 1),)),),): 1.0}
    """

    def __init__(self, problem: ParProblem) -> None:
        self.items = {item.item: number for number, item in enumerate(problem.items)}
        self.total_weight = math.fsum(entry.weight for entry in problem.case_mix)
        self.outcomes = OutcomeCounter()
        self.terms: dict[tuple[Group, ...], float] = {}
        self.first_terms: dict[tuple[Group, ...], float] = {}
        self.units_per_case: list[dict[int, float]] = [{} for _ in problem.items]
        for entry in problem.case_mix:
            if entry.weight > 0.0:
                self._add_case(entry.case, entry.weight / self.total_weight)

    def _add_case(self, case: CaseType, share: float) -> None:
        groups: dict[tuple[int, ...], tuple[Group, ...]] = {}

        def groups_of(constructs: tuple[int, ...]) -> tuple[Group, ...]:
            if constructs not in groups:
                groups[constructs] = joint_groups(case, constructs, self.items, self.outcomes)
            return groups[constructs]

        for need in case.needs:
            if need.constructs and need.probability > 0.0:
                first = groups_of(need.constructs[:1])
                self._add_takings(first, share * need.probability)
                _add_term(self.first_terms, first, share * need.probability)
                for constructs, sign in _unions(need):
                    weight = sign * share * need.probability
                    _add_term(self.terms, groups_of(constructs), weight)

    def _add_takings(self, groups: tuple[Group, ...], share: float) -> None:
        """Add what a case takes: its first construct, or nothing where that is not made."""
        made = [math.fsum(chance for chance, _ in group) for group in groups]
        for number, group in enumerate(groups):
            others = math.prod(made[:number]) * math.prod(made[number + 1 :])
            for chance, needed in group:
                for item, quantity in needed:
                    units = self.units_per_case[item]
                    units[quantity] = units.get(quantity, 0.0) + share * others * chance


def _add_term(
    terms: dict[tuple[Group, ...], float], groups: tuple[Group, ...], weight: float
) -> None:
    """Add a product of groups; what no level can change goes into its coefficient."""
    moving: list[Group] = []
    for group in groups:
        if any(needed for _, needed in group):
            moving.append(group)
        else:
            weight *= math.fsum(chance for chance, _ in group)
    key = tuple(sorted(moving))
    terms[key] = terms.get(key, 0.0) + weight


def _unions(need: ParNeed) -> list[tuple[tuple[int, ...], float]]:
    """Return each set of the need's constructs with its sign by inclusion and exclusion."""
    constructs = sorted(set(need.constructs))
    return [
        (chosen, 1.0 if count % 2 else -1.0)
        for count in range(1, len(constructs) + 1)
        for chosen in itertools.combinations(constructs, count)
    ]


MAX_JOINT_OUTCOMES = 200_000


Demand = tuple[tuple[tuple[int, int], int], ...]


"""Units by (construct, item number), sorted; the key under which equal outcomes merge."""


"""OutcomeCounter of a group: a probability and the (item number, quantity) pairs needed, sorted."""


@dataclass(slots=True)
class OutcomeCounter:
    """Counts the joint outcomes looked at, so that a huge problem is refused and not endless."""

    looked_at: int = 0

    def look_at(self, count: int) -> None:
        """Count more outcomes; past the limit the problem is refused."""
        self.looked_at += count
        if self.looked_at > MAX_JOINT_OUTCOMES:
            sentence = (
                f"The takes have more than {MAX_JOINT_OUTCOMES} joint outcomes; "
                "let fewer takes share factors or items, or merge outcomes."
            )
            raise ParTooLarge([("/case_mix", sentence)])


def joint_groups(
    case: CaseType, constructs: Collection[int], items: Mapping[str, int], outcomes: OutcomeCounter
) -> tuple[Group, ...]:
    """Return the independent groups of outcomes of some constructs of a case taken together.

    Parameters
    ----------
    case
        The kind of case.
    constructs
        Positions of its constructs that must all be on the shelf at once, each from what is there
        (not one after the other: an item's quantity is the largest of any of them).
    items
        Number of each item that counts; an item not among them is always there.
    outcomes
        Counts what is looked at.

    Returns
    -------
    tuple of Group
        Disjoint in factors and in items. Outcomes in which a construct is not made are left out,
        so a group's probabilities may sum to less than 1.

    Raises
    ------
    ParTooLarge
        When there are too many joint outcomes.

    Examples
    --------
    >>> from service.core.par.problem import ParConstruct
    >>> take = ParTake((0,), ({"a": 1}, {"b": 1}, None))
    >>> case = CaseType("K", ((0.5, 0.3, 0.2),), (), (ParConstruct("c", (take,)),))
    >>> joint_groups(case, (0,), {"a": 0, "b": 1}, OutcomeCounter())
    (((0.5, ((0, 1),)), (0.3, ((1, 1),))),)
    """
    takes = [
        (number, take) for number in sorted(constructs) for take in case.constructs[number].takes
    ]
    by_factors = _connected([set(take.factors) for _, take in takes])
    blocks = [
        _block(case, [takes[position] for position in positions], items, outcomes)
        for positions in by_factors
    ]
    by_items = _connected([_items_of(block) for block in blocks])
    joined = (
        _joined([blocks[position] for position in positions], outcomes) for positions in by_items
    )
    return tuple(_largest(block) for block in joined)


def _connected(members: list[set[int]]) -> list[list[int]]:
    """Return positions in groups, two together where a chain of shared elements links them."""
    groups: list[tuple[set[int], list[int]]] = []
    for position, elements in enumerate(members):
        linked = [group for group in groups if group[0] & elements]
        union = set(elements).union(*(group[0] for group in linked))
        positions = sorted(itertools.chain([position], *(group[1] for group in linked)))
        groups = [group for group in groups if group not in linked]
        groups.append((union, positions))
    return [positions for _, positions in groups]


def _items_of(block: Mapping[Demand, float]) -> set[int]:
    return {item for demand in block for (_, item), _ in demand}


def _block(
    case: CaseType,
    takes: list[tuple[int, ParTake]],
    items: Mapping[str, int],
    outcomes: OutcomeCounter,
) -> dict[Demand, float]:
    """Return the joint demand of takes over every outcome of the factors they share."""
    factors = sorted({factor for _, take in takes for factor in take.factors})
    chances = [case.factors[factor] for factor in factors]
    outcomes.look_at(math.prod(len(factor) for factor in chances))
    block: dict[Demand, float] = {}
    for drawn in itertools.product(*(range(len(factor)) for factor in chances)):
        probability = math.prod(
            factor[outcome] for factor, outcome in zip(chances, drawn, strict=True)
        )
        at = dict(zip(factors, drawn, strict=True))
        demand = _demand(case, takes, at, items) if probability > 0.0 else None
        if demand is not None:
            block[demand] = block.get(demand, 0.0) + probability
    return block


def _demand(
    case: CaseType,
    takes: list[tuple[int, ParTake]],
    at: Mapping[int, int],
    items: Mapping[str, int],
) -> Demand | None:
    units: dict[tuple[int, int], int] = {}
    for construct, take in takes:
        row = 0
        for factor in take.factors:
            row = row * len(case.factors[factor]) + at[factor]
        entry = take.outcomes[row]
        if entry is None:
            return None
        for name, quantity in entry.items():
            if name in items and quantity > 0:
                key = (construct, items[name])
                units[key] = units.get(key, 0) + quantity
    return tuple(sorted(units.items()))


def _joined(blocks: list[dict[Demand, float]], outcomes: OutcomeCounter) -> dict[Demand, float]:
    """Return the joint demand of independent blocks, summed within each construct."""
    joined: dict[Demand, float] = {(): 1.0}
    for block in blocks:
        outcomes.look_at(len(joined) * len(block))
        merged: dict[Demand, float] = {}
        for (one, chance), (other, weight) in itertools.product(joined.items(), block.items()):
            demand = _summed((*one, *other))
            merged[demand] = merged.get(demand, 0.0) + chance * weight
        joined = merged
    return joined


def _summed(parts: Iterable[tuple[tuple[int, int], int]]) -> Demand:
    units: dict[tuple[int, int], int] = {}
    for key, quantity in parts:
        units[key] = units.get(key, 0) + quantity
    return tuple(sorted(units.items()))


def _largest(block: Mapping[Demand, float]) -> Group:
    """Merge a block's outcomes by the largest quantity of each item in any construct."""
    group: dict[tuple[tuple[int, int], ...], float] = {}
    for demand, probability in block.items():
        units: dict[int, int] = {}
        for (_, item), quantity in demand:
            units[item] = max(units.get(item, 0), quantity)
        needed = tuple(sorted(units.items()))
        group[needed] = group.get(needed, 0.0) + probability
    return tuple((probability, needed) for needed, probability in sorted(group.items()))
