"""Check cases against stock in list order, so that no unit is counted twice.

Cases go in the order of their start. A case draws its primary first, then its alternates; within
one case the constructs share packs, because only one of them is implanted. What a primary is
planned with stays used for every later case; backups go back unopened and count again from the
next list day on.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import min_weight_full_bipartite_matching

from service.core.constructs.kit_lines import FIRST_USE, INSTRUMENT_SET, KitLine
from service.core.cover.gaps import explain_missing
from service.core.cover.results import (
    CaseCheck,
    CaseToCheck,
    ConstructCheck,
    LineCheck,
    Pick,
    SizesFound,
    expectations_of,
)
from service.core.cover.shelf import CaseAllocation, ClaimedStock, Used, need_of
from service.core.cover.sizes import forgive_further, sizes_found
from service.core.cover.units import Claim, StockUnits


def check_cases(
    cases: Sequence[CaseToCheck],
    parcels: Iterable[StockUnits],
    turnarounds: Mapping[str, int],
    zone: tzinfo,
    holds: Iterable[Claim] = (),
) -> tuple[CaseCheck, ...]:
    """Check every case in order of start; an earlier case goes first.

    Parameters
    ----------
    cases
        The cases of one or more lists, in any order; ties in start go by case reference.
    parcels
        Everything there is: on shelves, in quarantine, unsterile, and on its way.
    turnarounds
        Minutes an instrument set is away after a case, by catalogue reference; the catalogue
        takes no set without.
    zone
        The site's time zone, in which moments are said.
    holds
        What has been promised already; a case's own holds serve it first, others' never do.

    Returns
    -------
    tuple of CaseCheck
        In the order the cases were gone through.

    Notes
    -----
    Of several usable lots the one that expires first is taken (first expired, first out); ties go
    by lot, then by shelf. Source: common practice.

    Lines of a construct whose references overlap in part are matched to units all at once, see
    ``match_units_to_lines``; across constructs and cases the earlier one goes first.

    Examples
    --------
    >>> from datetime import UTC
    >>> check_cases([], [], {}, UTC)
    ()
    """
    shelf = ClaimedStock.of(parcels, holds)
    ordered = sorted(cases, key=lambda case: (case.starts, case.case))
    checked = [_check_case(CaseAllocation(case, shelf, turnarounds, zone)) for case in ordered]
    return tuple(_with_sharers(check, shelf) for check in checked)


def _with_sharers(check: CaseCheck, shelf: ClaimedStock) -> CaseCheck:
    """Note on every pick who else counts on it; a later case may have joined an earlier one."""
    case = check.case.case
    claims = tuple(claim for claim in shelf.all_claims() if claim.case == case)
    sharers = {claim.key: shelf.sharers(claim) for claim in claims if claim.share_group is not None}
    if not sharers:
        return replace(check, claims=claims)

    def shared(line: LineCheck) -> LineCheck:
        picks = (replace(pick, shared_with=sharers.get(pick.parcel.key, ())) for pick in line.picks)
        return replace(line, picks=tuple(picks))

    constructs = tuple(
        replace(one, lines=tuple(shared(line) for line in one.lines)) for one in check.constructs
    )
    near = tuple(shared(line) for line in check.near)
    return replace(check, constructs=constructs, near=near, claims=claims)


def _check_case(turn: CaseAllocation) -> CaseCheck:
    checked = []
    for place, construct in enumerate(turn.case.constructs):
        used: Used = defaultdict(int)
        shares = _shares(construct.lines, turn, used)
        lines = tuple(
            _check(line, turn, used, is_primary=place == 0, share=shares.get(number))
            for number, line in enumerate(construct.lines)
        )
        sizes = sizes_found(construct.sizes, lines)
        lines = forgive_further(lines, sizes)
        checked.append(ConstructCheck(construct.name, _state(lines, sizes), lines, sizes))
        for key, quantity in used.items():
            turn.most_used[key] = max(turn.most_used[key], quantity)
    # Packs that are near come on top of what any one construct takes.
    near = tuple(_check(line, turn, turn.most_used, is_primary=False) for line in turn.case.near)
    return CaseCheck(turn.case, tuple(checked), near)


#: How many units of each parcel a line may use, by parcel.
Share = Mapping[str, int]


def _shares(lines: Sequence[KitLine], turn: CaseAllocation, used: Used) -> dict[int, Share]:
    """Share units out among the lines of a construct that overlap in part; the others need none."""
    mixed = {place: lines[place] for place in overlapping_lines(lines)}
    mixed = {place: line for place, line in mixed.items() if line.what != INSTRUMENT_SET}
    if not mixed:
        return {}

    def available(line: KitLine, parcel: StockUnits) -> int:
        free = turn.shelf.free(parcel, turn.case.list_date, stays=_stays(line))
        return max(_left(line, parcel, turn, used), 0) + max(free, 0)

    usable = {place: turn.usable(line.refs) for place, line in mixed.items()}
    return match_units_to_lines(mixed, usable, available)


_ANY_LINE, _FOR_GOOD = ("any line",), ("for good",)


def _stays(line: KitLine) -> bool:
    return line.place == FIRST_USE and line.is_nominal


def _users(line: KitLine, parcel: StockUnits) -> tuple[tuple[str, ...], ...]:
    """Say who uses units up: a pack serves one line only, a copy of a set serves every role."""
    if parcel.is_implanted:
        return (need_of(line),)
    if line.what == INSTRUMENT_SET:
        return ((line.part, line.role),)
    return (_ANY_LINE, _FOR_GOOD) if _stays(line) else (_ANY_LINE,)


def _left(line: KitLine, parcel: StockUnits, turn: CaseAllocation, used: Used) -> int:
    """Return what the case has claimed of a parcel and this construct has not used up.

    A backup that another case may count on, too, does not serve what is implanted.
    """
    if parcel.is_implanted:
        return turn.implanted_for(line, parcel) - used[need_of(line), parcel.key]
    return min(
        turn.held(parcel, for_good=user == _FOR_GOOD) - used[user, parcel.key]
        for user in _users(line, parcel)
    )


def _check(
    line: KitLine, turn: CaseAllocation, used: Used, *, is_primary: bool, share: Share | None = None
) -> LineCheck:
    """Fill a line from what the case has claimed already, then from what it can claim.

    A share keeps it to the units meant for it; what a share leaves open, sharing with another
    case may still fill.
    """
    usable = turn.usable(line.refs)
    taken: dict[str, int] = defaultdict(int)
    # Units another construct of the case uses come first: those left over may be for what is near.
    for only_shared in (True, False):
        for parcel in usable:
            left = _left(line, parcel, turn, used) - taken[parcel.key]
            if only_shared and not parcel.is_implanted:
                key = (_ANY_LINE, parcel.key)
                left = min(left, turn.most_used[key] - used[key] - taken[parcel.key])
            if share is not None:
                left = min(left, share.get(parcel.key, 0) - taken[parcel.key])
            taken[parcel.key] += max(min(line.quantity - sum(taken.values()), left), 0)
    missing = line.quantity - sum(taken.values())
    is_set = line.what == INSTRUMENT_SET
    if is_set:
        wanted = missing - turn.sent_off(line.refs)
        new = _claim_sets(usable, wanted, turn, is_primary=is_primary)
    else:
        own = None if share is None else {key: n - taken[key] for key, n in share.items()}
        new = _claim_packs(usable, missing, turn, stays=_stays(line), share=own)
    picks = tuple(
        Pick(
            parcel,
            number,
            expected=(
                turn.shelf.expectation(parcel, turn.case) if is_set or parcel.sent_from else None
            ),
        )
        for parcel in usable
        if (number := taken[parcel.key] + new.get(parcel.key, 0))
    )
    for pick in picks:
        for user in _users(line, pick.parcel):
            used[user, pick.parcel.key] += pick.quantity
            if pick.parcel.is_implanted:
                most = max(turn.done[user, pick.parcel.key], used[user, pick.parcel.key])
                turn.done[user, pick.parcel.key] = most
    missing -= sum(new.values())
    gap = explain_missing(line, missing, turn, is_primary=is_primary) if missing else None
    return LineCheck(line, picks, gap)


def _claim_packs(
    usable: Sequence[StockUnits],
    wanted: int,
    turn: CaseAllocation,
    *,
    stays: bool,
    share: Share | None,
) -> dict[str, int]:
    """Claim units that are free, then backups that lie ready for another case of the list.

    What is here goes before what has still to arrive.
    """
    new: dict[str, int] = defaultdict(int)
    for is_sent in (False, True):
        parcels = [one for one in usable if bool(one.sent_from) == is_sent]
        for parcel in parcels:
            left = wanted - sum(new.values())
            free = min(left, turn.shelf.free(parcel, turn.case.list_date, stays=stays))
            if share is not None:
                free = min(free, share.get(parcel.key, 0))
            if free > 0:
                turn.shelf.add(turn.new_claim(parcel, free, stays=stays))
                new[parcel.key] += free
        for parcel in parcels if not stays else ():
            left = wanted - sum(new.values())
            if left > 0:
                new[parcel.key] += sum(claim.quantity for claim in turn.share(parcel, left))
    return new


def _claim_sets(
    usable: Sequence[StockUnits], wanted: int, turn: CaseAllocation, *, is_primary: bool
) -> dict[str, int]:
    """Claim copies of an instrument set that are back, sterile, when the case starts."""
    new: dict[str, int] = defaultdict(int)
    starts = turn.case.starts
    # A copy that is there goes before one that has to come back first.
    waits = {one.key: turn.shelf.expectation(one, turn.case) is not None for one in usable}
    for parcel in sorted(usable, key=lambda one: waits[one.key]):
        until = turn.set_until(parcel, is_primary=is_primary)
        while sum(new.values()) < wanted and turn.shelf.is_back(parcel, starts, until):
            claim = turn.new_claim(parcel, 1, stays=False)
            opened = until > turn.case.ends
            turn.shelf.add(
                replace(claim, is_set=True, starts=starts, until=until, is_opened=opened)
            )
            new[parcel.key] += 1
    return new


def _state(lines: Sequence[LineCheck], sizes: SizesFound) -> str:
    """Return which of ``STATES`` a construct is in with what was found."""
    if not sizes.is_measured:
        return "not covered"
    if all(check.gap is None for check in lines):
        if not sizes.is_enough:
            return "partly covered"
        return "covered if" if expectations_of(lines) else "covered"
    can_fill: dict[tuple[str, str], bool] = defaultdict(bool)
    for check in lines:
        can_fill[check.line.part, check.line.role] |= check.gap is None
    return "partly covered" if all(can_fill.values()) else "not covered"


MAX_TOTAL_COST = 2**52


@dataclass(frozen=True, slots=True)
class Allocation:
    """Which demand is served by which unit, and which goes short.

    Attributes
    ----------
    served : tuple of (str, str)
        Demand and unit.
    short : tuple of str
        Demands without a unit, in the order asked.
    cost : int
        Total cost of the pairs; 0 where pairs have no cost.
    """

    served: tuple[tuple[str, str], ...]
    short: tuple[str, ...]
    cost: int = 0


def least_cost_match(
    demands: Sequence[str], units: Sequence[str], cost: Mapping[tuple[str, str], int]
) -> Allocation:
    """Serve as many demands as possible at the least cost where units stand in for one another.

    First-expired-first is not enough here: a demand that has a choice may take the only unit of
    one that has none. This is a minimum-cost bipartite matching with a shortage arc per demand,
    dearer than any set of pairs, so that a demand goes short only where it must. Among matchings
    of equal number and cost the same input always gives the same one.

    Parameters
    ----------
    demands, units : sequence of str
        Names, none twice; one unit serves one demand.
    cost : mapping of (demand, unit) to int
        The pairs that are allowed, with what each costs, from 0.

    Returns
    -------
    Allocation
        Pairs in the order of the demands.

    Raises
    ------
    ValueError
        Where a name stands twice, a pair names no demand or unit, a cost is negative, or costs
        are too large to be added up exactly.

    Examples
    --------
    >>> least_cost_match(["K1", "K2"], ["a", "b"], {("K1", "a"): 0, ("K1", "b"): 5, ("K2", "a"): 0})
    Allocation(served=(('K1', 'b'), ('K2', 'a')), short=(), cost=5)
    """
    _refuse_twins(units, demands)
    _refuse_costs(demands, units, cost)
    if not demands:
        return Allocation((), ())
    rows = {name: n for n, name in enumerate(demands)}
    columns = {name: n for n, name in enumerate(units)}
    shortage = (max(cost.values(), default=0) + 1) * (len(demands) + 1)
    pairs = [(rows[d], columns[u], price) for (d, u), price in cost.items()]
    pairs += [(n, len(units) + n, shortage) for n in range(len(demands))]
    pairs.sort()
    where = np.array([pair[:2] for pair in pairs], dtype=np.intp)
    # A zero weight would vanish from the sparse graph, so that every arc costs one more.
    weights = np.array([pair[2] + 1 for pair in pairs], dtype=np.float64)
    shape = (len(demands), len(units) + len(demands))
    graph = sparse.csr_matrix((weights, (where[:, 0], where[:, 1])), shape=shape)
    chosen = dict(
        zip(*(side.tolist() for side in min_weight_full_bipartite_matching(graph)), strict=True)
    )
    served = tuple((d, units[chosen[n]]) for n, d in enumerate(demands) if chosen[n] < len(units))
    short = tuple(d for n, d in enumerate(demands) if chosen[n] >= len(units))
    return Allocation(served, short, sum(cost[pair] for pair in served))


def _refuse_twins(units: Sequence[str], demands: Sequence[str]) -> None:
    for noun, names in (("unit", units), ("demand", demands)):
        if len(set(names)) != len(names):
            raise ValueError(f"A {noun} is listed twice.")


def _refuse_costs(
    demands: Sequence[str], units: Sequence[str], cost: Mapping[tuple[str, str], int]
) -> None:
    known, there = set(demands), set(units)
    for (demand, unit), price in cost.items():
        if demand not in known or unit not in there:
            raise ValueError(f"The pair {demand!r}, {unit!r} names no demand or no unit.")
        if price < 0:
            raise ValueError(f"The cost of {demand!r}, {unit!r} is negative.")
    if (max(cost.values(), default=0) + 1) * (len(demands) + 1) ** 2 > MAX_TOTAL_COST:
        raise ValueError("The costs are too large to be added up exactly.")


def overlapping_lines(lines: Sequence[KitLine]) -> tuple[int, ...]:
    """Return the lines that share some references with another line, but not all.

    Parameters
    ----------
    lines
        The lines of one construct; lines without references never overlap.

    Returns
    -------
    tuple of int
        Their places, rising; every line that wants any of the references concerned is among them.

    Examples
    --------
    >>> line = KitLine("screw", "screw", ("A", "B"), 1, "nominal", "first use")
    >>> other = KitLine("screw", "screw", ("B",), 1, "nominal", "first use")
    >>> overlapping_lines([line, line]), overlapping_lines([line, other])
    ((), (0, 1))
    """
    wanted: dict[str, set[tuple[str, ...]]] = defaultdict(set)
    for line in lines:
        for ref in line.refs:
            wanted[ref].add(line.refs)
    mixed = {refs for group in wanted.values() if len(group) > 1 for refs in group}
    return tuple(place for place, line in enumerate(lines) if line.refs in mixed)


def match_units_to_lines(
    lines: Mapping[int, KitLine],
    usable: Mapping[int, Sequence[StockUnits]],
    available: Callable[[KitLine, StockUnits], int],
) -> dict[int, Share]:
    """Match units to lines so that as many as possible are found, first expired first.

    Parameters
    ----------
    lines
        Overlapping lines by their place.
    usable
        For each line the parcels that count for it, first expired first.
    available
        How many units of a parcel a line may use.

    Returns
    -------
    dict of int to Share
        For each line how many units of each parcel are meant for it.

    Notes
    -----
    A unit costs its place in the order of expiry, so that of the largest matchings the one that
    uses the oldest stock is taken; what has still to arrive from another site costs more than all
    that is here together. Source: minimum-cost bipartite matching, see ``match``.

    Examples
    --------
    >>> either = KitLine("screw", "screw", ("A", "B"), 1, "nominal", "first use")
    >>> only_a = KitLine("screw", "screw", ("A",), 1, "nominal", "first use")
    >>> a, b = StockUnits("a", "A", 1), StockUnits("b", "B", 1)
    >>> match_units_to_lines({0: either, 1: only_a}, {0: [a, b], 1: [a]}, lambda line, parcel: 1)
    {0: {'b': 1}, 1: {'a': 1}}
    """
    demands: list[str] = []
    units: dict[str, str] = {}
    cost: dict[tuple[str, str], int] = {}
    dearest = max((len(parcels) for parcels in usable.values()), default=0)
    still_to_arrive = dearest * sum(line.quantity for line in lines.values())
    for place, line in lines.items():
        wanted = [f"{place}/{number}" for number in range(line.quantity)]
        demands += wanted
        for rank, parcel in enumerate(usable[place]):
            for number in range(available(line, parcel)):
                unit = f"{parcel.key}/{number}"
                units[unit] = parcel.key
                price = rank + still_to_arrive if parcel.sent_from else rank
                cost |= {(demand, unit): price for demand in wanted}
    found = least_cost_match(demands, list(units), cost)
    shares: dict[int, dict[str, int]] = {place: {} for place in lines}
    for demand, unit in found.served:
        share = shares[int(demand.partition("/")[0])]
        share[units[unit]] = share.get(units[unit], 0) + 1
    return dict(shares)
