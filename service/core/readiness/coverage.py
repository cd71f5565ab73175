"""Probability that one construct could be made if no earlier case took anything."""

from service.core.readiness.demands import Shelf, joint_demands
from service.core.readiness.problem import Case, Take


def coverage(case: Case, construct: int, shelf: Shelf) -> float:
    """Return the probability that a construct is wholly usable.

    Takes that share a factor or an item are counted jointly, others multiply.

    Parameters
    ----------
    case : Case
        The case.
    construct : int
        Index of the construct.
    shelf : Shelf
        What there is before anything is taken.

    Returns
    -------
    float
        Between 0 and 1.

    Raises
    ------
    ProblemError
        Where too many different demands would have to be told apart.

    Examples
    --------
    >>> from service.core.readiness.problem import Construct, Factor
    >>> takes = (Take((0,), ((("a", 1),), (("b", 1),), None)),)
    >>> factor = Factor("neck", (0.5, 0.25, 0.25))
    >>> case = Case("K1", None, None, (factor,), (), (Construct("c", takes),))
    >>> coverage(case, 0, Shelf({"a": 1}))
    0.5
    """
    value = 1.0
    for cluster in _clusters(list(case.constructs[construct].takes)):
        joint = joint_demands(case, [cluster], shelf)
        value *= sum(chance for (demand,), chance in joint.items() if demand is not None)
    return min(1.0, value)


def _clusters(takes: list[Take]) -> list[list[Take]]:
    """Group takes that share a factor or an item."""
    groups: list[tuple[set[object], list[Take]]] = []
    for take in takes:
        marks: set[object] = set(take.factors)
        marks |= {item for entry in take.entries for item, _ in entry or ()}
        mine = [take]
        apart = []
        for other, members in groups:
            if other & marks:
                marks, mine = marks | other, members + mine
            else:
                apart.append((other, members))
        groups = [*apart, (marks, mine)]
    return [members for _, members in groups]
