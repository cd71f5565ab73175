"""Share units out over all coming cases at once: a minimum-cost flow of units to needs.

Cases going by turns take from one another what they need not: the first in line takes the pack
that another cannot do without, or an alternate's far size takes a later case's planned screw.
What is planned for first use is shared out first, over all days; then, day by day, the primaries'
other lines, then each alternate in its rank. Of lines that compete the nearer size goes first,
then the earlier case. Instrument sets are away for spans of time and stay out of it.

What is shared out is claimed; the check finds it there when it comes to the case. Where there is
enough for everybody nothing needs sharing out.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import chain, groupby, pairwise

from service.core.constructs.kit_lines import FIRST_USE, INSTRUMENT_SET, KitLine
from service.core.cover.shelf import CaseAllocation, ClaimedStock, need_of
from service.core.cover.unit_flow import UnitFlow, serve_whole
from service.core.cover.units import Claim, StockUnits, order_of_use, unusable_reason

#: How many units of each parcel a line may use, by parcel.
Share = Mapping[str, int]


def stays(line: KitLine) -> bool:
    """Tell whether a line's units are for first use, and so gone on every later day."""
    return line.place == FIRST_USE and line.is_nominal


def share_out(turns: Sequence[CaseAllocation]) -> None:
    """Claim for each case what it gets of the items that cases compete for.

    Parameters
    ----------
    turns
        The turns of all cases at one shelf, in order of start; their claims are noted there.

    Notes
    -----
    Most planned constructs whole, then most planned units: exactly, over all cases and days, as a
    unit serves one first use, from its day until it expires or goes back. What is left goes to
    what stands by, which needs its units on its own day only. What a case has been promised
    already stays with it. Which unit: the first to be gone, ties by lot, then by shelf.

    That planned constructs go before what stands by, nearer sizes before farther and earlier
    cases before later ones is common practice, no source.

    Examples
    --------
    >>> share_out([])
    """
    refs = contested_refs(turns)
    if not refs:
        return
    contest = _Contest(turns, refs)
    contest.claim_planned()
    days = [list(same_day) for _, same_day in groupby(sorted(turns, key=_day), key=_day)]
    for rank in range(max(len(turn.case.constructs) for turn in turns)):
        for same_day in days:
            contest.claim_standing_by(same_day, rank)


def _day(turn: CaseAllocation) -> date:
    return turn.case.list_date


def _last_day(turn: CaseAllocation) -> date:
    return turn.last_day or turn.case.list_date


#: A line of a case: the case, the construct's rank, and the line's place in it.
_Line = tuple[str, int, int]

#: Units of a parcel that lines may take: the parcel, the case that has them or nobody, and the
#: first day on which they are free for good, or the last until which they are free otherwise.
_Units = tuple[str, str, date | None]


@dataclass(slots=True)
class _Contest:
    """Cases, the references they compete for, and what primaries have got so far."""

    turns: Sequence[CaseAllocation]
    refs: frozenset[str]
    planned: dict[_Line, int] = field(default_factory=lambda: defaultdict(int))
    new: dict[str, list[Claim]] = field(default_factory=lambda: defaultdict(list))
    ranks: dict[str, int] = field(init=False)
    more: int = field(init=False)

    def __post_init__(self) -> None:
        """Give each parcel its cost: the first to be gone costs least.

        What a case has already costs next to nothing, and any other unit more than all differences
        of rank together, so that nothing moves for the sake of an order. What has to come back
        from another case's tray costs more than either.
        """
        found = sorted(self._stock(), key=order_of_use)
        lines = chain.from_iterable(
            construct.lines for turn in self.turns for construct in turn.case.constructs
        )
        self.more = (len(found) + 1) * (sum(line.quantity for line in lines) + 1)
        self.ranks = {parcel.key: self.more + rank for rank, parcel in enumerate(found)}

    def claim_planned(self) -> None:
        """Claim what primaries are planned with: whole constructs first."""
        flow = UnitFlow[_Line, _Units]()
        slices = self._free_from_days()
        groups = []
        for turn in self.turns:
            lines = {need: line for need, line in self._lines(turn, 0) if stays(line)}
            for need, line in lines.items():
                self._offer_for_good(flow, turn, need, line, slices)
            groups.append({need: line.quantity for need, line in lines.items()})
        asked = zip(self.turns, groups, strict=True)
        serve_whole(flow, [group for turn, group in asked if group and not _is_hopeless(turn)])
        for need, _, units in flow.given():
            self.planned[need] += units
        for need, wanted in chain.from_iterable(group.items() for group in groups):
            self.planned[need] += flow.serve(need, wanted - self.planned[need])
        self._claim(flow)

    def _free_from_days(self) -> dict[str, list[tuple[date, int]]]:
        """Cut what is free of each parcel into slices by the day from which it is free for good.

        What is free from an early day is free on later ones, too.
        """
        days = sorted({turn.case.list_date for turn in self.turns})
        shelf = self.turns[0].shelf
        slices = {}
        for parcel in self._stock():
            free = [0, *(max(shelf.free(parcel, day, stays=True), 0) for day in days)]
            steps = zip(days, pairwise(free), strict=True)
            slices[parcel.key] = [
                (day, now - before) for day, (before, now) in steps if now > before
            ]
        return slices

    def _offer_for_good(
        self,
        flow: UnitFlow[_Line, _Units],
        turn: CaseAllocation,
        need: _Line,
        line: KitLine,
        slices: Mapping[str, Sequence[tuple[date, int]]],
    ) -> None:
        """Offer a line what its case has for good, and what is free from its day on."""
        for parcel in turn.usable(line.refs):
            self._offer_own(flow, turn, need, line, parcel)
            cost = self._cost(turn, parcel, self.ranks[parcel.key])
            for day, units in slices[parcel.key]:
                if day <= turn.case.list_date:
                    flow.offer(need, (parcel.key, "", day), units, cost)

    def _cost(self, turn: CaseAllocation, parcel: StockUnits, cost: int) -> int:
        """Return what a parcel costs a case: more when it has to come back from another's tray."""
        return cost + 2 * self.more * parcel.is_on_another_tray(turn.case.case)

    def _offer_own(
        self,
        flow: UnitFlow[_Line, _Units],
        turn: CaseAllocation,
        need: _Line,
        line: KitLine,
        parcel: StockUnits,
    ) -> None:
        """Offer a line what its case has: what is in the patient, then what it was promised."""
        name, day = turn.case.case, turn.case.list_date
        if parcel.is_implanted:
            known = turn.done.get((need_of(line), parcel.key), 0)
            flow.offer(need, (parcel.key, f"{name} for {need_of(line)}", day), known, 0)
            flow.offer(need, (parcel.key, name, day), turn.implanted_for(line, parcel) - known, 0)
            return
        for_good, cost = turn.held(parcel, for_good=True), self._cost(turn, parcel, 1)
        flow.offer(need, (parcel.key, name, day), for_good, cost)
        if not stays(line):
            flow.offer(need, (parcel.key, name, None), turn.held(parcel) - for_good, cost)

    def claim_standing_by(self, turns: Sequence[CaseAllocation], rank: int) -> None:
        """Claim what stands by on a day for the constructs of one rank; nearer sizes first.

        What primaries are planned with on that day may still go over to other units, so that
        somebody who has no choice gets what stands by.
        """
        flow = UnitFlow[_Line, _Units]()
        asked = [
            (line.steps_away, order, need, line.quantity)
            for order, turn in enumerate(turns)
            for need, line in self._lines(turn, rank)
            if not stays(line)
        ]
        if not asked:
            return
        sent = {one.key for one in self._stock() if one.sent_from}
        for turn in turns if rank == 0 else ():
            for claim in self.new.pop(turn.case.case, ()):
                if claim.key not in sent:
                    turn.shelf.take_back(claim)
        free = self._free_on(_day(turns[0]), {_last_day(turn) for turn in turns})
        for turn in turns:
            for need, line in self._lines(turn, rank):
                self._offer_for_the_day(flow, turn, need, line, free)
        for turn in turns:
            for need, line in self._lines(turn, rank):
                flow.serve(need, self.planned[need] if stays(line) else 0)
        for _, _, need, quantity in sorted(asked):
            flow.serve(need, quantity)
        self._claim(flow)

    def _free_on(self, day: date, last_days: Collection[date]) -> dict[str, Mapping[date, int]]:
        """Cut what is free of each parcel from a day on into slices by the last day it is free.

        What is free for good is free until the last day there is.
        """
        shelf = self.turns[0].shelf
        free: dict[str, Mapping[date, int]] = {}
        for parcel in self._stock():
            rest = max(shelf.free(parcel, day, stays=True), 0)
            slices = {date.max: rest}
            for last in sorted(last_days, reverse=True):
                slices[last] = shelf.free(parcel, day, stays=False, last_day=last) - rest
                rest += slices[last]
            free[parcel.key] = slices
        return free

    def _offer_for_the_day(
        self,
        flow: UnitFlow[_Line, _Units],
        turn: CaseAllocation,
        need: _Line,
        line: KitLine,
        free: Mapping[str, Mapping[date, int]],
    ) -> None:
        """Offer a line what its case has already, and what is free on its day or from it on."""
        for parcel in turn.usable(line.refs):
            cost = self._cost(turn, parcel, self.ranks[parcel.key])
            self._offer_own(flow, turn, need, line, parcel)
            if parcel.sent_from:
                # Nothing planned goes over to it, and what lies ready for another case of the
                # list goes before it; the check sees to that.
                continue
            until = date.max if stays(line) else _last_day(turn)
            for last, units in free[parcel.key].items():
                if until <= last:
                    flow.offer(need, (parcel.key, "", last), units, cost)

    def _lines(self, turn: CaseAllocation, rank: int) -> Iterator[tuple[_Line, KitLine]]:
        """Return the lines of a case's construct that compete with others."""
        for construct in turn.case.constructs[rank : rank + 1]:
            for place, line in enumerate(construct.lines):
                if line.what != INSTRUMENT_SET and not self.refs.isdisjoint(line.refs):
                    yield (turn.case.case, rank, place), line

    def _stock(self) -> list[StockUnits]:
        parcels = self.turns[0].shelf.parcels
        return [one for ref in sorted(self.refs) for one in parcels.get(ref, ())]

    def _claim(self, flow: UnitFlow[_Line, _Units]) -> None:
        """Claim what nobody had, for good where a primary is planned with it.

        What is in the patient is noted as what it was implanted for.
        """
        turns = {turn.case.case: turn for turn in self.turns}
        parcels = {one.key: one for one in self._stock()}
        for need, (key, owner, _), units in flow.given():
            turn, for_good = turns[need[0]], need in self.planned
            if parcels[key].is_implanted:
                line = turn.case.constructs[need[1]].lines[need[2]]
                most = max(turn.done[need_of(line), key], units)
                turn.done[need_of(line), key] = most
            elif not owner:
                claim = turn.new_claim(parcels[key], units, stays=for_good)
                turn.shelf.add(claim)
                if for_good:
                    self.new[need[0]].append(claim)


def _is_hopeless(turn: CaseAllocation) -> bool:
    """Tell whether a case cannot have all it is planned with, even if no other case took any."""
    for line in turn.case.constructs[0].lines:
        if line.what != INSTRUMENT_SET and stays(line):
            day = turn.case.list_date
            there = sum(
                max(turn.shelf.free(one, day, stays=True), 0) + turn.held(one, for_good=True)
                for one in turn.usable(line.refs)
            )
            if there < line.quantity:
                return True
    return False


@dataclass(frozen=True, slots=True)
class _Ask:
    """Units a case lacks of references that serve alike: for good, and until it is over."""

    refs: tuple[str, ...]
    day: date
    last_day: date
    for_good: int
    stands_by: int


def contested_refs(turns: Sequence[CaseAllocation]) -> frozenset[str]:
    """Return the references of which cases ask for more than there is on some day.

    Parameters
    ----------
    turns
        The turns of all cases at one shelf, in order of start.

    Returns
    -------
    frozenset of str
        With every reference that is tied to one by lines that would take either. For the others
        it makes no difference who comes first: everybody gets all that is asked for.

    Examples
    --------
    >>> contested_refs([])
    frozenset()
    """
    asks: dict[tuple[str, ...], list[_Ask]] = defaultdict(list)
    for ask in _asks(turns):
        asks[ask.refs].append(ask)
    rivals = _rivals(asks)
    tight = {
        refs
        for refs in asks
        if _is_tight(refs, [ask for other in rivals[refs] for ask in asks[other]], turns[0].shelf)
    }
    waiting = list(tight)
    while waiting:
        new = rivals[waiting.pop()] - tight
        tight |= new
        waiting += new
    return frozenset(ref for refs in tight for ref in refs)


def _rivals(sets: Iterable[tuple[str, ...]]) -> dict[tuple[str, ...], set[tuple[str, ...]]]:
    """Return for each set of references those that share one with it, itself among them."""
    by_ref: dict[str, set[tuple[str, ...]]] = defaultdict(set)
    for refs in sets:
        for ref in refs:
            by_ref[ref].add(refs)
    return {refs: {other for ref in refs for other in by_ref[ref]} for refs in sets}


def _is_tight(refs: Sequence[str], asks: Sequence[_Ask], shelf: ClaimedStock) -> bool:
    """Tell whether on some day more may be wanted of some references than is free and in date.

    Where there is nothing at all, there is nothing to share out.
    """
    stock = [parcel for ref in refs for parcel in shelf.parcels.get(ref, ())]
    for day in {ask.day for ask in asks if ask.for_good or ask.stands_by} if stock else ():
        wanted = sum(ask.for_good for ask in asks if ask.day <= day)
        wanted += sum(ask.stands_by for ask in asks if ask.day <= day <= ask.last_day)
        # What has still to arrive is there for some cases only.
        usable = (one for one in stock if unusable_reason(one, day) is None)
        there = sum(max(shelf.free(one, day, stays=True), 0) for one in usable)
        if wanted > there and (there or any(one.sent_from for one in stock)):
            return True
    return False


def _asks(turns: Sequence[CaseAllocation]) -> Iterator[_Ask]:
    """Return what each case asks for beyond what it has been promised."""
    for turn in turns:
        planned, most = _quantities(turn)
        rivals = _rivals(most)
        for refs, quantity in most.items():
            # Units that two lines may take are counted for neither; it is looked at closely then.
            parcels = turn.usable(refs) if len(rivals[refs]) == 1 else []
            # What is in the patient serves one need only: an alternate may want another unit.
            implanted = sum(one.quantity for one in parcels if one.is_implanted)
            # Nobody waits for what lies on another's tray while there is a choice.
            own = (
                claim
                for parcel in parcels
                if not (parcel.is_implanted or parcel.is_on_another_tray(turn.case.case))
                for claim in turn.own(parcel)
            )
            has = {True: 0, False: 0}
            for claim in own:
                has[claim.stays] += claim.quantity
            for_good = max(planned[refs] - has[True] - implanted, 0)
            lacking = max(quantity - sum(has.values()), for_good)
            yield _Ask(refs, turn.case.list_date, _last_day(turn), for_good, lacking - for_good)


def _quantities(
    turn: CaseAllocation,
) -> tuple[Mapping[tuple[str, ...], int], Mapping[tuple[str, ...], int]]:
    """Return how many units of what a case is planned with, and how many it takes at most."""
    planned: dict[tuple[str, ...], int] = defaultdict(int)
    most: dict[tuple[str, ...], int] = defaultdict(int)
    for construct in turn.case.constructs:
        takes: dict[tuple[str, ...], int] = defaultdict(int)
        for line in construct.lines:
            if line.refs and line.what != INSTRUMENT_SET:
                takes[line.refs] += line.quantity
                planned[line.refs] += line.quantity * stays(line)
        for refs, quantity in takes.items():
            most[refs] = max(most[refs], quantity)
    for line in turn.case.near:
        if line.refs and line.what != INSTRUMENT_SET:
            most[line.refs] += line.quantity
    return planned, most


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
    mixed = {
        refs for refs, others in _rivals({one.refs for one in lines}).items() if len(others) > 1
    }
    return tuple(place for place, line in enumerate(lines) if line.refs in mixed)


def match_units_to_lines(
    lines: Mapping[int, KitLine],
    usable: Mapping[int, Sequence[StockUnits]],
    available: Callable[[KitLine, StockUnits], tuple[int, ...]],
) -> dict[int, Share]:
    """Match units to lines so that as many as possible are found, first to be gone first.

    Parameters
    ----------
    lines
        Overlapping lines by their place. Of lines that compete what is planned goes first, then
        the nearer size, then the line that stands first.
    usable
        For each line the parcels that count for it, the first to be gone first.
    available
        How many units of a parcel a line may use, in the order in which they are used, such as
        those its case has already, those that are free, and those it has to wait for.

    Returns
    -------
    dict of int to Share
        For each line how many units of each parcel are meant for it.

    Examples
    --------
    >>> either = KitLine("screw", "screw", ("A", "B"), 1, "nominal", "first use")
    >>> only_a = KitLine("screw", "screw", ("A",), 1, "nominal", "first use")
    >>> a, b = StockUnits("a", "A", 1), StockUnits("b", "B", 1)
    >>> free = lambda line, parcel: (0, 1)
    >>> match_units_to_lines({0: either, 1: only_a}, {0: [a, b], 1: [a]}, free)
    {0: {'b': 1}, 1: {'a': 1}}
    """
    flow = UnitFlow[int, tuple[str, int, int]]()
    parcels = {one.key: one for place in lines for one in usable[place]}
    ranks = {one.key: n for n, one in enumerate(sorted(parcels.values(), key=order_of_use))}
    more = (len(ranks) + 1) * (sum(line.quantity for line in lines.values()) + 1)
    counts = {
        (place, one.key): available(line, one)
        for place, line in lines.items()
        for one in usable[place]
    }
    for (place, key), kinds in counts.items():
        for kind, units in enumerate(kinds):
            # What one line may use, one that may use more may use as well: slices between them.
            bounds = sorted(
                {0, *(limits[kind] for (_, other), limits in counts.items() if other == key)}
            )
            for low, high in pairwise(bounds):
                if high <= units:
                    flow.offer(place, (key, kind, low), high - low, ranks[key] + more * kind)
    for place in sorted(lines, key=lambda one: (not stays(lines[one]), lines[one].steps_away, one)):
        flow.serve(place, lines[place].quantity)
    shares: dict[int, dict[str, int]] = {place: {} for place in lines}
    for place, (key, _, _), units in flow.given():
        shares[place][key] = shares[place].get(key, 0) + units
    return dict(shares)
