"""What runs short across coming lists: the gaps of a check, put together item by item.

Nothing is counted twice: how many are needed is what the check itself is content with. Within a
case its constructs share a unit, because only one of them is implanted. A backup that is missing
on two days is one unit: it goes back unopened. What is planned for first use stays in the patient,
so every such case needs its own.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo

from service.core.constructs.kit_lines import KitLine
from service.core.cover.check import check_cases
from service.core.cover.results import CaseCheck, CaseToCheck, Gap, LineCheck
from service.core.cover.units import Claim, StockUnits

#: The place among a case's constructs of what must be near though no construct takes it.
NEAR = -1


@dataclass(frozen=True, slots=True)
class MissingLine:
    """A line of a case for which units are missing.

    Parameters
    ----------
    construct
        The construct as planned; empty for what must be near.
    place
        0 for the primary, 1 and on for alternates, ``NEAR`` for what must be near.
    list_starts
        When the first case of the list starts, aware: by then it must be there.
    """

    case: CaseToCheck
    construct: str
    place: int
    line: KitLine
    gap: Gap
    list_starts: datetime


@dataclass(frozen=True, slots=True)
class Shortage:
    """An item of which units are missing, or several that would serve alike.

    Parameters
    ----------
    refs
        References any of which would do; empty when the size is not made.
    quantity
        The fewest more units that close every gap of it, see ``quantity_to_close``; 0 when what is
        asked for under another shortage closes it as well. For what is not made, how many are
        missing in all.
    missing
        Where it is missing, in the order of the cases, their constructs and lines.
    """

    refs: tuple[str, ...]
    label: str
    what: str
    quantity: int
    missing: tuple[MissingLine, ...]

    @property
    def first(self) -> MissingLine:
        """The line whose list starts first."""
        return self.missing[0]


@dataclass(frozen=True, slots=True)
class CheckInput:
    """What cases are checked from together; see ``check_cases``."""

    cases: tuple[CaseToCheck, ...]
    parcels: tuple[StockUnits, ...]
    turnarounds: Mapping[str, int]
    zone: tzinfo
    holds: tuple[Claim, ...] = ()

    def check(self) -> tuple[CaseCheck, ...]:
        """Check the cases against what there is."""
        return check_cases(self.cases, self.parcels, self.turnarounds, self.zone, self.holds)

    def about(self, refs: Collection[str]) -> "CheckInput":
        """Leave out every line and parcel that has nothing to do with some references.

        Lines belong together when they share a reference, also through a third one; the answer for
        them is then the same as in the whole.
        """
        kin = self._kin(refs)
        cases = (_narrowed(case, kin) for case in self.cases)
        parcels = tuple(one for one in self.parcels if one.ref in kin)
        keys = {one.key for one in parcels}
        return replace(
            self,
            cases=tuple(case for case in cases if _lines_of_case(case)),
            parcels=parcels,
            holds=tuple(claim for claim in self.holds if claim.key in keys),
        )

    def _kin(self, refs: Collection[str]) -> frozenset[str]:
        groups = {frozenset(line.refs) for case in self.cases for line in _lines_of_case(case)}
        kin, grew = set(refs), True
        while grew:
            joined = {ref for group in groups if not kin.isdisjoint(group) for ref in group}
            grew = not joined <= kin
            kin |= joined
        return frozenset(kin)


def shortages(
    given: CheckInput, checks: Iterable[CaseCheck], list_starts: Mapping[str, datetime]
) -> tuple[Shortage, ...]:
    """Put the gaps of checked cases together, item by item.

    Parameters
    ----------
    given
        What the cases were checked from.
    checks
        Cases as checked together; those whose gaps are of no interest any more may be left out.
    list_starts
        When the list of a case starts, by case reference; a case that is not named starts its list.

    Returns
    -------
    tuple of Shortage
        By the start of the list that needs it first, then that case, then references and label.
        Lines belong together when the same references would serve them; what is not made belongs
        together when it is called the same.

    Notes
    -----
    References that serve one line and, with others, another are two shortages. The second is
    counted as if what is asked for under the first were there: it may need none of its own.

    Examples
    --------
    >>> from datetime import UTC
    >>> shortages(CheckInput((), (), {}, UTC), [], {})
    ()
    """
    groups: dict[tuple[str, ...], list[MissingLine]] = defaultdict(list)
    for one in _in_order(checks, list_starts):
        key = one.line.refs or ("", one.line.role, one.line.label)
        groups[key].append(one)
    found: list[Shortage] = []
    # What one reference alone can close comes first: it may serve who has a choice as well.
    for group in sorted(groups.values(), key=lambda group: len(group[0].line.refs)):
        short = _shortage(given, group)
        found.append(short)
        if short.refs and short.quantity:
            more = StockUnits(f"for {short.refs}", short.refs[0], short.quantity)
            given = replace(given, parcels=(*given.parcels, more))
    return tuple(sorted(found, key=_order))


def _in_order(
    checks: Iterable[CaseCheck], list_starts: Mapping[str, datetime]
) -> Sequence[MissingLine]:
    found = [
        MissingLine(check.case, name, place, line.line, line.gap, starts)
        for check in checks
        for starts in [list_starts.get(check.case.case, check.case.starts)]
        for name, place, lines in _checked_lines(check)
        for line in lines
        if line.gap is not None and line.gap.can_be_closed
    ]
    # The sort is stable: constructs and lines of a case stay in the order of the check.
    return sorted(found, key=lambda one: (one.list_starts, one.case.starts, one.case.case))


def _checked_lines(check: CaseCheck) -> Iterator[tuple[str, int, Sequence[LineCheck]]]:
    for place, construct in enumerate(check.constructs):
        yield construct.name, place, construct.lines
    yield "", NEAR, check.near


def _order(shortage: Shortage) -> tuple[datetime, datetime, str, tuple[str, ...], str]:
    first = shortage.first
    case = first.case
    return (first.list_starts, case.starts, case.case, shortage.refs, shortage.label)


def _shortage(given: CheckInput, missing: Sequence[MissingLine]) -> Shortage:
    line = missing[0].line
    cases = {one.case.case for one in missing}
    if line.refs:
        quantity = quantity_to_close(given, line.refs, cases)
    else:
        quantity = sum(one.gap.missing for one in missing)
    return Shortage(line.refs, line.label, line.what, quantity, tuple(missing))


_MORE = "more"


def _lines_of_case(case: CaseToCheck) -> list[KitLine]:
    return [*case.near, *(line for one in case.constructs for line in one.lines)]


def _narrowed(case: CaseToCheck, kin: frozenset[str]) -> CaseToCheck:
    def kept(lines: Iterable[KitLine]) -> tuple[KitLine, ...]:
        return tuple(line for line in lines if not kin.isdisjoint(line.refs))

    constructs = tuple(replace(one, lines=kept(one.lines)) for one in case.constructs)
    return replace(case, constructs=constructs, near=kept(case.near))


def gaps_of(checks: Iterable[CaseCheck], refs: tuple[str, ...]) -> list[LineCheck]:
    """Return the lines these references would serve for which something is missing."""
    return [
        line
        for check in checks
        for lines in (*(one.lines for one in check.constructs), check.near)
        for line in lines
        if line.gap is not None and line.line.refs == refs
    ]


def quantity_to_close(given: CheckInput, refs: tuple[str, ...], cases: Collection[str]) -> int:
    """Return the fewest more units that close every gap of an item for some cases.

    Parameters
    ----------
    given
        What the cases were checked from.
    refs
        References that would serve alike; at least one. The units are taken to be of the first,
        always there, in date and free.
    cases
        The cases whose gaps are to be closed, by reference; no gap may open in another.

    Returns
    -------
    int
        0 when there is none. Nothing is counted twice, because the check does not: constructs of a
        case share a unit, and a backup goes back unopened and serves the next day as well.

    Notes
    -----
    Source: brute force; units are added one by one until the check is content.

    Examples
    --------
    >>> from datetime import UTC
    >>> quantity_to_close(CheckInput((), (), {}, UTC), ("A",), ())
    0
    """
    small = given.about(refs)
    # Who has all of it now keeps it: a unit more may go to a whole construct and open a gap there.
    others = {one.case.case for one in small.check() if gaps_of([one], refs)}.difference(cases)

    def gaps(more: int) -> Sequence[LineCheck]:
        parcels = (*small.parcels, StockUnits(_MORE, refs[0], more))
        checks = replace(small, parcels=parcels).check()
        return gaps_of((one for one in checks if one.case.case not in others), refs)

    # A case may take a unit that came in instead of sharing one, so that what was missing at first
    # bounds nothing; with a unit for everything asked no line can lack one.
    most = sum(line.quantity for case in small.cases for line in _lines_of_case(case))
    return next((more for more in range(most) if not gaps(more)), most)
