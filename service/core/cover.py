"""Check cases against stock in list order, so that no unit is counted twice.

Cases go in the order of their start. A case draws its primary first, then its alternates; within
one case the constructs share packs, because only one of them is implanted. What a primary is
planned with stays used for every later case; backups go back unopened and count again from the
next list day on.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo

from service.core.case_checks import (
    CaseCheck,
    CaseToCheck,
    ConstructCheck,
    ConstructToCheck,
    LineCheck,
    Pick,
)
from service.core.lines import FIRST_USE, INSTRUMENT_SET, Line
from service.core.missing import gap_of
from service.core.sharing_out import Share, overlapping_lines, share_out
from service.core.shelf import Shelf
from service.core.turn import Turn, Used
from service.core.units import Claim, StockUnits

__all__ = [
    "CaseCheck",
    "CaseToCheck",
    "ConstructCheck",
    "ConstructToCheck",
    "LineCheck",
    "Pick",
    "check_cases",
]


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
    ``share_out``; across constructs and cases the earlier one goes first.

    Examples
    --------
    >>> from datetime import UTC
    >>> check_cases([], [], {}, UTC)
    ()
    """
    shelf = Shelf.of(parcels, holds)
    ordered = sorted(cases, key=lambda case: (case.starts, case.case))
    checked = [_check_case(Turn(case, shelf, turnarounds, zone)) for case in ordered]
    return tuple(_with_sharers(check, shelf) for check in checked)


def _with_sharers(check: CaseCheck, shelf: Shelf) -> CaseCheck:
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


def _check_case(turn: Turn) -> CaseCheck:
    checked = []
    for place, construct in enumerate(turn.case.constructs):
        used: Used = defaultdict(int)
        shares = _shares(construct.lines, turn, used)
        lines = tuple(
            _check(line, turn, used, is_primary=place == 0, share=shares.get(number))
            for number, line in enumerate(construct.lines)
        )
        checked.append(ConstructCheck(construct.name, _state(lines), lines))
        for key, quantity in used.items():
            turn.most_used[key] = max(turn.most_used[key], quantity)
    # Packs that are near come on top of what any one construct takes.
    near = tuple(_check(line, turn, turn.most_used, is_primary=False) for line in turn.case.near)
    return CaseCheck(turn.case, tuple(checked), near)


def _shares(lines: Sequence[Line], turn: Turn, used: Used) -> dict[int, Share]:
    """Share units out among the lines of a construct that overlap in part; the others need none."""
    mixed = {place: lines[place] for place in overlapping_lines(lines)}
    mixed = {place: line for place, line in mixed.items() if line.what != INSTRUMENT_SET}
    if not mixed:
        return {}

    def available(line: Line, parcel: StockUnits) -> int:
        free = turn.shelf.free(parcel, turn.case.list_date, stays=_stays(line))
        return max(_left(line, parcel, turn, used), 0) + max(free, 0)

    usable = {place: turn.usable(line.refs) for place, line in mixed.items()}
    return share_out(mixed, usable, available)


_ANY_LINE, _FOR_GOOD = ("any line",), ("for good",)


def _stays(line: Line) -> bool:
    return line.place == FIRST_USE and line.is_nominal


def _users(line: Line) -> tuple[tuple[str, ...], ...]:
    """Say who uses units up: a pack serves one line only, a copy of a set serves every role."""
    if line.what == INSTRUMENT_SET:
        return ((line.part, line.role),)
    return (_ANY_LINE, _FOR_GOOD) if _stays(line) else (_ANY_LINE,)


def _left(line: Line, parcel: StockUnits, turn: Turn, used: Used) -> int:
    """Give what the case has claimed of a parcel and this construct has not used up.

    A backup that another case may count on, too, does not serve what is implanted.
    """
    return min(
        turn.held(parcel, for_good=user == _FOR_GOOD) - used[user, parcel.key]
        for user in _users(line)
    )


def _check(
    line: Line, turn: Turn, used: Used, *, is_primary: bool, share: Share | None = None
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
            if only_shared:
                key = (_ANY_LINE, parcel.key)
                left = min(left, turn.most_used[key] - used[key] - taken[parcel.key])
            if share is not None:
                left = min(left, share.get(parcel.key, 0) - taken[parcel.key])
            taken[parcel.key] += max(min(line.quantity - sum(taken.values()), left), 0)
    missing = line.quantity - sum(taken.values())
    if line.what == INSTRUMENT_SET:
        new = _claim_sets(usable, missing, turn, is_primary=is_primary)
    else:
        own = None if share is None else {key: n - taken[key] for key, n in share.items()}
        new = _claim_packs(usable, missing, turn, stays=_stays(line), share=own)
    picks = tuple(
        Pick(parcel, number)
        for parcel in usable
        if (number := taken[parcel.key] + new.get(parcel.key, 0))
    )
    for pick in picks:
        for user in _users(line):
            used[user, pick.parcel.key] += pick.quantity
    missing -= sum(new.values())
    gap = gap_of(line, missing, turn, is_primary=is_primary) if missing else None
    return LineCheck(line, picks, gap)


def _claim_packs(
    usable: Sequence[StockUnits], wanted: int, turn: Turn, *, stays: bool, share: Share | None
) -> dict[str, int]:
    """Claim units that are free, then backups that lie ready for another case of the list."""
    new: dict[str, int] = defaultdict(int)
    for parcel in usable:
        left = wanted - sum(new.values())
        free = min(left, turn.shelf.free(parcel, turn.case.list_date, stays=stays))
        if share is not None:
            free = min(free, share.get(parcel.key, 0))
        if free > 0:
            turn.shelf.add(turn.new_claim(parcel, free, stays=stays))
            new[parcel.key] += free
    for parcel in usable if not stays else ():
        left = wanted - sum(new.values())
        if left > 0:
            new[parcel.key] += sum(claim.quantity for claim in turn.share(parcel, left))
    return new


def _claim_sets(
    usable: Sequence[StockUnits], wanted: int, turn: Turn, *, is_primary: bool
) -> dict[str, int]:
    """Claim copies of an instrument set that are back, sterile, when the case starts."""
    new: dict[str, int] = defaultdict(int)
    starts = turn.case.starts
    for parcel in usable:
        until = turn.set_until(parcel, is_primary=is_primary)
        while sum(new.values()) < wanted and turn.shelf.is_back(parcel, starts, until):
            claim = turn.new_claim(parcel, 1, stays=False)
            turn.shelf.add(replace(claim, is_set=True, starts=starts, until=until))
            new[parcel.key] += 1
    return new


def _state(lines: Sequence[LineCheck]) -> str:
    """Say in words how far the construct could be done with what was found.

    ``covered``: nothing is missing. ``partly covered``: something is, but every role can be filled
    in some size. ``not covered``: a role cannot be filled.
    """
    if all(check.gap is None for check in lines):
        return "covered"
    can_fill: dict[tuple[str, str], bool] = defaultdict(bool)
    for check in lines:
        can_fill[check.line.part, check.line.role] |= check.gap is None
    return "partly covered" if all(can_fill.values()) else "not covered"
