"""What runs short across coming lists: the gaps of a check, put together item by item.

Nothing is counted twice: how many are needed is what the check itself is content with. Within a
case its constructs share a unit, because only one of them is implanted. A backup that is missing
on two days is one unit: it goes back unopened. What is planned for first use stays in the patient,
so every such case needs its own.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from service.core.case_checks import CaseCheck, CaseToCheck, LineCheck
from service.core.closing import CheckInput, closing_quantity
from service.core.gaps import Gap
from service.core.lines import Line
from service.core.units import StockUnits

__all__ = ["NEAR", "Missing", "Shortage", "shortages"]

#: The place among a case's constructs of what must be near though no construct takes it.
NEAR = -1


@dataclass(frozen=True, slots=True)
class Missing:
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
    line: Line
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
        The fewest more units that close every gap of it, see ``closing_quantity``; 0 when what is
        asked for under another shortage closes it as well. For what is not made, how many are
        missing in all.
    missing
        Where it is missing, in the order of the cases, their constructs and lines.
    """

    refs: tuple[str, ...]
    label: str
    what: str
    quantity: int
    missing: tuple[Missing, ...]

    @property
    def first(self) -> Missing:
        """The line whose list starts first."""
        return self.missing[0]


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
    groups: dict[tuple[str, ...], list[Missing]] = defaultdict(list)
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
) -> Sequence[Missing]:
    found = [
        Missing(check.case, name, place, line.line, line.gap, starts)
        for check in checks
        for starts in [list_starts.get(check.case.case, check.case.starts)]
        for name, place, lines in _lines(check)
        for line in lines
        if line.gap is not None
    ]
    # The sort is stable: constructs and lines of a case stay in the order of the check.
    return sorted(found, key=lambda one: (one.list_starts, one.case.starts, one.case.case))


def _lines(check: CaseCheck) -> Iterator[tuple[str, int, Sequence[LineCheck]]]:
    for place, construct in enumerate(check.constructs):
        yield construct.name, place, construct.lines
    yield "", NEAR, check.near


def _order(shortage: Shortage) -> tuple[datetime, datetime, str, tuple[str, ...], str]:
    first = shortage.first
    case = first.case
    return (first.list_starts, case.starts, case.case, shortage.refs, shortage.label)


def _shortage(given: CheckInput, missing: Sequence[Missing]) -> Shortage:
    line = missing[0].line
    cases = {one.case.case for one in missing}
    if line.refs:
        quantity = closing_quantity(given, line.refs, cases)
    else:
        quantity = sum(one.gap.missing for one in missing)
    return Shortage(line.refs, line.label, line.what, quantity, tuple(missing))
