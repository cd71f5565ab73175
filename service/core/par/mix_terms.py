"""The case mix as a sum of products, and the units a case takes of each item."""

import itertools
import math

from service.core.par.outcomes import Group, Outcomes, joint_groups
from service.core.par.problem import CaseType, Need, ParProblem

__all__ = ["MixTerms"]


class MixTerms:
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
    >>> from service.core.par.problem import CaseType, Construct, MixEntry, Need, ParItem, Take
    >>> screw = Construct("one", (Take((), ({"screw": 1},)),))
    >>> case = CaseType("K", (), (Need("fix", 1.0, (0,)),), (screw,))
    >>> MixTerms(ParProblem(0.5, (MixEntry(1.0, case),), (ParItem("screw", 1, 4.0),))).terms
    {(((1.0, ((0, 1),)),),): 1.0}
    """

    def __init__(self, problem: ParProblem) -> None:
        self.items = {item.item: number for number, item in enumerate(problem.items)}
        self.total_weight = math.fsum(entry.weight for entry in problem.case_mix)
        self.outcomes = Outcomes()
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


def _unions(need: Need) -> list[tuple[tuple[int, ...], float]]:
    """Return each set of the need's constructs with its sign by inclusion and exclusion."""
    constructs = sorted(set(need.constructs))
    return [
        (chosen, 1.0 if count % 2 else -1.0)
        for count in range(1, len(constructs) + 1)
        for chosen in itertools.combinations(constructs, count)
    ]
