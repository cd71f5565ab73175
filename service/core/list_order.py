"""Order of a list: where a set is not back in time, and whether another order would help."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

MAX_SEARCHED_CASES = 8


_MINUTES_PER_HOUR = 60


@dataclass(frozen=True, slots=True)
class PlannedCase:
    """A case on the list; minutes count from midnight of the list day, copies of sets one each."""

    case: str
    theatre: str
    starts_minutes: int
    ends_minutes: int
    sets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetStock:
    """Copies of an instrument set, and how long one is away after a case ends.

    Attributes
    ----------
    copies : int
        Those that are there when the day begins.
    returning : tuple of (int, str)
        Those that come back during the day: when, in minutes, and after which case.
    """

    item: str
    copies: int
    turnaround_minutes: int
    returning: tuple[tuple[int, str], ...] = ()

    @property
    def all_copies(self) -> int:
        """How many there are, with those that come back."""
        return self.copies + len(self.returning)


@dataclass(frozen=True, slots=True)
class SetClash:
    """A case that starts before a copy of its set is back.

    Attributes
    ----------
    case, item : str
        The case and the set it lacks.
    held_by : tuple of str
        Cases that have the copies.
    back_minutes : int or None
        When the first copy is back; None where there is none at all.
    reason : str
        One sentence.
    """

    case: str
    item: str
    held_by: tuple[str, ...]
    back_minutes: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class OrderSuggestion:
    """Another order for a list, or why there is none; never applied by itself.

    Attributes
    ----------
    outcome : str
        `better`, `none better`, or `not searched`.
    order : tuple of str
        Cases in the order suggested; as they stand unless the outcome is `better`.
    waiting_minutes, waiting_now_minutes : int or None
        Total waiting for sets in that order and as it stands; None where not searched.
    moved : int
        Cases that change their place.
    reason : str
        One or two sentences.
    """

    outcome: Literal["better", "none better", "not searched"]
    order: tuple[str, ...]
    waiting_minutes: int | None
    waiting_now_minutes: int | None
    moved: int
    reason: str


def set_clashes(cases: Sequence[PlannedCase], sets: Sequence[SetStock]) -> tuple[SetClash, ...]:
    """Find the cases that start before a copy of a set they need is back.

    Cases are taken by start, those that start together in the order given, in all theatres. A
    copy is back at the end of its case plus turnaround and usable for a case that starts at or
    after that moment. A case that finds no copy holds none.

    Parameters
    ----------
    cases : sequence of PlannedCase
        The list.
    sets : sequence of SetStock
        What there is; a set not listed has no copies.

    Returns
    -------
    tuple of SetClash
        By start of case, then by set in the order the case names them.

    Examples
    --------
    >>> cases = [PlannedCase("K1", "1", 480, 570, ("nail set",)),
    ...          PlannedCase("K2", "1", 600, 660, ("nail set",))]
    >>> set_clashes(cases, [SetStock("nail set", 1, 240)])[0].reason
    'K2 starts at 10:00; the only copy of nail set is with K1 and back at 13:30.'
    """
    stock = {each.item: each for each in sets}
    holders = {each.item: list(each.returning) for each in sets}
    found = []
    for case in sorted(cases, key=lambda each: each.starts_minutes):
        for item in case.sets:
            held = holders.setdefault(item, [])
            away = sorted(pair for pair in held if pair[0] > case.starts_minutes)
            if item in stock and len(away) < stock[item].all_copies:
                held.append((case.ends_minutes + stock[item].turnaround_minutes, case.case))
            else:
                found.append(_clash(case, item, away))
    return tuple(found)


def better_order(
    cases: Sequence[PlannedCase],
    sets: Sequence[SetStock],
    changeover_minutes: int = 0,
    others: Sequence[PlannedCase] = (),
) -> OrderSuggestion:
    """Look for an order of one theatre's list with less waiting for sets.

    A case starts when the one before has ended, the theatre is turned over and every set it
    needs has a copy back. The other theatres keep their order and start no case before its time;
    who is ready first has a copy first. Every order of up to MAX_SEARCHED_CASES cases is weighed:
    least total waiting for sets in all theatres, then fewest cases moved, then the order closest
    to the list as it stands, compared place by place. A set of which there is no copy is left
    out: no order helps.

    Parameters
    ----------
    cases : sequence of PlannedCase
        One theatre's list in its order; durations and the first start are used.
    sets : sequence of SetStock
        What there is.
    changeover_minutes : int
        Minutes between one case's end and the next one's start, at least.
    others : sequence of PlannedCase
        The cases of the other theatres on that day, of each theatre in their order.

    Returns
    -------
    OrderSuggestion
        With its reason; a list too long or in several theatres is not searched.

    Examples
    --------
    >>> cases = [PlannedCase("K1", "1", 480, 540, ("nail set",)),
    ...          PlannedCase("K2", "1", 540, 600, ("nail set",)),
    ...          PlannedCase("K3", "1", 600, 720, ())]
    >>> found = better_order(cases, [SetStock("nail set", 1, 120)])
    >>> found.order, found.waiting_minutes, found.waiting_now_minutes
    (('K1', 'K3', 'K2'), 0, 120)
    >>> other = PlannedCase("L1", "2", 500, 560, ("nail set",))
    >>> better_order(cases, [SetStock("nail set", 2, 120)], others=[other]).reason
    'In the order K1, K3, K2 the theatres wait 0 minutes for sets instead of 120.'
    """
    names = tuple(case.case for case in cases)
    if len({case.theatre for case in cases}) > 1:
        return _unsearched(
            names, ("The cases are in more than one theatre, so other orders were not compared.")
        )
    if len(cases) > MAX_SEARCHED_CASES:
        return _unsearched(
            names, (f"More than {MAX_SEARCHED_CASES} cases, so other orders were not compared.")
        )
    rivals = tuple(case for case in others if cases and case.theatre != cases[0].theatre)
    stock = {each.item: each for each in sets if each.all_copies > 0}
    search = _OrderSearch(tuple(cases), stock, changeover_minutes, rivals)
    now = search.waiting(tuple(range(len(cases))))
    best = search.best(now)
    if best is None:
        sentence = "No case waits for a set." if not now else "No other order has less waiting for "
        "sets."
        return OrderSuggestion("none better", names, now, now, 0, sentence)
    waiting, moved, order = best
    listed = ", ".join(names[index] for index in order)
    who = "theatres wait" if rivals else "theatre waits"
    sentence = f"In the order {listed} the {who} {waiting} minutes for sets instead of {now}."
    chosen = tuple(names[index] for index in order)
    return OrderSuggestion("better", chosen, waiting, now, moved, sentence)


@dataclass(frozen=True, slots=True)
class _Moment:
    """How far the theatres are: when each is free again, what has run, and when copies are back.

    Attributes
    ----------
    clock : int
        When the theatre whose order is looked for is free again.
    ahead : tuple of (int, tuple of PlannedCase)
        For each other theatre when it is free again, and its cases still to come.
    back : mapping of str to tuple of int
        For each set when each of its copies is back; copies that were never away are not in it.
    waited : int
        Total waiting so far.
    """

    clock: int
    ahead: tuple[tuple[int, tuple[PlannedCase, ...]], ...]
    back: Mapping[str, tuple[int, ...]]
    waited: int = 0


@dataclass(slots=True)
class _OrderSearch:
    """Walks through the orders of a list, giving up those that already wait too long."""

    cases: tuple[PlannedCase, ...]
    stock: dict[str, SetStock]
    changeover_minutes: int
    others: tuple[PlannedCase, ...] = ()
    bound: tuple[int, int, tuple[int, ...]] = (0, 0, ())

    def waiting(self, order: tuple[int, ...]) -> int:
        """Return the total waiting of one order, minutes."""
        moment = self._opening()
        for index in order:
            moment = self._run(index, moment)
        return self._others_before(moment, None).waited

    def best(self, now: int) -> tuple[int, int, tuple[int, ...]] | None:
        """Return waiting, cases moved and order of the best order that waits less than now."""
        if not now:
            return None
        self.bound = (now, 0, ())
        self._extend((), self._opening())
        return self.bound if self.bound[0] < now else None

    def _opening(self) -> _Moment:
        clock = min((case.starts_minutes for case in self.cases), default=0)
        theatres = sorted({case.theatre for case in self.others})
        ahead = (tuple(case for case in self.others if case.theatre == name) for name in theatres)
        back = {
            item: tuple(minutes for minutes, _ in each.returning)
            for item, each in self.stock.items()
        }
        return _Moment(clock, tuple((0, cases) for cases in ahead), back)

    def _extend(self, order: tuple[int, ...], moment: _Moment) -> None:
        if moment.waited > self.bound[0]:
            return
        if len(order) == len(self.cases):
            moved = sum(place != index for place, index in enumerate(order))
            waited = self._others_before(moment, None).waited
            self.bound = min(self.bound, (waited, moved, order))
            return
        for index in range(len(self.cases)):
            if index not in order:
                self._extend((*order, index), self._run(index, moment))

    def _run(self, index: int, moment: _Moment) -> _Moment:
        """Run a case of the list, after all that is ready before it elsewhere."""
        case = self.cases[index]
        moment = self._others_before(moment, (moment.clock, case.theatre))
        ends, wait, back = self._take(case, moment.clock, moment.back)
        clock = ends + self.changeover_minutes
        return replace(moment, clock=clock, back=back, waited=moment.waited + wait)

    def _others_before(self, moment: _Moment, ready: tuple[int, str] | None) -> _Moment:
        """Run the other theatres' cases that are ready before a moment; without one all of them."""
        while True:
            waiting = [
                (max(clock, cases[0].starts_minutes), cases[0].theatre, place)
                for place, (clock, cases) in enumerate(moment.ahead)
                if cases
            ]
            if not waiting or (ready is not None and min(waiting)[:2] >= ready):
                return moment
            begins, _, place = min(waiting)
            case, *rest = moment.ahead[place][1]
            ends, wait, back = self._take(case, begins, moment.back)
            ahead = list(moment.ahead)
            ahead[place] = (ends + self.changeover_minutes, tuple(rest))
            moment = replace(moment, ahead=tuple(ahead), back=back, waited=moment.waited + wait)

    def _take(
        self, case: PlannedCase, ready: int, back: Mapping[str, tuple[int, ...]]
    ) -> tuple[int, int, Mapping[str, tuple[int, ...]]]:
        """Return when a case that is ready ends, how long it waits, and when copies are back."""
        wanted = [self.stock[item] for item in case.sets if item in self.stock]
        starts = ready
        for each in wanted:
            away = back.get(each.item, ())
            if len(away) == each.all_copies:
                starts = max(starts, min(away))
        ends = starts + case.ends_minutes - case.starts_minutes
        later = dict(back)
        for each in wanted:
            out = sorted(back.get(each.item, ()))
            kept = out[1:] if len(out) == each.all_copies else out
            later[each.item] = (*kept, ends + each.turnaround_minutes)
        return ends, starts - ready, later


def _unsearched(names: tuple[str, ...], sentence: str) -> OrderSuggestion:
    return OrderSuggestion("not searched", names, None, None, 0, sentence)


def _clash(case: PlannedCase, item: str, away: list[tuple[int, str]]) -> SetClash:
    starts = _clock(case.starts_minutes)
    holders = tuple(name for _, name in away)
    if not away:
        sentence = f"{case.case} starts at {starts}; there is no {item} at this site."
        return SetClash(case.case, item, (), None, sentence)
    back = away[0][0]
    copies = "the only copy" if len(away) == 1 else f"all {len(away)} copies"
    verb = "is" if len(away) == 1 else "are"
    first = "" if len(away) == 1 else "the first is "
    sentence = (
        f"{case.case} starts at {starts}; {copies} of {item} {verb} with "
        f"{' and '.join(holders)} and {first}back at {_clock(back)}."
    )
    return SetClash(case.case, item, holders, back, sentence)


def _clock(minutes: int) -> str:
    days, rest = divmod(minutes, 24 * _MINUTES_PER_HOUR)
    hours, minute = divmod(rest, _MINUTES_PER_HOUR)
    return f"{hours:02d}:{minute:02d}" + (f" on day {days + 1}" if days else "")
