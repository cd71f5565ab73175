"""What the coming lists miss, case by case, for pages about stock."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from datetime import timedelta

from service.core.case_checks import CaseCheck, LineCheck
from service.core.gaps import Gap
from service.operations.preparing import check_until, prepare
from service.operations.schemas.stock_view import MissingOut
from service.operations.unit import Unit

__all__ = ["DAYS_AHEAD", "missing_ahead", "needed_by_ref"]

#: How far ahead lists are looked through.
DAYS_AHEAD = 28


def missing_ahead(unit: Unit) -> list[MissingOut]:
    """Give what the lists of the coming weeks miss, in order of start; the same check as a day's.

    A case that could do with either of two constructs misses the larger of both gaps, not the sum:
    only one of them is implanted.
    """
    last = unit.today + timedelta(days=DAYS_AHEAD)
    checked = check_until(unit, last)
    found = []
    for one in prepare(unit, last):
        result = checked.get(one.row.reference)
        for gap, refs, missing in _gaps(result) if result is not None else ():
            found.append(
                MissingOut(
                    case=one.row.reference,
                    list_date=one.operating_list.list_date,
                    theatre=one.operating_list.theatre,
                    refs=list(refs),
                    what=gap.what,
                    because=gap.because,
                    missing=missing,
                    sentence=gap.sentence,
                )
            )
    return found


def _gaps(result: CaseCheck) -> list[tuple[Gap, tuple[str, ...], int]]:
    """Give each thing a case misses once: the most any of its constructs misses of it."""
    most: dict[tuple[str, ...], int] = defaultdict(int)
    first: dict[tuple[str, ...], Gap] = {}
    for lines in (*(construct.lines for construct in result.constructs), result.near):
        for refs, missing in _missing(lines).items():
            most[refs] = max(most[refs], missing)
        for line in lines:
            if line.gap is not None:
                first.setdefault(line.line.refs, line.gap)
    return [(gap, refs, most[refs]) for refs, gap in first.items()]


def _missing(lines: Iterable[LineCheck]) -> Counter[tuple[str, ...]]:
    found: Counter[tuple[str, ...]] = Counter()
    for line in lines:
        if line.gap is not None:
            found[line.line.refs] += line.gap.missing
    return found


def needed_by_ref(missing: Iterable[MissingOut]) -> Counter[str]:
    """Give how many units the coming lists miss of each item, those others could serve included."""
    needed: Counter[str] = Counter()
    for one in missing:
        for ref in one.refs:
            needed[ref] += one.missing
    return needed
