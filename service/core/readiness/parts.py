"""Drop what cannot bind and split the cases into independent parts."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

from service.core.readiness.problem import (
    Arrival,
    Case,
    DatedStock,
    ReadinessProblem,
    is_out,
    is_usable,
)

_NEVER_US = 2**62


@dataclass(frozen=True, slots=True)
class UnitClass:
    """Units of an item that the same cases of a part may use.

    Attributes
    ----------
    pattern : tuple of bool
        For each case of the part whether it may use them.
    quantity : int
        How many there are.
    arrival : str or None
        The arrival they come with; None where they are there for certain.
    """

    pattern: tuple[bool, ...]
    quantity: int
    arrival: str | None = None


@dataclass(frozen=True, slots=True)
class BindingSupply:
    """What there is of one binding item, seen from the cases of one part.

    Attributes
    ----------
    item : str
        Name of the item.
    classes : tuple of UnitClass
        Parcels, first expired first. A set has one class that every case may use, and one for
        each time that further copies come.
    out : tuple of tuple of bool, or None
        None for stock. For a set: `out[k][j]` is True where a copy taken by case k of the part
        is still away when case j starts.
    bounds : tuple of int
        The most that each case of the part can take.
    """

    item: str
    classes: tuple[UnitClass, ...]
    out: tuple[tuple[bool, ...], ...] | None
    bounds: tuple[int, ...]

    def usable_by(self, position: int) -> int:
        """Return how many the case at that position may use if all came and none was taken."""
        return sum(each.quantity for each in self.classes if each.pattern[position])

    @property
    def certain(self) -> int:
        """How many there are from the first case to the last, whatever comes."""
        return sum(
            each.quantity for each in self.classes if each.arrival is None and all(each.pattern)
        )

    @property
    def arrivals(self) -> frozenset[str]:
        """The arrivals that units come with."""
        return frozenset(each.arrival for each in self.classes if each.arrival is not None)


@dataclass(frozen=True, slots=True)
class ListPart:
    """Cases (positions on the list, in order) that share binding items with no other case.

    ``arrivals`` are those that some of its supplies come with.
    """

    positions: tuple[int, ...]
    cases: tuple[Case, ...]
    supplies: tuple[BindingSupply, ...]
    arrivals: tuple[Arrival, ...] = ()


def parts_of(problem: ReadinessProblem) -> tuple[ListPart, ...]:
    """Split a problem into parts whose cases do not compete for anything.

    An item cannot bind, and is dropped, where the units that every taker may use are at least
    the sum of the most that each can take; for a set, where that holds among the cases that
    can have a copy away at the same time. Two cases compete for a binding item if one parcel
    is usable by both, or if it is a set that either may keep from the other. Cases that wait for
    the same arrival belong together, too.

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
    for earlier, later in _waiting_together(supplies):
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
            supply = BindingSupply(
                item,
                (
                    UnitClass((True,) * len(problem.cases), each.quantity),
                    *_classes(each.coming, problem.cases, bounds[item]),
                ),
                away[each.turnaround_us],
                tuple(bounds[item]),
            )
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
    return BindingSupply(item, tuple(_classes(parcels, cases, bounds)), None, tuple(bounds))


def _classes(
    parcels: Iterable[DatedStock], cases: tuple[Case, ...], bounds: list[int]
) -> list[UnitClass]:
    takers = [k for k, bound in enumerate(bounds) if bound]
    classes: list[UnitClass] = []
    for parcel in sorted(parcels, key=_expiry_order):
        seen = {k: is_usable(parcel, cases[k].starts_us) for k in takers}
        # A case that never takes the item sees whatever all takers see, so that it splits no class.
        pattern = tuple(seen.get(k, all(seen.values())) for k in range(len(cases)))
        if parcel.quantity and any(seen.values()):
            _append(classes, UnitClass(pattern, parcel.quantity, parcel.arrival))
    return classes


def _append(classes: list[UnitClass], one: UnitClass, most: int | None = None) -> None:
    """Add a class, together with the last one where the same cases may use both alike."""
    last = classes[-1] if classes else None
    if last is None or (last.pattern, last.arrival) != (one.pattern, one.arrival):
        classes.append(one)
        return
    both = last.quantity + one.quantity
    classes[-1] = replace(one, quantity=both if most is None else min(both, most))


def _expiry_order(parcel: DatedStock) -> tuple[int, int, str]:
    """Order parcels first expired first; of equals, the one that can be used least long.

    That tie matters only where cases run backwards in time. What is there goes before what is
    expected: which of the two is left matters to nobody, as what has not come cannot be used.
    """
    until = _NEVER_US if parcel.until_us is None else parcel.until_us
    since = _NEVER_US if parcel.from_us is None else -parcel.from_us
    return until, since, parcel.arrival or ""


def _can_bind(supply: BindingSupply) -> bool:
    if supply.out is None:
        return supply.certain < sum(supply.bounds)
    quantity = supply.certain
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
    for each in supply.classes:
        users = [k for k in takers if each.pattern[k]]
        pairs += [(users[0], k) for k in users[1:]]
    return pairs


def _waiting_together(supplies: list[BindingSupply]) -> list[tuple[int, int]]:
    """Pair the cases that may use something of one and the same arrival."""
    users: dict[str, list[int]] = defaultdict(list)
    for supply in supplies:
        for each in supply.classes:
            if each.arrival is not None:
                users[each.arrival] += [
                    k for k, n in enumerate(supply.bounds) if n and each.pattern[k]
                ]
    return [(known[0], k) for known in users.values() for k in known[1:]]


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
    named = frozenset[str]().union(*(supply.arrivals for supply in seen))
    arrivals = tuple(one for one in problem.arrivals if one.name in named)
    return ListPart(positions, tuple(problem.cases[k] for k in positions), seen, arrivals)


def _seen_from(supply: BindingSupply, positions: tuple[int, ...]) -> BindingSupply:
    bounds = tuple(supply.bounds[k] for k in positions)
    takers = [k for k in positions if supply.bounds[k]]
    classes: list[UnitClass] = []
    for each in supply.classes:
        if not any(each.pattern[k] for k in takers):
            continue
        every = all(each.pattern[k] for k in takers)
        mine = tuple(each.pattern[k] if supply.bounds[k] else every for k in positions)
        # More than all its takers together can want is never used up.
        most = sum(bounds) if supply.out is None else None
        capped = each.quantity if most is None else min(each.quantity, most)
        _append(classes, UnitClass(mine, capped, each.arrival), most)
    out = supply.out
    if out is not None:
        out = tuple(tuple(out[k][j] for j in positions) for k in positions)
    return BindingSupply(supply.item, tuple(classes), out, bounds)
