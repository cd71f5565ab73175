"""Drop what cannot bind and split the cases into independent parts."""

from collections import defaultdict
from dataclasses import dataclass

from service.core.readiness.problem import Case, DatedStock, ReadinessProblem, is_out, is_usable

_NEVER_US = 2**62


@dataclass(frozen=True, slots=True)
class BindingSupply:
    """What there is of one binding item, seen from the cases of one part.

    Attributes
    ----------
    item : str
        Name of the item.
    classes : tuple of (tuple of bool, int)
        Parcels, first expired first: for each case of the part whether it may use them, and
        how many there are. A set has one class that every case may use.
    out : tuple of tuple of bool, or None
        None for stock. For a set: `out[k][j]` is True where a copy taken by case k of the part
        is still away when case j starts.
    bounds : tuple of int
        The most that each case of the part can take.
    """

    item: str
    classes: tuple[tuple[tuple[bool, ...], int], ...]
    out: tuple[tuple[bool, ...], ...] | None
    bounds: tuple[int, ...]

    def usable_by(self, position: int) -> int:
        """Return how many the case at that position may use if nothing was taken before."""
        return sum(quantity for pattern, quantity in self.classes if pattern[position])


@dataclass(frozen=True, slots=True)
class ListPart:
    """Cases (positions on the list, in order) that share binding items with no other case."""

    positions: tuple[int, ...]
    cases: tuple[Case, ...]
    supplies: tuple[BindingSupply, ...]


def parts_of(problem: ReadinessProblem) -> tuple[ListPart, ...]:
    """Split a problem into parts whose cases do not compete for anything.

    An item cannot bind, and is dropped, where the units that every taker may use are at least
    the sum of the most that each can take; for a set, where that holds among the cases that
    can have a copy away at the same time. Two cases compete for a binding item if one parcel
    is usable by both, or if it is a set that either may keep from the other.

    Parameters
    ----------
    problem : ReadinessProblem
        A parsed problem.

    Returns
    -------
    tuple of ListPart
        Ordered by first case; every case is in exactly one part.

    Examples
    --------
    >>> from service.core.readiness.problem import Construct, Need, Take
    >>> def case(name, item):
    ...     take = Take((), (((item, 1),),))
    ...     need = (Need("n", 1.0, (0,)),)
    ...     return Case(name, None, None, (), need, (Construct("c", (take,)),))
    >>> cases = (case("K1", "x"), case("K2", "y"), case("K3", "x"))
    >>> split = parts_of(ReadinessProblem((DatedStock("x", 1), DatedStock("y", 1)), (), cases))
    >>> [(part.positions, [s.item for s in part.supplies]) for part in split]
    [((0, 2), ['x']), ((1,), [])]
    """
    bounds = _bounds(problem.cases)
    supplies = _binding_supplies(problem, bounds)
    roots = list(range(len(problem.cases)))
    for supply in supplies:
        for earlier, later in _rivals(supply):
            _join(roots, earlier, later)
    members: dict[int, list[int]] = defaultdict(list)
    for position in range(len(roots)):
        members[_root(roots, position)].append(position)
    return tuple(_part(problem, tuple(group), supplies) for group in members.values())


def demand_bound(case: Case, construct: int) -> dict[str, int]:
    """Return the most of each item that one construct of a case can take.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> dict(demand_bound(small_part().cases[0], 0))
    {'a': 1, 'b': 1}
    """
    total: dict[str, int] = defaultdict(int)
    for take in case.constructs[construct].takes:
        most: dict[str, int] = {}
        for entry in take.entries:
            for item, quantity in entry or ():
                most[item] = max(most.get(item, 0), quantity)
        for item, quantity in most.items():
            total[item] += quantity
    return total


def _bounds(cases: tuple[Case, ...]) -> dict[str, list[int]]:
    bounds: dict[str, list[int]] = {}
    for position, case in enumerate(cases):
        for construct in sorted({index for need in case.needs for index in need.constructs}):
            for item, quantity in demand_bound(case, construct).items():
                row = bounds.setdefault(item, [0] * len(cases))
                row[position] = max(row[position], quantity)
    return bounds


def _binding_supplies(
    problem: ReadinessProblem, bounds: dict[str, list[int]]
) -> list[BindingSupply]:
    stock: dict[str, list[DatedStock]] = defaultdict(list)
    for parcel in problem.stock:
        stock[parcel.item].append(parcel)
    sets = {each.item: each for each in problem.sets}
    away: dict[int, tuple[tuple[bool, ...], ...]] = {}
    found = []
    for item in sorted(bounds):
        if item in sets:
            each = sets[item]
            if each.turnaround_us not in away:
                away[each.turnaround_us] = _away(problem.cases, each.turnaround_us)
            classes = (((True,) * len(problem.cases), each.quantity),)
            supply = BindingSupply(item, classes, away[each.turnaround_us], tuple(bounds[item]))
        else:
            supply = _stock_supply(item, stock[item], problem.cases, bounds[item])
        if _can_bind(supply):
            found.append(supply)
    return found


def _away(cases: tuple[Case, ...], turnaround_us: int) -> tuple[tuple[bool, ...], ...]:
    return tuple(
        tuple(j > k and is_out(taker, turnaround_us, later) for j, later in enumerate(cases))
        for k, taker in enumerate(cases)
    )


def _stock_supply(
    item: str, parcels: list[DatedStock], cases: tuple[Case, ...], bounds: list[int]
) -> BindingSupply:
    takers = [k for k, bound in enumerate(bounds) if bound]
    classes: list[tuple[tuple[bool, ...], int]] = []
    for parcel in sorted(parcels, key=_expiry_order):
        seen = {k: is_usable(parcel, cases[k].starts_us) for k in takers}
        # A case that never takes the item sees whatever all takers see, so that it splits no class.
        pattern = tuple(seen.get(k, all(seen.values())) for k in range(len(cases)))
        if not parcel.quantity or not any(seen.values()):
            continue
        if classes and classes[-1][0] == pattern:
            classes[-1] = (pattern, classes[-1][1] + parcel.quantity)
        else:
            classes.append((pattern, parcel.quantity))
    return BindingSupply(item, tuple(classes), None, tuple(bounds))


def _expiry_order(parcel: DatedStock) -> tuple[int, int]:
    """Order parcels first expired first; of equals, the one that can be used least long.

    The tie matters only where cases run backwards in time.
    """
    until = _NEVER_US if parcel.until_us is None else parcel.until_us
    return until, _NEVER_US if parcel.from_us is None else -parcel.from_us


def _can_bind(supply: BindingSupply) -> bool:
    if supply.out is None:
        always = sum(quantity for pattern, quantity in supply.classes if all(pattern))
        return always < sum(supply.bounds)
    quantity = supply.usable_by(0)
    takers = [k for k, bound in enumerate(supply.bounds) if bound]
    for j in takers:
        away = sum(supply.bounds[k] for k in takers if supply.out[k][j])
        if quantity < supply.bounds[j] + away:
            return True
    return False


def _rivals(supply: BindingSupply) -> list[tuple[int, int]]:
    takers = [k for k, bound in enumerate(supply.bounds) if bound]
    if supply.out is not None:
        return [(takers[0], k) for k in takers[1:]]
    pairs = []
    for pattern, _ in supply.classes:
        users = [k for k in takers if pattern[k]]
        pairs += [(users[0], k) for k in users[1:]]
    return pairs


def _root(roots: list[int], position: int) -> int:
    while roots[position] != position:
        roots[position] = roots[roots[position]]
        position = roots[position]
    return position


def _join(roots: list[int], one: int, other: int) -> None:
    low, high = sorted((_root(roots, one), _root(roots, other)))
    roots[high] = low


def _part(
    problem: ReadinessProblem, positions: tuple[int, ...], supplies: list[BindingSupply]
) -> ListPart:
    mine = [each for each in supplies if any(each.bounds[k] for k in positions)]
    seen = tuple(_seen_from(supply, positions) for supply in mine)
    return ListPart(positions, tuple(problem.cases[k] for k in positions), seen)


def _seen_from(supply: BindingSupply, positions: tuple[int, ...]) -> BindingSupply:
    bounds = tuple(supply.bounds[k] for k in positions)
    takers = [k for k in positions if supply.bounds[k]]
    classes: list[tuple[tuple[bool, ...], int]] = []
    for pattern, quantity in supply.classes:
        if not any(pattern[k] for k in takers):
            continue
        every = all(pattern[k] for k in takers)
        mine = tuple(pattern[k] if supply.bounds[k] else every for k in positions)
        # More than all its takers together can want is never used up.
        capped = min(quantity, sum(bounds)) if supply.out is None else quantity
        if classes and classes[-1][0] == mine:
            classes[-1] = (mine, min(classes[-1][1] + capped, sum(bounds)))
        else:
            classes.append((mine, capped))
    out = supply.out
    if out is not None:
        out = tuple(tuple(out[k][j] for j in positions) for k in positions)
    return BindingSupply(supply.item, tuple(classes), out, bounds)
