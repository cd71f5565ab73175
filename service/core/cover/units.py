"""Units of one lot at one place, who counts on them, and whether they count for a case.

Whether units count is said here and nowhere else: the planner, holds, scans, trays, the pages of
the stock, sources of supply, what expires, stock levels and FHIR all ask ``unusable_reason``.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

#: Every reason a gap may have, strongest first: the first that applies is the gap's reason.
BECAUSE = (
    "not_made",
    "opened_here",
    "instrument_set_in_use",
    "promised",
    "recalled",
    "expires",
    "quarantined",
    "unsterile",
    "return_due",
    "not_here_yet",
    "not_here_in_time",
    "wrong_side",
    "head_design",
    "none_in_stock",
)


#: Beside ``recalled``: a notice may name the units, and what is on record of them does not tell.
IN_DOUBT = "in doubt"


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason why units do not serve a case.

    Parameters
    ----------
    because
        One of ``BECAUSE``.
    units
        The units it is about, ``None`` when there are none.
    when
        When they could be used, or a set is back: an aware moment.
    cases
        The cases that have them.
    """

    because: str
    units: "StockUnits | None" = None
    when: datetime | None = None
    cases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StockUnits:
    """Units of one lot at one place, or on their way.

    Parameters
    ----------
    key
        Unique among the units that are looked at together.
    quantity
        Units there, promised ones included.
    use_by
        Last day of use; ``None`` when it does not expire.
    blocked
        Which of ``recalled``, ``quarantined`` and ``unsterile`` they are; often none. With
        ``IN_DOUBT`` they may be recalled.
    return_by
        The day a loan leaves; it counts before that day only.
    usable_from
        For what is on its way: when it can be used, an aware moment.
    tray_of
        The case on whose tray packs lie, or ``None`` when they are on a shelf.
    away_with
        For copies of an instrument set: the case that has them on its tray, or after which they
        are being reprocessed; empty when they are sterile on a shelf.
    back_at
        For copies that are away, and for what another site has sent: the earliest moment they can
        be on their shelf, for copies sterile; aware, ``None`` when nobody can say.
    in_reprocessing
        Whether copies that are away have been opened and sent off: then they are not there for
        the case that had them either.
    is_implanted
        Whether they are in the patient of the case they are the tray of: what they were implanted
        for is done, and they serve nothing else.
    sent_from
        The site that has sent what is in transit; empty when it is not. ``due_at`` is then when it
        was said to arrive.
    """

    key: str
    ref: str
    quantity: int
    lot: str = ""
    serial: str = ""
    store: str = ""
    shelf: str = ""
    use_by: date | None = None
    ownership: str = "owned"
    blocked: tuple[str, ...] = ()
    return_by: date | None = None
    due_at: datetime | None = None
    usable_from: datetime | None = None
    tray_of: str | None = None
    away_with: str = ""
    back_at: datetime | None = None
    in_reprocessing: bool = False
    is_implanted: bool = False
    sent_from: str = ""

    @property
    def is_here(self) -> bool:
        """Whether it is in the house, and not on its way."""
        return self.usable_from is None and not self.sent_from

    @property
    def is_late(self) -> bool:
        """Whether it should have come by now from the site that sent it."""
        return bool(self.sent_from) and self.due_at is not None and self.due_at != self.back_at

    @property
    def recall_words(self) -> str:
        """That they are recalled, or why nobody can tell."""
        if IN_DOUBT not in self.blocked:
            return "is recalled"
        unknown = "serial" if self.lot else "lot"
        return f"may be recalled: its {unknown} is not recorded"

    def is_on_tray_of(self, case: str) -> bool:
        """Tell whether they lie on a case's tray; a shelf that is named like the case is none."""
        return self.tray_of == case or (self.away_with == case and not self.in_reprocessing)

    def is_on_another_tray(self, case: str | None) -> bool:
        """Tell whether packs lie on the tray of another case than this; without one, on any."""
        return self.tray_of not in {None, case}

    def is_away_for(self, case: str | None) -> bool:
        """Tell whether copies have to come back before a case can have them.

        On its own tray they are there for it, until they have been opened and sent off.
        """
        return bool(self.away_with) and (case is None or not self.is_on_tray_of(case))


@dataclass(frozen=True, slots=True)
class Claim:
    """Units that a case counts on.

    Parameters
    ----------
    key
        The units, by their key.
    operating_list
        The list the case is on; backups are shared within one list only.
    stays
        Claimed for first use: on every day from the list day on.
    starts, until
        From when to when the case has them, aware moments in UTC; for an instrument set until it is
        back. ``until`` is ``None`` when nobody can say: the case is open after its planned end.
    share_group
        Claims of one group lie on the same units, or ``None``: on units of their own.
    is_opened
        For an instrument set: whether the case opens it, so that it is reprocessed before anybody
        else has it; one that stands by goes back as it is.
    on_tray
        Whether the case has brought them to its tray; for a set also while it is reprocessed.
    last_day
        The day on which the case is over, where that is after its list day: a backup stands by
        until then.
    """

    case: str
    key: str
    quantity: int
    list_date: date
    operating_list: str
    stays: bool
    is_set: bool = False
    starts: datetime | None = None
    until: datetime | None = None
    share_group: str | None = None
    is_opened: bool = False
    on_tray: bool = False
    last_day: date | None = None

    def needs_units_on(self, day: date) -> bool:
        """Tell whether it needs its units on a day: from its day on, or until its case is over."""
        return self.list_date <= day and (self.stays or day <= (self.last_day or self.list_date))


def day_after_midnight(
    list_date: date, ends: datetime, zone: tzinfo, used_on: date | None
) -> date | None:
    """Return the day on which a case is over, where that is after its list day.

    Parameters
    ----------
    list_date, ends
        The list day, and the planned end: an aware moment. At midnight sharp the day is over.
    zone
        The site's time zone.
    used_on
        Today, when the case is still open and its list day is over.

    Returns
    -------
    date or None
        ``None`` when it is over on its list day.

    Examples
    --------
    >>> from datetime import UTC
    >>> day_after_midnight(date(2031, 3, 4), datetime(2031, 3, 5, 2, tzinfo=UTC), UTC, None)
    datetime.date(2031, 3, 5)
    """
    planned = (ends.astimezone(zone) - timedelta.resolution).date()
    last = max(planned, used_on or planned)
    return last if last > list_date else None


def units_needed(claims: Sequence[Claim], day: date) -> int:
    """Return how many units of one lot at one place its claims need on a day.

    Parameters
    ----------
    claims
        Claims on one lot at one place, none of them for an instrument set.

    Returns
    -------
    int
        Claims that stay from any day up to this one, and backups of cases that are not over before
        this day; a share group counts once, with its largest member.

    Examples
    --------
    >>> day = date(2031, 3, 4)
    >>> from dataclasses import replace
    >>> backup = Claim("K1", "p", 1, day, "T1", stays=False, share_group="g")
    >>> units_needed([backup, replace(backup, case="K2")], day)
    1
    """
    alone = 0
    groups: dict[str, dict[str, int]] = {}
    for claim in claims:
        if not claim.needs_units_on(day):
            continue
        if claim.share_group is None:
            alone += claim.quantity
        else:
            members = groups.setdefault(claim.share_group, {})
            members[claim.case] = members.get(claim.case, 0) + claim.quantity
    return alone + sum(max(members.values()) for members in groups.values())


def most_needed(claims: Sequence[Claim]) -> int:
    """Return how many units of one lot at one place its claims need on the day they need most."""
    return max(
        (units_needed(claims, day) for day in {claim.list_date for claim in claims}), default=0
    )


def unusable_reason(
    units: StockUnits,
    day: date,
    *,
    case: str | None = None,
    starts: datetime | None = None,
    is_promised: bool = False,
    claims: Sequence[Claim] = (),
) -> Reason | None:
    """Say why units do not count for a case on a day, or give nothing when they do.

    Parameters
    ----------
    units
        What is looked at.
    day
        The list day of the case; without a case the day that is asked about, such as today.
    case
        The case; ``None`` when it is asked whether they count for any.
    starts
        When the case starts, an aware moment: what is on its way is told apart by it.
    is_promised
        Whether the case has been promised some of them: then they count for it even on another
        case's tray, from which an unopened backup comes back. For the pack in somebody's hand it
        is never so, as nothing may be taken from a tray.
    claims
        Claims on them when it matters whether they are reserved; not of instrument sets, which
        are away for spans of time.

    Returns
    -------
    Reason or None
        The first that applies: what must not be used at all goes before what is somebody else's,
        and that before what is not here. What was ordered never counts as there, even when it
        is due in time. A set that is away, and what another site has sent, count when they can be
        there before ``starts``; that they have to come first is for the caller to say.

    Notes
    -----
    That a pack may be used on its last day, and that a loan does not count on the day it goes
    back, are common practice, no source.

    Examples
    --------
    >>> day = date(2031, 3, 4)
    >>> unusable_reason(StockUnits("p", "A", 1, use_by=day), day) is None
    True
    >>> loan = StockUnits("p", "A", 1, ownership="loan", return_by=day)
    >>> unusable_reason(loan, day).because
    'return_due'
    """
    found = unusable_reasons(
        units, day, case=case, starts=starts, is_promised=is_promised, claims=claims
    )
    return next(found, None)


def unusable_reasons(
    units: StockUnits,
    day: date,
    *,
    case: str | None = None,
    starts: datetime | None = None,
    is_promised: bool = False,
    claims: Sequence[Claim] = (),
) -> Iterator[Reason]:
    """Say everything that stands in the way of units, in the order of ``unusable_reason``.

    Parameters
    ----------
    units, day, case, starts, is_promised, claims
        As for ``unusable_reason``.

    Yields
    ------
    Reason
        The strongest first.

    Examples
    --------
    >>> day = date(2031, 3, 4)
    >>> worn = StockUnits("p", "A", 1, use_by=date(2031, 3, 3), blocked=("unsterile",))
    >>> [reason.because for reason in unusable_reasons(worn, day)]
    ['expires', 'unsterile']
    """
    for because in _unfit(units, day):
        yield Reason(because, units, units.usable_from)
    if units.is_away_for(case) and not _can_be_there(units, starts):
        is_own = units.away_with == case
        because = "opened_here" if is_own else "instrument_set_in_use"
        yield Reason(because, units, units.back_at, (units.away_with,))
    if units.is_on_another_tray(case) and not is_promised:
        yield Reason("promised", units, cases=(str(units.tray_of),))
    elif names := _all_reserved(units, day, case, claims):
        yield Reason("promised", units, cases=names)
    if units.usable_from is not None:
        in_time = starts is None or units.usable_from <= starts
        yield Reason("not_here_yet" if in_time else "not_here_in_time", units, units.usable_from)
    if units.sent_from and not _can_be_there(units, starts):
        yield Reason("not_here_yet" if starts is None else "not_here_in_time", units, units.back_at)


def _unfit(units: StockUnits, day: date) -> Iterator[str]:
    """Say why units must not be used at all on a day, whoever has them."""
    if "recalled" in units.blocked:
        yield "recalled"
    if units.use_by is not None and units.use_by < day:
        yield "expires"
    if "quarantined" in units.blocked:
        yield "quarantined"
    if "unsterile" in units.blocked:
        yield "unsterile"
    if units.return_by is not None and units.return_by <= day:
        yield "return_due"


def _can_be_there(units: StockUnits, starts: datetime | None) -> bool:
    """Tell whether a set that is away, or what was sent, can be on its shelf when a case starts."""
    return starts is not None and units.back_at is not None and units.back_at <= starts


def _all_reserved(
    units: StockUnits, day: date, case: str | None, claims: Sequence[Claim]
) -> tuple[str, ...]:
    """Name the other cases that need every one of the units on a day."""
    others = [claim for claim in claims if claim.case != case] if claims else []
    if not others or units_needed(others, day) < units.quantity:
        return ()
    return tuple(sorted({one.case for one in others if one.needs_units_on(day)}))


def gone_on(use_by: date | None, return_by: date | None) -> date | None:
    """Return the first day on which units no longer count: expired, or on the loan's way back.

    Parameters
    ----------
    use_by, return_by
        The last day of use, and the day the loan leaves; ``None`` when there is none.

    Returns
    -------
    date or None
        ``None`` when they count for ever; the last day there is has no day after it.

    Examples
    --------
    >>> gone_on(date(2031, 3, 4), date(2031, 3, 9))
    datetime.date(2031, 3, 5)
    """
    days = [] if return_by is None else [return_by]
    if use_by is not None and use_by < date.max:
        days.append(use_by + timedelta(days=1))
    return min(days, default=None)


def expires_first(parcel: StockUnits) -> tuple[date, str, str, str]:
    """Return the order in which parcels are used: the first to be gone, then lot, shelf and key."""
    gone = gone_on(parcel.use_by, parcel.return_by) or date.max
    return (gone, parcel.lot, parcel.shelf, parcel.key)


def order_of_use(
    parcel: StockUnits, case: str = ""
) -> tuple[bool, bool, bool, tuple[date, str, str, str]]:
    """Return the order in which a case has parcels.

    What is in the patient goes first, then what is on its tray, what is here, what was sent.
    """
    is_brought = bool(case) and parcel.is_on_tray_of(case)
    return (not parcel.is_implanted, not is_brought, bool(parcel.sent_from), expires_first(parcel))
