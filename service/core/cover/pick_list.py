"""The pick list of a case: what to take from which shelf, each pack once.

The constructs of a case share packs, so a pack that three constructs name is one row that says so.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

from service.core.constructs.kit_lines import FIRST_USE, IN_ROOM, INSTRUMENT_SET, ON_SHELF
from service.core.cover.results import CaseCheck, LineCheck
from service.core.cover.sharing import stays
from service.core.cover.units import StockUnits

#: Where a pack goes, the most urgent first; a pack that two lines name goes to the more urgent.
PLACES = (FIRST_USE, IN_ROOM, ON_SHELF)


#: Stands for the construct of what must be near though no construct takes it.
NEAR = -1


@dataclass(frozen=True, slots=True)
class PickRow:
    """Units of one lot on one shelf, where they go and why.

    Parameters
    ----------
    name
        The role it fills, with its system where it has one, without a size: packs of several
        sizes may serve one line.
    for_good
        How many of them the primary is planned with: packs that it uses, sets that it opens. The
        rest stands by and goes back as it is.
    whys
        Every reason, as pairs of the construct's place in the plan (0 is the primary) and the
        reason; -1 is what must be near for no construct.
    shared_with
        Other cases of the list that count on the same unopened units.
    """

    name: str
    parcel: StockUnits
    quantity: int
    for_good: int
    place: str
    whys: tuple[tuple[int, str], ...]
    shared_with: tuple[str, ...] = ()


@dataclass(slots=True)
class _MergedPick:
    name: str
    parcel: StockUnits
    place: str
    is_set: bool
    by_construct: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    for_good: int = 0
    whys: dict[tuple[int, str], None] = field(default_factory=dict)
    shared_with: tuple[str, ...] = ()

    def add(self, construct: int, quantity: int, *, for_good: bool) -> None:
        """Count units for a construct; a copy of an instrument set serves many roles."""
        known = self.by_construct[construct]
        self.by_construct[construct] = max(known, quantity) if self.is_set else known + quantity
        if for_good:
            self.for_good = (
                max(self.for_good, quantity) if self.is_set else self.for_good + quantity
            )

    @property
    def quantity(self) -> int:
        """The largest number one construct takes, and on top of packs those that must be near."""
        near = self.by_construct.get(NEAR, 0)
        largest = max((n for place, n in self.by_construct.items() if place != NEAR), default=0)
        return max(largest, near) if self.is_set else largest + near


def pick_rows(check: CaseCheck) -> tuple[PickRow, ...]:
    """Merge the lines of a case's constructs into rows to pick.

    Parameters
    ----------
    check
        A case checked against stock.

    Returns
    -------
    tuple of PickRow
        By place, then store, shelf, name and lot. A row's quantity is the largest that one
        construct takes of it, because only one construct is implanted; packs that must be near
        come on top.

    Examples
    --------
    >>> from datetime import UTC, date, datetime
    >>> from service.core.cover.results import CaseToCheck
    >>> moment = datetime(2031, 3, 3, tzinfo=UTC)
    >>> pick_rows(CaseCheck(CaseToCheck("K1", date(2031, 3, 3), moment, moment, ()), (), ()))
    ()
    """
    rows: dict[str, _MergedPick] = {}
    for construct, line in _lines(check):
        for pick in line.picks:
            wanted = line.line
            row = rows.setdefault(
                pick.parcel.key,
                _MergedPick(
                    wanted.name or wanted.role,
                    pick.parcel,
                    wanted.place,
                    wanted.what == INSTRUMENT_SET,
                ),
            )
            row.place = min(row.place, wanted.place, key=PLACES.index)
            is_planned = construct == 0 and (row.is_set or stays(wanted))
            row.add(construct, pick.quantity, for_good=is_planned)
            row.whys[construct, wanted.why] = None
            row.shared_with = pick.shared_with
    picked = [
        PickRow(
            row.name,
            row.parcel,
            row.quantity,
            row.for_good,
            row.place,
            tuple(row.whys),
            row.shared_with,
        )
        for row in rows.values()
    ]
    return tuple(sorted(picked, key=_route))


def _lines(check: CaseCheck) -> Iterator[tuple[int, LineCheck]]:
    for place, construct in enumerate(check.constructs):
        yield from ((place, line) for line in construct.lines)
    yield from ((NEAR, line) for line in check.near)


def _route(row: PickRow) -> tuple[int, str, str, str, str]:
    parcel = row.parcel
    return (PLACES.index(row.place), parcel.store, parcel.shelf, row.name, parcel.lot)
