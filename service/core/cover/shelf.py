"""What is left of each parcel on each day, while cases claim units of it.

A claim for first use stays on every later day: the unit is implanted. A backup is claimed until its
case is over, and goes back unopened. On one list an unopened backup may move on to the next case:
such claims form a share group, which needs only as many units as its largest member.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from heapq import heappop, heappush
from itertools import chain, zip_longest

from service.core.constructs.kit_lines import KitLine
from service.core.cover.results import CaseToCheck, Expectation
from service.core.cover.units import (
    Claim,
    Reason,
    StockUnits,
    day_after_midnight,
    most_needed,
    order_of_use,
    units_needed,
    unusable_reason,
)


def most_away(claims: Sequence[Claim]) -> int:
    """Return how many copies of an instrument set its claims have away at the moment of most.

    Parameters
    ----------
    claims
        Claims on one set, each with its span; a copy that comes back at a moment may leave again
        at that moment.

    Examples
    --------
    >>> away = Claim("K1", "p", 1, date(2031, 3, 4), "T1", stays=False, is_set=True,
    ...     starts=datetime(2031, 3, 4, 9), until=datetime(2031, 3, 4, 14))
    >>> most_away([away, replace(away, case="K2")])
    2
    """
    moments = {claim.starts for claim in claims if claim.starts is not None}
    return max(
        (sum(claim.quantity for claim in claims if _away(claim, moment)) for moment in moments),
        default=0,
    )


def runs_into(claims: Iterable[Claim], starts: datetime, until: datetime | None) -> Iterator[Claim]:
    """Return the claims on an instrument set that have it at some moment of a span.

    Parameters
    ----------
    starts, until
        The span; without an end it is from its start on. So is a claim of which nobody knows it.

    Examples
    --------
    >>> nine, ten = datetime(2031, 3, 4, 9), datetime(2031, 3, 4, 10)
    >>> late = Claim("K1", "p", 1, nine.date(), "T1", stays=False, is_set=True, starts=nine)
    >>> [claim.case for claim in runs_into([late], ten, None)]
    ['K1']
    """
    for claim in claims:
        if claim.starts is None or (until is not None and claim.starts >= until):
            continue
        if claim.until is None or claim.until > starts:
            yield claim


def assign_units(claims: Sequence[Claim], units: int) -> list[tuple[int, ...]]:
    """Say which claims lie on which unit of one parcel.

    A backup needs a unit until its case is over, a claim for first use from its day on. Claims that
    start first choose first, and take the first unit that is free for them; as claims are intervals
    of days, this never needs more units than are claimed on the day of most claims (interval graphs
    are perfect: colouring in order of the left ends is optimal).

    Parameters
    ----------
    claims
        Claims on one parcel, none of them for an instrument set.
    units
        How many units there are.

    Returns
    -------
    list of tuple of int
        For each unit the positions of the claims on it, in order of their days. Claims for which
        no unit is left are on none.

    Notes
    -----
    Source: greedy interval colouring, any textbook of algorithms.

    Examples
    --------
    >>> from datetime import timedelta
    >>> day = date(2031, 3, 4)
    >>> monday = Claim("K1", "p", 1, day, "T1", stays=False)
    >>> tuesday = Claim("K2", "p", 1, day + timedelta(days=1), "T1", stays=True)
    >>> assign_units([monday, tuesday], 2)
    [(0, 1), ()]
    """
    taken: list[list[int]] = [[] for _ in range(units)]
    free = list(range(units))
    back: list[tuple[date, int]] = []
    for slot in sorted(_slots(claims), key=lambda slot: (claims[slot[0]].list_date, slot)):
        first = claims[slot[0]]
        while back and back[0][0] < first.list_date:
            heappush(free, heappop(back)[1])
        if not free:
            continue
        unit = heappop(free)
        taken[unit].extend(slot)
        if not first.stays:
            last = max(claims[place].last_day or first.list_date for place in slot)
            heappush(back, (last, unit))
    return [tuple(unit) for unit in taken]


def _slots(claims: Sequence[Claim]) -> list[tuple[int, ...]]:
    """Cut claims into single units; one slot of a share group holds one unit of each member."""
    slots: list[tuple[int, ...]] = []
    groups: dict[str, dict[str, list[int]]] = {}
    for place, claim in enumerate(claims):
        if claim.share_group is None:
            slots += [(place,)] * claim.quantity
        else:
            members = groups.setdefault(claim.share_group, {})
            members.setdefault(claim.case, []).extend([place] * claim.quantity)
    for members in groups.values():
        rows = zip_longest(*members.values())
        slots += [tuple(place for place in row if place is not None) for row in rows]
    return slots


@dataclass(slots=True)
class ClaimedStock:
    """Parcels, and the claims on them, while cases are gone through."""

    parcels: Mapping[str, Sequence[StockUnits]]
    claims: dict[str, list[Claim]] = field(default_factory=lambda: defaultdict(list))
    #: Cases of which nobody can say when they are over.
    overrun: set[str] = field(default_factory=set)
    _in_order: dict[tuple[str, ...], list[StockUnits]] = field(default_factory=dict)
    #: The same claims by parcel and case: a case asks for its own far more often than for all.
    _own: dict[tuple[str, str], list[Claim]] = field(default_factory=lambda: defaultdict(list))

    @classmethod
    def of(cls, parcels: Iterable[StockUnits], claims: Iterable[Claim]) -> "ClaimedStock":
        """Sort parcels by reference and claims by parcel."""
        by_ref: dict[str, list[StockUnits]] = defaultdict(list)
        for parcel in parcels:
            by_ref[parcel.ref].append(parcel)
        shelf = cls(by_ref)
        by_key: dict[str, list[Claim]] = defaultdict(list)
        for claim in claims:
            by_key[claim.key].append(claim)
            shelf._note_overrun(claim)
        there = {parcel.key: parcel.quantity for parcel in chain.from_iterable(by_ref.values())}
        for key, found in by_key.items():
            for claim in _that_fit(_that_hold(found), there.get(key)):
                shelf._append(claim)
        return shelf

    def in_order_of_use(self, refs: tuple[str, ...]) -> Sequence[StockUnits]:
        """Return all there is of some references, usable or not; many cases ask for the same."""
        if refs not in self._in_order:
            stock = [parcel for ref in refs for parcel in self.parcels.get(ref, ())]
            self._in_order[refs] = sorted(stock, key=order_of_use)
        return self._in_order[refs]

    def all_claims(self) -> Iterator[Claim]:
        """Return every claim, parcel by parcel."""
        return chain.from_iterable(self.claims.values())

    def own(self, parcel: StockUnits, case: str) -> Sequence[Claim]:
        """Return a case's claims on a parcel."""
        return self._own.get((parcel.key, case), ())

    def _append(self, claim: Claim) -> None:
        self.claims[claim.key].append(claim)
        self._own[claim.key, claim.case].append(claim)

    def _exchange(self, known: Claim, *new: Claim) -> None:
        """Put claims of the same case on the same parcel where one was."""
        for found in (self.claims[known.key], self._own[known.key, known.case]):
            place = next(place for place, one in enumerate(found) if one is known)
            found[place : place + 1] = new

    def free(
        self, parcel: StockUnits, day: date, *, stays: bool, last_day: date | None = None
    ) -> int:
        """Return how many units can still be claimed on a day, or from it to a last day.

        What is claimed for good must be left by everyone who counts on it later, too.
        """
        claims = self.claims.get(parcel.key, [])
        until = date.max if stays else last_day or day
        days = {day, *(claim.list_date for claim in claims if day < claim.list_date <= until)}
        return parcel.quantity - max(units_needed(claims, one) for one in days)

    def add(self, claim: Claim) -> None:
        """Note a claim; two of one case on the same units for the same use become one."""
        self._note_overrun(claim)
        for known in self._own[claim.key, claim.case]:
            if not known.is_set and _is_alike(known, claim):
                self._exchange(known, replace(known, quantity=known.quantity + claim.quantity))
                return
        self._append(claim)

    def _note_overrun(self, claim: Claim) -> None:
        if claim.starts is not None and claim.until is None:
            self.overrun.add(claim.case)

    def take_back(self, claim: Claim) -> None:
        """Forget a claim that has been noted, also one that has become part of another."""
        for known in self._own[claim.key, claim.case]:
            if _is_alike(known, claim):
                left = known.quantity - claim.quantity
                self._exchange(known, *([replace(known, quantity=left)] if left > 0 else []))
                return

    def share(self, parcel: StockUnits, wanted: int, claim: Claim) -> tuple[Claim, ...]:
        """Claim backups that another case of the same list has claimed as backups.

        Returns
        -------
        tuple of Claim
            The claims made, at most ``wanted`` units together. A group is named after list and
            first donor; it stays when that donor leaves it, and may be joined through any member.
        """
        made: list[Claim] = []
        for donor in list(self.claims.get(parcel.key, [])):
            left = wanted - sum(one.quantity for one in made)
            if left == 0:
                break
            if not _may_share(donor, claim):
                continue
            # A guest has brought its donor's group along: the units are the same.
            group = donor.share_group or f"{donor.operating_list} {donor.case}"
            if not all(_may_share(one, claim) for one in self._on(parcel.key, group, claim.case)):
                continue
            giver = replace(donor, share_group=group)
            self._exchange(donor, giver)
            members = self._members(parcel.key, group)
            room = max(members.values()) - members.get(claim.case, 0)
            shared = replace(claim, quantity=min(left, room), share_group=group)
            if room > 0 and self._fits_after_midnight(parcel, shared):
                self.add(shared)
                made.append(shared)
            elif donor.share_group is None:
                self._exchange(giver, donor)
        return tuple(made)

    def _fits_after_midnight(self, parcel: StockUnits, claim: Claim) -> bool:
        """Tell whether what its group shares is free on the days after, until its case is over."""
        known = self.claims[parcel.key]
        later = {one.list_date for one in known if one.list_date > claim.list_date}
        return all(
            units_needed([*known, claim], day) <= parcel.quantity
            for day in later
            if claim.needs_units_on(day)
        )

    def _on(self, key: str, group: str, case: str) -> list[Claim]:
        """Return the claims of other cases in a share group of a parcel."""
        return [one for one in self.claims[key] if one.share_group == group and one.case != case]

    def _members(self, key: str, group: str) -> dict[str, int]:
        """Return how many units of a parcel each case of a share group counts on."""
        members: dict[str, int] = defaultdict(int)
        for one in self.claims[key]:
            if one.share_group == group:
                members[one.case] += one.quantity
        return members

    def sharers(self, claim: Claim) -> tuple[str, ...]:
        """Name the other cases on the same units as a claim."""
        if claim.share_group is None:
            return ()
        names = {one.case for one in self.claims[claim.key] if one.share_group == claim.share_group}
        return tuple(sorted(names - {claim.case}))

    def others(
        self, parcel: StockUnits, case: str, day: date, last_day: date | None
    ) -> tuple[str, ...]:
        """Name the cases whose claims stand in another case's way until it is over."""
        until = last_day or day
        names = {
            claim.case
            for claim in self.claims.get(parcel.key, [])
            if claim.case != case
            and (claim.stays or claim.needs_units_on(day) or day < claim.list_date <= until)
        }
        return tuple(sorted(names))

    def is_back(self, parcel: StockUnits, starts: datetime, until: datetime | None) -> bool:
        """Tell whether one copy of an instrument set is free for a whole span, or from then on.

        Copies are alike, so it is enough that at no moment as many are away as there are; the
        number away can only rise when one goes, so those moments and the start are looked at.
        """
        spans = self.overlapping(parcel, starts, until)
        moments = [starts, *(span.starts for span in spans if span.starts and span.starts > starts)]
        return all(
            sum(1 for span in spans if _away(span, moment)) < parcel.quantity for moment in moments
        )

    def overlapping(
        self, parcel: StockUnits, starts: datetime, until: datetime | None
    ) -> list[Claim]:
        """Return the claims on an instrument set that run into a span, the earliest back first."""
        found = runs_into(self.claims.get(parcel.key, []), starts, until)
        return sorted(
            found, key=lambda claim: (claim.until is None, claim.until or starts, claim.case)
        )

    def expectation(self, parcel: StockUnits, case: CaseToCheck) -> Expectation | None:
        """Say what has to come back or arrive before a case has units of a parcel, or nothing.

        Cases have copies of a set in order of their start. A copy nobody has opened before goes
        first; one that has been opened, or lies with a case, has to be reprocessed before the
        next. What another site has sent has to arrive, whoever has it first; a backup on the tray
        of another case has to come back from there unopened.
        """
        name = parcel.serial or parcel.lot
        free_at = self.off_tray_at(parcel, case.case)
        if free_at is not None:
            return Expectation(parcel.ref, name, free_at, case.starts, str(parcel.tray_of))
        copy = self._copy_for(parcel, case)
        if copy is not None and copy.sent_from and parcel.back_at is not None:
            due = (parcel.is_late and parcel.due_at) or parcel.back_at
            return Expectation(
                parcel.ref, name, due, case.starts, "", copy.sent_from, parcel.is_late
            )
        if copy is None or not copy.after or copy.free_at is None:
            return None
        return Expectation(parcel.ref, name, copy.free_at, case.starts, copy.after)

    def can_be_there(self, parcel: StockUnits, case: CaseToCheck) -> bool:
        """Tell whether a copy of a set can be there when a case starts, after those before it."""
        return self._copy_for(parcel, case) is not None

    def _copy_for(self, parcel: StockUnits, case: CaseToCheck) -> "_Copy | None":
        """Return the copy that a case has of a parcel; ``None`` when none is free at its start."""
        is_away = parcel.is_away_for(case.case)
        first = _Copy(
            parcel.back_at if is_away or parcel.sent_from else None,
            parcel.away_with if is_away else "",
            parcel.sent_from,
        )
        copies = [first] * parcel.quantity
        claims = [claim for claim in self.claims.get(parcel.key, ()) if claim.is_set]
        claims = [claim for claim in claims if _is_before(claim, case)]
        for claim in sorted(claims, key=lambda one: (one.starts or case.starts, one.case)):
            if claim.case == parcel.away_with:
                # Where its copy is has been told already.
                continue
            for _ in range(claim.quantity):
                place = _next_copy(copies, claim.starts or case.starts)
                if place is None:
                    break
                before = copies[place]
                copies[place] = (
                    _Copy(claim.until or _NEVER, claim.case)
                    if claim.is_opened
                    else _Copy(claim.until or _NEVER, before.after, before.sent_from)
                )
        place = _next_copy(copies, case.starts)
        return None if place is None else copies[place]

    def off_tray_at(self, parcel: StockUnits, case: str) -> datetime | None:
        """Return when packs on another case's tray can be back; ``None`` when nobody can say."""
        if not parcel.is_on_another_tray(case):
            return None
        ends = [one.until for one in self.claims.get(parcel.key, ()) if one.case == parcel.tray_of]
        known = [end for end in ends if end is not None]
        return max(known) if known and len(known) == len(ends) else None


#: When a copy is free that a case has of which nobody can say when it is over.
_NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class _Copy:
    """A copy: from when it is free, after which case it was reprocessed, which site has sent it."""

    free_at: datetime | None
    after: str
    sent_from: str = ""

    @property
    def waits(self) -> bool:
        """Whether something has to happen before anybody has it."""
        return bool(self.after or self.sent_from)


def _is_alike(known: Claim, claim: Claim) -> bool:
    """Tell whether two claims are the same but for their number of units."""
    return replace(known, quantity=claim.quantity) == claim


def _is_before(claim: Claim, case: CaseToCheck) -> bool:
    starts = claim.starts or case.starts
    return claim.case != case.case and (starts, claim.case) < (case.starts, case.case)


def _next_copy(copies: Sequence[_Copy], moment: datetime) -> int | None:
    """Return the copy to take at a moment: one nobody opened, else the one free the longest."""
    places = [
        place for place, one in enumerate(copies) if one.free_at is None or one.free_at <= moment
    ]
    return min(
        places,
        key=lambda place: (copies[place].waits, copies[place].free_at or moment, place),
        default=None,
    )


def _away(claim: Claim, moment: datetime) -> bool:
    starts, until = claim.starts, claim.until
    return starts is not None and starts <= moment and (until is None or moment < until)


def _may_share(donor: Claim, claim: Claim) -> bool:
    """Tell whether a claim may lie on the units of another.

    Both are backups of one list that go back unopened, and one case is over when the other starts;
    one that ends at the very moment the other starts is over.
    """
    return (
        not donor.stays
        and not donor.is_set
        and donor.case != claim.case
        and donor.operating_list == claim.operating_list
        and donor.list_date == claim.list_date
        and (_is_over(donor, claim) or _is_over(claim, donor))
    )


def _is_over(earlier: Claim, later: Claim) -> bool:
    """Tell whether a case is over when another starts; what nobody can say is not."""
    if earlier.until is None or later.starts is None:
        return False
    return earlier.until <= later.starts


def _that_hold(claims: Sequence[Claim]) -> list[Claim]:
    """Leave out the claims on a parcel that rest on a unit another case has not done with.

    Of cases that overlap, the earlier keeps what they share; ties in start go by case reference.
    """
    shared = [claim for claim in claims if claim.share_group is not None]
    kept: list[Claim] = []
    for claim in sorted(shared, key=lambda one: (one.starts is None, one.starts, one.case)):
        others = (one for one in kept if one.share_group == claim.share_group)
        if all(one.case == claim.case or _may_share(one, claim) for one in others):
            kept.append(claim)
    return [claim for claim in claims if claim.share_group is None or claim in kept]


def _that_fit(claims: Sequence[Claim], there: int | None) -> list[Claim]:
    """Leave out the claims for which no unit is left when a case runs into another day.

    Such a case keeps what it has, also when it is still open on a day it was not planned for:
    whoever starts later goes without.
    """
    if there is None or all(claim.is_set or claim.last_day is None for claim in claims):
        return list(claims)
    kept: list[Claim] = []
    for claim in sorted(claims, key=lambda one: (one.starts is None, one.starts, one.case)):
        over = max(most_needed([*kept, claim]) - max(there, most_needed(kept)), 0)
        if claim.quantity > over:
            kept.append(replace(claim, quantity=claim.quantity - over) if over else claim)
    return kept


#: Units of a parcel used up within one construct, by who uses them and parcel.
Used = dict[tuple[tuple[str, ...], str], int]


def need_of(line: KitLine) -> tuple[str, ...]:
    """Name what a line is for: constructs on one base have that need in common, once."""
    return (line.part, line.role, line.why, *line.refs)


@dataclass(slots=True)
class CaseAllocation:
    """One case's turn at the shelf; the packs it claims are shared by its constructs."""

    case: CaseToCheck
    shelf: ClaimedStock
    turnarounds: Mapping[str, int]
    zone: tzinfo
    most_used: Used = field(default_factory=lambda: defaultdict(int))
    #: Units of each parcel in the patient, by the need they were implanted for.
    done: Used = field(default_factory=lambda: defaultdict(int))
    _usable: dict[tuple[str, ...], list[StockUnits]] = field(default_factory=dict)

    def why_not(self, parcel: StockUnits) -> Reason | None:
        """Say why a parcel does not count for this case, or ``None`` when it does."""
        return unusable_reason(
            parcel,
            self.case.used_on or self.case.list_date,
            case=self.case.case,
            starts=self.case.starts,
            is_promised=self._is_promised_from_tray(parcel),
        )

    def _is_promised_from_tray(self, parcel: StockUnits) -> bool:
        """Tell whether the case has packs on another case's tray that can be back from it in time.

        Of packs anywhere else it makes no difference whether they are promised to it.
        """
        if not (parcel.is_on_another_tray(self.case.case) and self.held(parcel)):
            return False
        free_at = self.shelf.off_tray_at(parcel, self.case.case)
        return free_at is not None and free_at <= self.case.starts

    def usable(self, refs: Sequence[str]) -> list[StockUnits]:
        """Return the parcels that count for this case, in the order in which it has them.

        What is implanted goes first, then what is on its tray, and what has still to arrive from
        another site last; else what is gone first. Asked once: what the case claims later counts
        for it already.
        """
        key = tuple(refs)
        if key not in self._usable:
            stock = self.shelf.in_order_of_use(key)
            found = [parcel for parcel in stock if self.why_not(parcel) is None]
            if any(parcel.is_on_tray_of(self.case.case) for parcel in found):
                found.sort(key=lambda parcel: order_of_use(parcel, self.case.case))
            self._usable[key] = found
        return self._usable[key]

    def usable_in_turn(self, refs: Sequence[str]) -> list[list[StockUnits]]:
        """Return the parcels that count for this case in turn: on another's tray comes last."""
        found = self.usable(refs)
        elsewhere = [one for one in found if one.is_on_another_tray(self.case.case)]
        if not elsewhere:
            return [found]
        return [[one for one in found if one not in elsewhere], elsewhere]

    def implanted_for(self, line: KitLine, parcel: StockUnits) -> int:
        """Return how many units in the patient may be what a line asks for: no other need's."""
        others = sum(
            quantity
            for (need, key), quantity in self.done.items()
            if key == parcel.key and need != need_of(line)
        )
        return parcel.quantity - others

    @property
    def last_day(self) -> date | None:
        """The day on which the case is over, where that is after its list day."""
        case = self.case
        return day_after_midnight(case.list_date, case.ends, self.zone, case.used_on)

    def free(self, parcel: StockUnits, *, stays: bool) -> int:
        """Return how many units the case can still claim, until it is over or for good."""
        day = self.case.list_date
        return self.shelf.free(parcel, day, stays=stays, last_day=self.last_day)

    def new_claim(self, parcel: StockUnits, quantity: int, *, stays: bool) -> Claim:
        """Make a claim of this case; nobody has noted it yet."""
        return Claim(
            self.case.case,
            parcel.key,
            quantity,
            self.case.list_date,
            self.case.operating_list,
            stays,
            starts=self.case.starts,
            until=None if self.case.is_overrun else self.case.ends,
            last_day=self.last_day,
        )

    def share(self, parcel: StockUnits, wanted: int) -> tuple[Claim, ...]:
        """Claim backups that lie ready for another case of the list."""
        return self.shelf.share(parcel, wanted, self.new_claim(parcel, wanted, stays=False))

    def held(self, parcel: StockUnits, *, for_good: bool = False) -> int:
        """Return how many units of a parcel the case has claimed, or has claimed for good."""
        if parcel.in_reprocessing:
            # What it has opened and sent off is done with; another use needs another claim.
            return sum(one.quantity for one in self.own(parcel) if not one.on_tray)
        return sum(one.quantity for one in self.own(parcel) if one.stays or not for_good)

    def copies_held(self, parcel: StockUnits, *, is_primary: bool) -> int:
        """Return how many copies of a set the case has that can be there when it starts.

        What is planned opens its set: a copy that was reserved to stand by goes back unopened.
        """
        own = self.own(parcel)
        held = sum(one.quantity for one in own if one.is_opened or one.on_tray or not is_primary)
        return held if held and self.shelf.can_be_there(parcel, self.case) else 0

    def own(self, parcel: StockUnits) -> Sequence[Claim]:
        """Return the case's claims on a parcel."""
        return self.shelf.own(parcel, self.case.case)

    def sent_off(self, refs: Sequence[str]) -> int:
        """Return how many copies of a set the case in theatre has opened and sent off.

        It has had them, so that it claims no others merely because it is still open.
        """
        return sum(ref in refs for ref in self.case.sets_had)

    def set_until(self, parcel: StockUnits, *, is_primary: bool) -> datetime | None:
        """Say when an instrument set is back; one that stands by goes back unopened.

        Of one that stands by for a case still open after its planned end nobody can say.
        """
        if self.case.is_overrun and not is_primary:
            return None
        minutes = self.turnarounds.get(parcel.ref, 0) if is_primary else 0
        return self.case.ends + timedelta(minutes=minutes)
