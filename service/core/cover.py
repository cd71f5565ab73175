"""Check cases against stock in list order, so that no unit is counted twice.

Cases go in the order of their start. A case draws its primary first, then its alternates; within
one case the constructs share packs, because only one of them is implanted. What a primary is
planned with stays used for every later case; backups go back unopened and count again from the
next list day on.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo

from service.core.gaps import Gap, Parcel, Reason, explain
from service.core.requirements import FIRST_USE, Line

__all__ = [
    "CaseCheck",
    "CaseToCheck",
    "ConstructCheck",
    "ConstructToCheck",
    "LineCheck",
    "Pick",
    "check_cases",
]


@dataclass(frozen=True, slots=True)
class ConstructToCheck:
    """One planned construct of a case with what it needs brought, the primary first."""

    name: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class CaseToCheck:
    """A case as the check sees it.

    Parameters
    ----------
    list_date
        The list day, a date local to the site.
    starts, ends
        Aware moments in UTC; ``ends`` after ``starts``.
    near
        Lines for what must be near though no construct takes it.
    """

    case: str
    list_date: date
    starts: datetime
    ends: datetime
    constructs: tuple[ConstructToCheck, ...]
    near: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True)
class Pick:
    """Units of one parcel for one line."""

    parcel: Parcel
    quantity: int


@dataclass(frozen=True, slots=True)
class LineCheck:
    """A line with what was found for it, and the gap where something is missing."""

    line: Line
    picks: tuple[Pick, ...]
    gap: Gap | None

    @property
    def found(self) -> int:
        """How many units were found."""
        return sum(pick.quantity for pick in self.picks)


@dataclass(frozen=True, slots=True)
class ConstructCheck:
    """A construct with its state in words: ``covered``, ``partly covered``, ``not covered``."""

    name: str
    state: str
    lines: tuple[LineCheck, ...]

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """Every gap of the construct, in the order of its lines."""
        return tuple(line.gap for line in self.lines if line.gap is not None)


@dataclass(frozen=True, slots=True)
class CaseCheck:
    """A case with its constructs, the primary first, and what must be near."""

    case: CaseToCheck
    constructs: tuple[ConstructCheck, ...]
    near: tuple[LineCheck, ...]


@dataclass(slots=True)
class _Shelf:
    """What is left, and who has claimed what, while the cases are gone through."""

    parcels: dict[str, list[Parcel]]
    gone: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    today: dict[tuple[date, str], int] = field(default_factory=lambda: defaultdict(int))
    claimants: dict[str, list[tuple[date, str, bool]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    busy: dict[str, list[list[tuple[datetime, datetime, str]]]] = field(default_factory=dict)

    def free(self, parcel: Parcel, day: date) -> int:
        return parcel.quantity - self.gone[parcel.key] - self.today[day, parcel.key]


@dataclass(slots=True)
class _Turn:
    """One case's turn at the shelf; the packs it claims are shared by its constructs."""

    case: CaseToCheck
    shelf: _Shelf
    turnarounds: Mapping[str, int]
    zone: tzinfo
    claimed: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    parcels: dict[str, Parcel] = field(default_factory=dict)

    def why_not(self, parcel: Parcel) -> Reason | None:
        return parcel.why_not(self.case.list_date, self.case.starts)

    def usable(self, refs: Sequence[str]) -> list[Parcel]:
        """Give the parcels that count for this case, first expired first."""
        stock = [parcel for ref in refs for parcel in self.shelf.parcels.get(ref, ())]
        return sorted((one for one in stock if self.why_not(one) is None), key=_first_expired)

    def claim(self, parcel: Parcel, take: int, *, stays: bool) -> None:
        if stays:
            self.shelf.gone[parcel.key] += take
        else:
            self.shelf.today[self.case.list_date, parcel.key] += take
        self.shelf.claimants[parcel.key].append((self.case.list_date, self.case.case, stays))
        self.note(parcel, take)

    def note(self, parcel: Parcel, take: int) -> None:
        self.claimed[parcel.key] += take
        self.parcels[parcel.key] = parcel


def check_cases(
    cases: Sequence[CaseToCheck],
    parcels: Iterable[Parcel],
    turnarounds: Mapping[str, int],
    zone: tzinfo,
) -> tuple[CaseCheck, ...]:
    """Check every case in order of start; an earlier case goes first.

    Parameters
    ----------
    cases
        The cases of one or more lists, in any order; ties in start go by case reference.
    parcels
        Everything there is: on shelves, in quarantine, unsterile, and on its way.
    turnarounds
        Minutes an instrument set is away after a case, by catalogue reference.
    zone
        The site's time zone, in which moments are said.

    Returns
    -------
    tuple of CaseCheck
        In the order the cases were gone through.

    Notes
    -----
    Of several usable lots the one that expires first is taken (first expired, first out); ties go
    by lot, then by shelf. Source: common practice.

    Examples
    --------
    >>> from datetime import UTC
    >>> check_cases([], [], {}, UTC)
    ()
    """
    by_ref: dict[str, list[Parcel]] = defaultdict(list)
    for parcel in parcels:
        by_ref[parcel.ref].append(parcel)
    shelf = _Shelf(by_ref)
    ordered = sorted(cases, key=lambda case: (case.starts, case.case))
    return tuple(_check_case(_Turn(case, shelf, turnarounds, zone)) for case in ordered)


def _check_case(turn: _Turn) -> CaseCheck:
    checked = []
    for place, construct in enumerate(turn.case.constructs):
        used: dict[str, int] = defaultdict(int)
        lines = tuple(
            _check_set(line, turn, is_primary=place == 0)
            if line.what == "instrument set"
            else _check_line(line, turn, used)
            for line in construct.lines
        )
        checked.append(ConstructCheck(construct.name, _state(lines), lines))
    near = tuple(_check_set(line, turn, is_primary=False) for line in turn.case.near)
    return CaseCheck(turn.case, tuple(checked), near)


def _check_line(line: Line, turn: _Turn, used: dict[str, int]) -> LineCheck:
    """Fill a line from packs the case has claimed already, then from the shelf."""
    picks: list[Pick] = []
    missing = line.quantity
    usable = turn.usable(line.refs)
    for parcel in usable:
        take = min(missing, turn.claimed[parcel.key] - used[parcel.key])
        if take > 0:
            picks.append(Pick(parcel, take))
            used[parcel.key] += take
            missing -= take
    stays = line.place == FIRST_USE and line.is_nominal
    for parcel in usable:
        take = min(missing, turn.shelf.free(parcel, turn.case.list_date))
        if take > 0:
            turn.claim(parcel, take, stays=stays)
            picks.append(Pick(parcel, take))
            used[parcel.key] += take
            missing -= take
    gap = _gap(line, missing, turn) if missing else None
    return LineCheck(line, tuple(picks), gap)


def _first_expired(parcel: Parcel) -> tuple[date, str, str, str]:
    return (parcel.use_by or date.max, parcel.lot, parcel.shelf, parcel.key)


def _check_set(line: Line, turn: _Turn, *, is_primary: bool) -> LineCheck:
    """Find a copy of an instrument set that is back, sterile, when the case starts."""
    for key, parcel in turn.parcels.items():
        if parcel.ref in line.refs and turn.claimed[key]:
            return LineCheck(line, (Pick(parcel, 1),), None)
    starts = turn.case.starts
    for parcel in turn.usable(line.refs):
        minutes = turn.turnarounds.get(parcel.ref, 0) if is_primary else 0
        until = turn.case.ends + timedelta(minutes=minutes)
        copies = turn.shelf.busy.setdefault(parcel.key, [[] for _ in range(parcel.quantity)])
        for spans in copies:
            if all(until <= start or end <= starts for start, end, _ in spans):
                spans.append((starts, until, turn.case.case))
                turn.note(parcel, 1)
                return LineCheck(line, (Pick(parcel, 1),), None)
    return LineCheck(line, (), _gap(line, 1, turn))


def _gap(line: Line, missing: int, turn: _Turn) -> Gap:
    reasons: list[Reason] = []
    for ref in line.refs:
        for parcel in sorted(turn.shelf.parcels.get(ref, ()), key=_first_expired):
            reason = turn.why_not(parcel)
            if reason is not None:
                reasons.append(reason)
            elif line.what == "instrument set":
                reasons += _set_in_use(parcel, turn)
            else:
                reasons += _promised(parcel, turn)
    others = {
        "wrong_side": turn.usable(line.other_side),
        "head_design": turn.usable(line.other_head),
    }
    return explain(line, missing, reasons, others, turn.zone)


def _set_in_use(parcel: Parcel, turn: _Turn) -> list[Reason]:
    spans = [
        span
        for copy in turn.shelf.busy.get(parcel.key, [])
        for span in copy
        if span[0] < turn.case.ends and span[1] > turn.case.starts
    ]
    if not spans:
        return []
    back = min(end for _, end, _ in spans)
    names = sorted({name for _, _, name in spans} - {turn.case.case})
    return [Reason("instrument_set_in_use", when=back, cases=tuple(names))]


def _promised(parcel: Parcel, turn: _Turn) -> list[Reason]:
    names = {
        name
        for day, name, stays in turn.shelf.claimants[parcel.key]
        if name != turn.case.case and (stays or day == turn.case.list_date)
    }
    if not names and not parcel.held:
        return []
    return [Reason("promised", parcel=parcel, cases=tuple(sorted(names)))]


def _state(lines: Sequence[LineCheck]) -> str:
    """Say in words how far the construct could be done with what was found."""
    if all(line.gap is None or line.line.is_spare for line in lines):
        return "covered"
    can_fill: dict[str, bool] = defaultdict(bool)
    for line in lines:
        can_fill[line.line.role] |= line.found >= line.line.quantity
    return "partly covered" if all(can_fill.values()) else "not covered"
