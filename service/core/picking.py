"""The pick list of a case: what to take from which shelf, each pack once.

The constructs of a case share packs, so a pack that three constructs name is one row that says so.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

from service.core.cover import CaseCheck, LineCheck
from service.core.gaps import Parcel
from service.core.requirements import FIRST_USE, IN_ROOM, ON_SHELF

__all__ = ["PickRow", "pick_rows"]

#: Where a pack goes, the most urgent first; a pack that two lines name goes to the more urgent.
PLACES = (FIRST_USE, IN_ROOM, ON_SHELF)


@dataclass(frozen=True, slots=True)
class PickRow:
    """Units of one lot on one shelf, where they go and why.

    Parameters
    ----------
    whys
        Every reason, as pairs of the construct's place in the plan (0 is the primary) and the
        reason; -1 is what must be near for no construct.
    """

    label: str
    parcel: Parcel
    quantity: int
    place: str
    whys: tuple[tuple[int, str], ...]


@dataclass(slots=True)
class _Row:
    label: str
    parcel: Parcel
    place: str
    by_construct: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    whys: dict[tuple[int, str], None] = field(default_factory=dict)


def pick_rows(check: CaseCheck) -> tuple[PickRow, ...]:
    """Merge the lines of a case's constructs into rows to pick.

    Parameters
    ----------
    check
        A case checked against stock.

    Returns
    -------
    tuple of PickRow
        By place, then store, shelf, label and lot. A row's quantity is the largest that one
        construct takes of it, because only one construct is implanted.

    Examples
    --------
    >>> from datetime import UTC, date, datetime
    >>> from service.core.cover import CaseToCheck
    >>> moment = datetime(2031, 3, 3, tzinfo=UTC)
    >>> pick_rows(CaseCheck(CaseToCheck("K1", date(2031, 3, 3), moment, moment, ()), (), ()))
    ()
    """
    rows: dict[str, _Row] = {}
    for construct, line in _lines(check):
        for pick in line.picks:
            row = rows.setdefault(
                pick.parcel.key, _Row(line.line.label, pick.parcel, line.line.place)
            )
            row.place = min(row.place, line.line.place, key=PLACES.index)
            row.by_construct[construct] += pick.quantity
            row.whys[construct, line.line.why] = None
    picked = [
        PickRow(row.label, row.parcel, max(row.by_construct.values()), row.place, tuple(row.whys))
        for row in rows.values()
    ]
    return tuple(sorted(picked, key=_route))


def _lines(check: CaseCheck) -> Iterator[tuple[int, LineCheck]]:
    for place, construct in enumerate(check.constructs):
        yield from ((place, line) for line in construct.lines)
    yield from ((-1, line) for line in check.near)


def _route(row: PickRow) -> tuple[int, str, str, str, str]:
    parcel = row.parcel
    return (PLACES.index(row.place), parcel.store, parcel.shelf, row.label, parcel.lot)
