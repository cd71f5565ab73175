"""The one more unit that helps a case most, after the cases before it have taken what they plan."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

from service.core.readiness.problem import (
    Case,
    Construct,
    DatedStock,
    ReadinessProblem,
    is_out,
    is_usable,
)
from service.core.readiness.solve import solve

#: A unit that adds less than this to a case's readiness is not worth naming.
LEAST_WORTH = 0.001


_NO_END = 2**62


@dataclass(frozen=True, slots=True)
class HelpfulUnit:
    """One more unit of an item, and a case's readiness with it.

    Parameters
    ----------
    readiness
        Probability that the case can be completed with the unit, 0 to 1.
    standard_error
        Of the readiness; 0 where it is exact.
    """

    item: str
    readiness: float
    standard_error: float = 0.0


def most_helpful_unit(problem: ReadinessProblem, name: str) -> HelpfulUnit | None:
    """Find the one more undated unit that raises one case's readiness most.

    Parameters
    ----------
    problem
        The cases in order; those after the named one do not matter to it.
    name
        The case.

    Returns
    -------
    HelpfulUnit or None
        The unit, with the case's readiness when the cases up to it are worked out again with the
        unit, by the method the problem asks for; None when no unit adds 0.001.

    Raises
    ------
    ValueError
        When there is no such case.
    ProblemError
        Where the problem asks for an exact answer that is too large.

    Notes
    -----
    The unit is chosen by the gains of the case alone, from what is left when every earlier case
    has taken what its likeliest need takes first in the likeliest sizes. Assumption: a unit that
    helps only after an unlikely earlier case may be passed over; what the named unit adds is
    worked out with all cases.

    Examples
    --------
    >>> from service.core.readiness.problem import Case, Construct, Need, DatedStock, Take
    >>> def case(name):
    ...     takes = (Take((), ((("x", 1),),)),)
    ...     needs = (Need("n", 1.0, (0,)),)
    ...     return Case(name, None, None, (), needs, (Construct("c", takes),))
    >>> problem = ReadinessProblem((DatedStock("x", 1),), (), (case("K1"), case("K2")))
    >>> most_helpful_unit(problem, "K1"), most_helpful_unit(problem, "K2")
    (None, HelpfulUnit(item='x', readiness=1.0, standard_error=0.0))
    """
    names = [case.name for case in problem.cases]
    if name not in names:
        message = f"there is no case {name}"
        raise ValueError(message)
    position = names.index(name)
    alone = replace(_left_for(problem, position), method="auto", gains=1)
    gains = solve(alone).gains
    if not gains or gains[0][1] < LEAST_WORTH:
        return None
    item = gains[0][0]
    tried = replace(_with_one_more(problem, item), cases=problem.cases[: position + 1], gains=0)
    found = solve(tried).cases[position].readiness
    return HelpfulUnit(item, found.value, found.standard_error)


def _with_one_more(problem: ReadinessProblem, item: str) -> ReadinessProblem:
    """Add a unit that is always there, or a copy of an instrument set."""
    if any(each.item == item for each in problem.sets):
        sets = tuple(
            replace(each, quantity=each.quantity + (each.item == item)) for each in problem.sets
        )
        return replace(problem, sets=sets)
    return replace(problem, stock=(*problem.stock, DatedStock(item, 1)))


def _left_for(problem: ReadinessProblem, position: int) -> ReadinessProblem:
    """Return one case with what is left when earlier cases have taken what they plan."""
    case = problem.cases[position]
    stock = list(problem.stock)
    away: Counter[str] = Counter()
    turnarounds = {each.item: each.turnaround_us for each in problem.sets}
    for earlier in problem.cases[:position]:
        for item, quantity in _planned(earlier).items():
            if item not in turnarounds:
                stock = _without(stock, item, quantity, earlier.starts_us)
            elif is_out(earlier, turnarounds[item], case):
                away[item] += quantity
    sets = tuple(
        replace(each, quantity=max(each.quantity - away[each.item], 0)) for each in problem.sets
    )
    return replace(problem, stock=tuple(stock), sets=sets, cases=(case,))


def _planned(case: Case) -> Counter[str]:
    """Return what the likeliest need of a case takes first, in the likeliest sizes."""
    planned: Counter[str] = Counter()
    need = max(case.needs, key=lambda need: need.probability)
    if need.constructs:
        for demand in _likeliest(case, case.constructs[need.constructs[0]]):
            for item, quantity in demand:
                planned[item] += quantity
    return planned


def _likeliest(case: Case, construct: Construct) -> Iterable[tuple[tuple[str, int], ...]]:
    for take in construct.takes:
        place = 0
        for factor in take.factors:
            chances = case.factors[factor].probabilities
            place = place * len(chances) + chances.index(max(chances))
        yield take.entries[place] or ()


def _without(
    stock: list[DatedStock], item: str, quantity: int, starts_us: int | None
) -> list[DatedStock]:
    """Take units of an item from stock, those that expire first."""
    left = list(stock)
    places = [
        place
        for place, parcel in enumerate(stock)
        if parcel.item == item and is_usable(parcel, starts_us)
    ]
    for place in sorted(places, key=lambda place: left[place].until_us or _NO_END):
        taken = min(quantity, left[place].quantity)
        left[place] = replace(left[place], quantity=left[place].quantity - taken)
        quantity -= taken
    return left
