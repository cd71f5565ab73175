"""Check cases against stock in list order, so that no unit is counted twice.

Cases go in the order of their start. A case draws its primary first, then its alternates; within
one case the constructs share packs, because only one of them is implanted. What a primary is
planned with stays used for every later case; backups go back unopened and count again from the
day after their case is over. Where cases compete, ``sharing`` has said before who gets what.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo

from service.core.constructs.kit_lines import INSTRUMENT_SET, KitLine
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
from service.core.cover.sharing import (
    Share,
    match_units_to_lines,
    overlapping_lines,
    share_out,
    stays,
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
    """Check all cases together; where units do not go round, an earlier case goes first.

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
    Of several usable lots the one that is gone first is taken, by its expiry or because the loan
    goes back (first expired, first out); ties go by lot, then by shelf. Source: common practice.

    What cases compete for is shared out over all of them at once, see ``share_out``. Lines of a
    construct whose references overlap in part are matched to units together, see
    ``match_units_to_lines``.

    Examples
    --------
    >>> from datetime import UTC
    >>> check_cases([], [], {}, UTC)
    ()
    """
    shelf = ClaimedStock.of(parcels, holds)
    ordered = sorted(cases, key=lambda case: (case.starts, case.case))
    turns = [CaseAllocation(case, shelf, turnarounds, zone) for case in ordered]
    share_out(turns)
    checked = [_check_case(turn) for turn in turns]
    claims: dict[str, list[Claim]] = defaultdict(list)
    for claim in shelf.all_claims():
        claims[claim.case].append(claim)
    return tuple(_with_sharers(check, tuple(claims[check.case.case]), shelf) for check in checked)


def _with_sharers(check: CaseCheck, claims: tuple[Claim, ...], shelf: ClaimedStock) -> CaseCheck:
    """Note on every pick who else counts on it; a later case may have joined an earlier one."""
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


def _shares(lines: Sequence[KitLine], turn: CaseAllocation, used: Used) -> dict[int, Share]:
    """Share units out among the lines of a construct that overlap in part; the others need none."""
    mixed = {place: lines[place] for place in overlapping_lines(lines)}
    mixed = {place: line for place, line in mixed.items() if line.what != INSTRUMENT_SET}
    if not mixed:
        return {}

    def available(line: KitLine, parcel: StockUnits) -> tuple[int, int, int]:
        free = max(turn.free(parcel, stays=stays(line)), 0)
        left = max(_left(line, parcel, turn, used, is_primary=False), 0)
        if parcel.is_on_another_tray(turn.case.case):
            return 0, 0, left + free
        return left, free, 0

    usable = {place: turn.usable(line.refs) for place, line in mixed.items()}
    return match_units_to_lines(mixed, usable, available)


_ANY_LINE, _FOR_GOOD = ("any line",), ("for good",)


def _users(line: KitLine, parcel: StockUnits) -> tuple[tuple[str, ...], ...]:
    """Say who uses units up: a pack serves one line only, a copy of a set serves every role."""
    if parcel.is_implanted:
        return (need_of(line),)
    if line.what == INSTRUMENT_SET:
        return ((line.part, line.role),)
    return (_ANY_LINE, _FOR_GOOD) if stays(line) else (_ANY_LINE,)


def _left(
    line: KitLine, parcel: StockUnits, turn: CaseAllocation, used: Used, *, is_primary: bool
) -> int:
    """Return what the case has claimed of a parcel and this construct has not used up.

    A backup that another case may count on, too, does not serve what is implanted.
    """
    if parcel.is_implanted:
        return turn.implanted_for(line, parcel) - used[need_of(line), parcel.key]
    left = min(
        turn.held(parcel, for_good=user == _FOR_GOOD) - used[user, parcel.key]
        for user in _users(line, parcel)
    )
    if line.what == INSTRUMENT_SET and left > 0:
        return min(left, turn.copies_held(parcel, is_primary=is_primary))
    return left


def _check(
    line: KitLine, turn: CaseAllocation, used: Used, *, is_primary: bool, share: Share | None = None
) -> LineCheck:
    """Fill a line from what the case has claimed already, then from what it can claim.

    A share keeps it to the units meant for it; what a share leaves open, sharing with another
    case may still fill. What has to come back from another case's tray goes last, also when it
    has been claimed: as long as a pack is free, nobody waits for one.
    """
    usable = turn.usable(line.refs)
    taken: dict[str, int] = defaultdict(int)
    is_set = line.what == INSTRUMENT_SET
    for parcels in turn.usable_in_turn(line.refs):
        _take_held(line, parcels, turn, used, taken, is_primary=is_primary, share=share)
        missing = line.quantity - sum(taken.values())
        if is_set:
            wanted = missing - turn.sent_off(line.refs)
            new = _claim_sets(parcels, wanted, turn, is_primary=is_primary)
        else:
            own = None if share is None else {key: n - taken[key] for key, n in share.items()}
            new = _claim_packs(parcels, missing, turn, for_good=stays(line), share=own)
        for key, number in new.items():
            taken[key] += number
    picks = tuple(
        Pick(
            parcel,
            number,
            expected=(
                turn.shelf.expectation(parcel, turn.case)
                if is_set or parcel.sent_from or parcel.tray_of
                else None
            ),
        )
        for parcel in usable
        if (number := taken[parcel.key])
    )
    for pick in picks:
        for user in _users(line, pick.parcel):
            used[user, pick.parcel.key] += pick.quantity
            if pick.parcel.is_implanted:
                most = max(turn.done[user, pick.parcel.key], used[user, pick.parcel.key])
                turn.done[user, pick.parcel.key] = most
    missing = line.quantity - sum(taken.values())
    gap = explain_missing(line, missing, turn, is_primary=is_primary) if missing else None
    return LineCheck(line, picks, gap)


def _take_held(
    line: KitLine,
    parcels: Sequence[StockUnits],
    turn: CaseAllocation,
    used: Used,
    taken: dict[str, int],
    *,
    is_primary: bool,
    share: Share | None,
) -> None:
    """Fill a line from what the case has claimed of some parcels already."""
    missing = line.quantity - sum(taken.values())
    # Units another construct of the case uses come first: those left over may be for what is near.
    for only_shared in (True, False):
        for parcel in parcels:
            if missing == 0:
                return
            at_most = missing
            if only_shared and not parcel.is_implanted:
                user = (_ANY_LINE, parcel.key)
                at_most = min(at_most, turn.most_used[user] - used[user] - taken[parcel.key])
            if share is not None:
                at_most = min(at_most, share.get(parcel.key, 0) - taken[parcel.key])
            # What the case has is looked up only where it matters.
            if at_most > 0:
                left = _left(line, parcel, turn, used, is_primary=is_primary)
                units = max(min(at_most, left - taken[parcel.key]), 0)
                taken[parcel.key] += units
                missing -= units


def _claim_packs(
    usable: Sequence[StockUnits],
    wanted: int,
    turn: CaseAllocation,
    *,
    for_good: bool,
    share: Share | None,
) -> dict[str, int]:
    """Claim units that are free, then backups that lie ready for another case of the list.

    What is here goes before what has still to arrive.
    """
    new: dict[str, int] = defaultdict(int)
    if wanted == 0:
        return new
    for is_sent in (False, True):
        parcels = [one for one in usable if bool(one.sent_from) == is_sent]
        for parcel in parcels:
            left = wanted - sum(new.values())
            if left == 0:
                break
            free = min(left, turn.free(parcel, stays=for_good))
            if share is not None:
                free = min(free, share.get(parcel.key, 0))
            if free > 0:
                turn.shelf.add(turn.new_claim(parcel, free, stays=for_good))
                new[parcel.key] += free
        for parcel in parcels if not for_good else ():
            left = wanted - sum(new.values())
            if left > 0:
                new[parcel.key] += sum(claim.quantity for claim in turn.share(parcel, left))
    return new


def _claim_sets(
    usable: Sequence[StockUnits], wanted: int, turn: CaseAllocation, *, is_primary: bool
) -> dict[str, int]:
    """Claim copies of an instrument set that are back, sterile, when the case starts."""
    new: dict[str, int] = defaultdict(int)
    if wanted <= 0:
        return new
    starts = turn.case.starts
    # A copy that is there goes before one that has to come back first.
    waits = {one.key: turn.shelf.expectation(one, turn.case) is not None for one in usable}
    for parcel in sorted(usable, key=lambda one: waits[one.key]):
        until = turn.set_until(parcel, is_primary=is_primary)
        while sum(new.values()) < wanted and turn.shelf.is_back(parcel, starts, until):
            claim = turn.new_claim(parcel, 1, stays=False)
            opened = until is not None and until > turn.case.ends
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
