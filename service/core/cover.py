"""Check cases against stock in list order, so that no unit is counted twice.

Cases go in the order of their start. A case draws its primary first, then its alternates; within
one case the constructs share packs, because only one of them is implanted. What a primary is
planned with stays used for every later case; backups go back unopened and count again from the
next list day on.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta, tzinfo

from service.core.case_checks import (
    CaseCheck,
    CaseToCheck,
    ConstructCheck,
    ConstructToCheck,
    LineCheck,
    Pick,
)
from service.core.gaps import Gap, Parcel, Reason, explain
from service.core.lines import FIRST_USE, INSTRUMENT_SET, Line
from service.core.shelf import Claim, Shelf

__all__ = [
    "CaseCheck",
    "CaseToCheck",
    "ConstructCheck",
    "ConstructToCheck",
    "LineCheck",
    "Pick",
    "check_cases",
]


@dataclass(slots=True)
class _Turn:
    """One case's turn at the shelf; the packs it claims are shared by its constructs."""

    case: CaseToCheck
    shelf: Shelf
    turnarounds: Mapping[str, int]
    zone: tzinfo
    most_used: "_Used" = field(default_factory=lambda: defaultdict(int))

    def why_not(self, parcel: Parcel) -> Reason | None:
        # What lies on another case's tray counts only for who has been promised it already.
        if parcel.tray_of not in (None, self.case.case) and not self.held(parcel):
            return Reason("promised", parcel, cases=(str(parcel.tray_of),))
        return parcel.why_not(self.case.list_date, self.case.starts)

    def usable(self, refs: Sequence[str]) -> list[Parcel]:
        """Give the parcels that count for this case, first expired first."""
        stock = [parcel for ref in refs for parcel in self.shelf.parcels.get(ref, ())]
        return sorted((one for one in stock if self.why_not(one) is None), key=_first_expired)

    def new_claim(self, parcel: Parcel, quantity: int, *, stays: bool) -> Claim:
        return Claim(
            self.case.case,
            parcel.key,
            quantity,
            self.case.list_date,
            self.case.operating_list,
            stays,
        )

    def share(self, parcel: Parcel, wanted: int) -> tuple[Claim, ...]:
        return self.shelf.share(parcel, wanted, self.new_claim(parcel, wanted, stays=False))

    def held(self, parcel: Parcel, *, for_good: bool = False) -> int:
        """Give how many units of a parcel the case has claimed, or has claimed for good."""
        return sum(
            claim.quantity
            for claim in self.shelf.claims.get(parcel.key, ())
            if claim.case == self.case.case and (claim.stays or not for_good)
        )

    def set_until(self, parcel: Parcel, *, is_primary: bool) -> datetime:
        """Say when an instrument set is back; one that stands by goes back unopened."""
        minutes = self.turnarounds.get(parcel.ref, 0) if is_primary else 0
        return self.case.ends + timedelta(minutes=minutes)


def check_cases(
    cases: Sequence[CaseToCheck],
    parcels: Iterable[Parcel],
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

    Assumption: of two lines of a construct, either the same references serve both or none does, as
    with roles that differ in kind or size. Where references overlap in part, lines are filled in
    their order and a gap may be shown that another choice of packs would close.

    Examples
    --------
    >>> from datetime import UTC
    >>> check_cases([], [], {}, UTC)
    ()
    """
    shelf = Shelf.of(parcels, holds)
    ordered = sorted(cases, key=lambda case: (case.starts, case.case))
    checked = [_check_case(_Turn(case, shelf, turnarounds, zone)) for case in ordered]
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


def _check_case(turn: _Turn) -> CaseCheck:
    checked = []
    for place, construct in enumerate(turn.case.constructs):
        used: _Used = defaultdict(int)
        lines = tuple(_check(line, turn, used, is_primary=place == 0) for line in construct.lines)
        checked.append(ConstructCheck(construct.name, _state(lines), lines))
        for key, quantity in used.items():
            turn.most_used[key] = max(turn.most_used[key], quantity)
    # Packs that are near come on top of what any one construct takes.
    near = tuple(_check(line, turn, turn.most_used, is_primary=False) for line in turn.case.near)
    return CaseCheck(turn.case, tuple(checked), near)


#: Units of a parcel used up within one construct, by who uses them and parcel.
_Used = dict[tuple[tuple[str, ...], str], int]
_ANY_LINE, _FOR_GOOD = ("any line",), ("for good",)


def _stays(line: Line) -> bool:
    return line.place == FIRST_USE and line.is_nominal


def _users(line: Line) -> tuple[tuple[str, ...], ...]:
    """Say who uses units up: a pack serves one line only, a copy of a set serves every role."""
    if line.what == INSTRUMENT_SET:
        return ((line.part, line.role),)
    return (_ANY_LINE, _FOR_GOOD) if _stays(line) else (_ANY_LINE,)


def _left(line: Line, parcel: Parcel, turn: _Turn, used: _Used) -> int:
    """Give what the case has claimed of a parcel and this construct has not used up.

    A backup that another case may count on, too, does not serve what is implanted.
    """
    return min(
        turn.held(parcel, for_good=user == _FOR_GOOD) - used[user, parcel.key]
        for user in _users(line)
    )


def _check(line: Line, turn: _Turn, used: _Used, *, is_primary: bool) -> LineCheck:
    """Fill a line from what the case has claimed already, then from what it can claim."""
    usable = turn.usable(line.refs)
    taken: dict[str, int] = defaultdict(int)
    # Units another construct of the case uses come first: those left over may be for what is near.
    for only_shared in (True, False):
        for parcel in usable:
            left = _left(line, parcel, turn, used) - taken[parcel.key]
            if only_shared:
                key = (_ANY_LINE, parcel.key)
                left = min(left, turn.most_used[key] - used[key] - taken[parcel.key])
            taken[parcel.key] += max(min(line.quantity - sum(taken.values()), left), 0)
    missing = line.quantity - sum(taken.values())
    if line.what == INSTRUMENT_SET:
        new = _claim_sets(usable, missing, turn, is_primary=is_primary)
    else:
        new = _claim_packs(usable, missing, turn, stays=_stays(line))
    picks = tuple(
        Pick(parcel, number)
        for parcel in usable
        if (number := taken[parcel.key] + new.get(parcel.key, 0))
    )
    for pick in picks:
        for user in _users(line):
            used[user, pick.parcel.key] += pick.quantity
    missing -= sum(new.values())
    gap = _gap(line, missing, turn, is_primary=is_primary) if missing else None
    return LineCheck(line, picks, gap)


def _claim_packs(
    usable: Sequence[Parcel], wanted: int, turn: _Turn, *, stays: bool
) -> dict[str, int]:
    """Claim units that are free, then backups that lie ready for another case of the list."""
    new: dict[str, int] = defaultdict(int)
    for parcel in usable:
        left = wanted - sum(new.values())
        free = min(left, turn.shelf.free(parcel, turn.case.list_date, stays=stays))
        if free > 0:
            turn.shelf.add(turn.new_claim(parcel, free, stays=stays))
            new[parcel.key] += free
    for parcel in usable if not stays else ():
        left = wanted - sum(new.values())
        if left > 0:
            new[parcel.key] += sum(claim.quantity for claim in turn.share(parcel, left))
    return new


def _claim_sets(
    usable: Sequence[Parcel], wanted: int, turn: _Turn, *, is_primary: bool
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


def _first_expired(parcel: Parcel) -> tuple[date, str, str, str]:
    return (parcel.use_by or date.max, parcel.lot, parcel.shelf, parcel.key)


def _gap(line: Line, missing: int, turn: _Turn, *, is_primary: bool) -> Gap:
    reasons: list[Reason] = []
    stock = [parcel for ref in line.refs for parcel in turn.shelf.parcels.get(ref, ())]
    for parcel in sorted(stock, key=_first_expired):
        reason = turn.why_not(parcel)
        if reason is not None:
            reasons.append(reason)
        elif line.what == INSTRUMENT_SET:
            reasons += _set_in_use(parcel, turn, turn.set_until(parcel, is_primary=is_primary))
        else:
            reasons += _promised(parcel, turn)
    others = {
        "wrong_side": _free(line.other_side, turn),
        "head_design": _free(line.other_head, turn),
    }
    has_some = any(turn.held(parcel) for parcel in stock)
    return explain(line, missing, reasons, others, turn.zone, case_has_some=has_some)


def _free(refs: Sequence[str], turn: _Turn) -> list[Parcel]:
    day = turn.case.list_date
    return [one for one in turn.usable(refs) if turn.shelf.free(one, day, stays=False) > 0]


def _set_in_use(parcel: Parcel, turn: _Turn, until: datetime) -> list[Reason]:
    case = turn.case
    spans = [
        span
        for span in turn.shelf.overlapping(parcel, case.starts, until)
        if span.case != case.case
    ]
    away = [span for span in spans if span.starts is not None and span.starts < case.ends]
    if away:
        names = tuple(sorted({span.case for span in away}))
        return [Reason("instrument_set_in_use", parcel, away[0].until, names)]
    # It is here for the case, but would not be back for one that has it promised.
    names = tuple(sorted({span.case for span in spans}))
    return [Reason("promised", parcel=parcel, cases=names)] if names else []


def _promised(parcel: Parcel, turn: _Turn) -> list[Reason]:
    names = turn.shelf.others(parcel, turn.case.case, turn.case.list_date)
    return [Reason("promised", parcel=parcel, cases=names)] if names else []


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
