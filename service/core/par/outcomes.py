"""Which units a case may need together: joint outcomes of its factors, merged and split apart.

Readiness is a sum of products. For a set of constructs of one case, the chance that all of them
are wholly on the shelf is a product over *groups*: takes that share no factor and no item are
independent, so each connected group of takes stands for itself. A group is a list of outcomes, each
with its probability and the largest quantity any of the constructs takes of each item.
"""

import itertools
import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from service.core.par.problem import CaseType, ParTooLarge, Take

__all__ = ["Group", "Outcomes", "joint_groups"]

MAX_JOINT_OUTCOMES = 200_000

Demand = tuple[tuple[tuple[int, int], int], ...]
"""Units by (construct, item number), sorted; the key under which equal outcomes merge."""

Group = tuple[tuple[float, tuple[tuple[int, int], ...]], ...]
"""Outcomes of a group: a probability and the (item number, quantity) pairs needed, sorted."""


@dataclass(slots=True)
class Outcomes:
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
    case: CaseType, constructs: Collection[int], items: Mapping[str, int], outcomes: Outcomes
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
    >>> from service.core.par.problem import Construct
    >>> take = Take((0,), ({"a": 1}, {"b": 1}, None))
    >>> case = CaseType("K", ((0.5, 0.3, 0.2),), (), (Construct("c", (take,)),))
    >>> joint_groups(case, (0,), {"a": 0, "b": 1}, Outcomes())
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
    takes: list[tuple[int, Take]],
    items: Mapping[str, int],
    outcomes: Outcomes,
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
    case: CaseType, takes: list[tuple[int, Take]], at: Mapping[int, int], items: Mapping[str, int]
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


def _joined(blocks: list[dict[Demand, float]], outcomes: Outcomes) -> dict[Demand, float]:
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
