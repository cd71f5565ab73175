"""Why something is missing, in words a nurse can act on."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo

from service.core.constructs.kit_lines import IMPLANT, INSTRUMENT_SET, KitLine
from service.core.cover.results import ConstructCheck, Expectation, Gap, LineCheck
from service.core.cover.shelf import CaseAllocation
from service.core.cover.units import BECAUSE, Reason, StockUnits, expires_first


def explain(
    line: KitLine,
    missing: int,
    reasons: Sequence[Reason],
    others: Mapping[str, Sequence[StockUnits]],
    zone: tzinfo = UTC,
    *,
    case_has_some: bool = False,
    overrun: Collection[str] = (),
    is_list_day_over: bool = False,
) -> Gap:
    """Turn what stands in the way into one gap with one sentence.

    Parameters
    ----------
    line
        What was wanted.
    missing
        How many units of it are missing, at least 1.
    reasons
        Why each parcel of the right item does not serve.
    others
        Usable parcels of the wrong side (``wrong_side``) or head design (``head_design``).
    zone
        The time zone in which moments are said.
    case_has_some
        Whether the case has units of it on other lines: then there are no more, not none.
    overrun
        Cases that are still open after their planned end: it is said of them.
    is_list_day_over
        Whether the case runs over midnight: what was in date on its list day may have expired.

    Returns
    -------
    Gap
        Its reason is the first of ``BECAUSE`` that applies; of equals, the earliest moment, then
        the order given.

    Examples
    --------
    >>> explain(KitLine("lag screw", "lag screw 95 mm", ("L95",), 1, "nominal", "first use"), 1, [],
    ...         {}).sentence
    'lag screw 95 mm: not in stock.'
    """
    found = list(reasons)
    if not line.refs:
        found.append(Reason("not_made"))
    found += [Reason(name, parcel) for name, parcels in others.items() for parcel in parcels[:1]]
    found.append(Reason("none_in_stock"))
    found.sort(key=_strongest_first)
    first = found[0]
    words = _sentence(first, found, zone, overrun)
    if first.because == "none_in_stock" and (case_has_some or missing < line.quantity):
        words = "no more in stock"
    if first.because == "expires" and is_list_day_over and first.units is not None:
        words = f"{_pack(first.units)} expired on {first.units.use_by}"
    if first.because == "not_made" and line.is_sized:
        words = "this size is not in the catalogue"
    if missing < line.quantity:
        words = f"short by {missing} of {line.quantity}; {words}"
    return Gap(
        line.role,
        line.label,
        _what(line, first.because),
        first.because,
        missing,
        f"{line.label}: {words}.",
        tuple(found[:-1]),
    )


def _strongest_first(reason: Reason) -> tuple[int, datetime]:
    return BECAUSE.index(reason.because), reason.when or datetime.max.replace(tzinfo=UTC)


def _what(line: KitLine, because: str) -> str:
    if line.what != IMPLANT:
        return line.what
    if because == "wrong_side":
        return "side"
    if because == "head_design":
        return "head design"
    return "size" if line.is_sized else "implant"


def _sentence(
    reason: Reason, found: Sequence[Reason], zone: tzinfo, overrun: Collection[str]
) -> str:
    units = reason.units
    pack, moment = _pack(units), _moment(reason.when, zone)
    sentences = {
        "not_made": "not in the catalogue",
        "opened_here": "the set for this case has already been used"
        if reason.units is None
        else (
            f"opened in this case and being reprocessed, expected back {moment}"
            if reason.when is not None
            else "with this case when it started; record whether it was opened"
        ),
        "instrument_set_in_use": f"in use or in turnaround until {moment}{_for(reason.cases)}",
        "promised": f"the last one is reserved for {_promised_to(found, overrun)}",
        "recalled": f"{pack} {'is recalled' if units is None else units.recall_words}",
        "expires": f"{pack} expires before the list day{_day(reason, 'use_by')}",
        "quarantined": f"{pack} is in quarantine",
        "unsterile": f"{pack} is not sterile",
        "return_due": f"{pack} is a loan due back by then{_day(reason, 'return_by')}",
        "not_here_yet": f"{pack} has not arrived; usable from {moment} if it arrives on time",
        "not_here_in_time": _too_late(reason, pack, moment, zone),
        "wrong_side": f"only the other side is in stock ({pack})",
        "head_design": f"only the other head design is in stock ({pack})",
        "none_in_stock": "not in stock",
    }
    return sentences[reason.because]


def _too_late(reason: Reason, pack: str, moment: str, zone: tzinfo) -> str:
    """Say of what is on its way why nobody can count on it for the case."""
    sent = reason.units
    if sent is None or not sent.sent_from:
        return f"{pack} is on order, usable from {moment}: too late for this case"
    says = f"{pack} is in transit from site {sent.sent_from}"
    if sent.due_at is None:
        return f"{says}; arrival time not known"
    due = _moment(sent.due_at, zone)
    if sent.is_late:
        return f"{says}, was expected {due} and is late"
    return f"{says}, expected {due}: too late for this case"


def _pack(parcel: StockUnits | None) -> str:
    if parcel is None or not (parcel.lot or parcel.serial):
        return "the pack"
    if parcel.usable_from is not None:
        # What is on its way is known by its delivery; its lot is read when it comes.
        return parcel.lot or parcel.serial
    return f"lot {parcel.lot}" if parcel.lot else f"serial {parcel.serial}"


def _moment(when: datetime | None, zone: tzinfo) -> str:
    return "a date not known" if when is None else f"{when.astimezone(zone):%Y-%m-%d %H:%M}"


def _day(reason: Reason, field: str) -> str:
    day = getattr(reason.units, field, None)
    return "" if day is None else f" ({day})"


def _for(cases: Sequence[str]) -> str:
    return f", for {', '.join(cases)}" if cases else ""


def _promised_to(found: Sequence[Reason], overrun: Collection[str]) -> str:
    """Name everyone who has a pack of it: any of them may be asked."""
    names = dict.fromkeys(
        name for reason in found if reason.because == "promised" for name in reason.cases
    )
    late = " (still open after its planned end)"
    return ", ".join(f"{name}{late if name in overrun else ''}" for name in names) or "another case"


def expectation_words(expectations: Iterable[Expectation], zone: tzinfo) -> str:
    """Say what has to happen before a case is covered.

    Parameters
    ----------
    expectations
        At least one.
    zone
        The time zone in which moments are said; the day is said where it is not the case's.

    Returns
    -------
    str
        One sentence, beginning with ``Covered if``.

    Examples
    --------
    >>> noon = datetime(2031, 3, 4, 12, tzinfo=UTC)
    >>> back = Expectation("SET", "SET-1", noon.replace(hour=11), noon, "K1")
    >>> expectation_words([back], UTC)
    'Covered if SET SET-1 is back by 12:00 (expected 11:00, after K1).'
    >>> sent = Expectation("NAIL", "L1", noon.replace(hour=11), noon, "", "NORTH")
    >>> expectation_words([sent], UTC)
    'Covered if NAIL L1 arrives by 12:00 (expected 11:00, from site NORTH).'
    """
    said = []
    for one in dict.fromkeys(expectations):
        due, needed = one.due.astimezone(zone), one.needed.astimezone(zone)
        when = f"{due:%H:%M}" if due.date() == needed.date() else f"{due:%Y-%m-%d %H:%M}"
        said.append(f"{one.ref} {one.name} {_must(one)} by {needed:%H:%M} ({_expected(one, when)})")
    return f"Covered if {' and '.join(said)}."


def _must(one: Expectation) -> str:
    return "arrives" if one.sent_from else "is back"


def _expected(one: Expectation, when: str) -> str:
    if not one.sent_from:
        return f"expected {when}, after {one.after}"
    if one.is_late:
        return f"late: was expected {when}, from site {one.sent_from}"
    return f"expected {when}, from site {one.sent_from}"


def counting_on_words(expectations: Iterable[Expectation], zone: tzinfo) -> str:
    """Say what a probability counts on that has not happened yet.

    Parameters
    ----------
    expectations
        What a case waits for; often nothing.
    zone
        The time zone in which moments are said.

    Returns
    -------
    str
        Words that begin with ``counting on``; empty when there is nothing.

    Examples
    --------
    >>> noon = datetime(2031, 3, 4, 12, tzinfo=UTC)
    >>> back = Expectation("SET", "SET-1", noon.replace(hour=11), noon, "K1")
    >>> due = Expectation("SCREW", "delivery PO-1", noon.replace(hour=9), noon, "")
    >>> counting_on_words([back, due], UTC)
    'counting on SET SET-1, back after K1, and SCREW of delivery PO-1 by 12:00'
    >>> sent = Expectation("NAIL", "L1", noon.replace(hour=9), noon, "", "NORTH")
    >>> counting_on_words([sent], UTC)
    'counting on NAIL L1 from site NORTH by 12:00'
    >>> counting_on_words([], UTC)
    ''
    """
    found = list(dict.fromkeys(expectations))
    if not found:
        return ""
    listed = " and ".join(dict.fromkeys(_counted_on(one) for one in found)).removesuffix(",")
    return f"counting on {listed} by {found[0].needed.astimezone(zone):%H:%M}"


def _counted_on(one: Expectation) -> str:
    if one.sent_from:
        return f"{one.ref} {one.name} from site {one.sent_from}"
    return (
        f"{one.ref} {one.name}, back after {one.after},"
        if one.after
        else f"{one.ref} of {one.name}"
    )


def cover_words(check: ConstructCheck, lengths_mm: Mapping[str, float], zone: tzinfo = UTC) -> str:
    """Say what a construct has, or what it lacks.

    Parameters
    ----------
    check
        A construct checked against stock.
    lengths_mm
        Length of every item that has one, in mm, by reference.
    zone
        The time zone in which moments are said.

    Returns
    -------
    str
        ``lag screw 85–105 mm covered``, or each gap in its own sentence; packs that an
        earlier or later case of the list counts on too are named.

    Examples
    --------
    >>> cover_words(ConstructCheck("c", "covered", ()), {})
    'everything needed is in stock'
    """
    if check.gaps:
        return " ".join(dict.fromkeys(gap.sentence for gap in check.gaps))
    if check.expectations:
        return expectation_words(check.expectations, zone)
    # Never "every": how probable it is that the size needed is among these is said beside it.
    said = [
        f"{role} {low:g}–{high:g} mm covered" if low < high else f"{role} {low:g} mm covered"
        for role, (low, high) in _ranges(check, lengths_mm).items()
    ]
    sharers = sorted(
        {name for line in check.lines for pick in line.picks for name in pick.shared_with}
    )
    if sharers:
        said.append(f"a pack is shared with {', '.join(sharers)}")
    return ", ".join(said) or "everything needed is in stock"


def _ranges(
    check: ConstructCheck, lengths_mm: Mapping[str, float]
) -> dict[str, tuple[float, float]]:
    """Return smallest and largest length found for each role that was brought in several sizes."""
    ranges: dict[str, tuple[float, float]] = {}
    for line in check.lines:
        length = _length(line, lengths_mm)
        if length is not None:
            low, high = ranges.get(line.line.role, (length, length))
            ranges[line.line.role] = (min(low, length), max(high, length))
    return ranges


def _length(line: LineCheck, lengths_mm: Mapping[str, float]) -> float | None:
    if not line.line.is_sized or not line.picks:
        return None
    return lengths_mm.get(line.picks[0].parcel.ref)


def explain_missing(line: KitLine, missing: int, turn: CaseAllocation, *, is_primary: bool) -> Gap:
    """Say why units of a line are missing.

    Parameters
    ----------
    line
        What was wanted.
    missing
        How many units were not found, at least 1.
    turn
        The case's turn, with everything claimed so far.
    is_primary
        Whether the line belongs to the primary, whose instrument sets are away for a turnaround.

    Returns
    -------
    Gap
        With every reason found.

    Examples
    --------
    >>> from datetime import UTC, date, datetime
    >>> from service.core.cover.results import CaseToCheck
    >>> from service.core.cover.shelf import ClaimedStock
    >>> moment = datetime(2031, 3, 3, tzinfo=UTC)
    >>> case = CaseToCheck("K1", date(2031, 3, 3), moment, moment, ())
    >>> turn = CaseAllocation(case, ClaimedStock.of([], []), {}, UTC)
    >>> line = KitLine("screw", "screw 95 mm", ("A",), 1, "nominal", "first use")
    >>> explain_missing(line, 1, turn, is_primary=True).because
    'none_in_stock'
    """
    reasons: list[Reason] = []
    stock = [parcel for ref in line.refs for parcel in turn.shelf.parcels.get(ref, ())]
    # What is in a patient is nobody's any more: it stands in nobody's way.
    left = [parcel for parcel in stock if not parcel.is_implanted]
    for parcel in sorted(left, key=expires_first):
        reason = turn.why_not(parcel)
        if reason is not None:
            reasons.append(reason)
        elif line.what == INSTRUMENT_SET:
            reasons += _set_in_use(parcel, turn, turn.set_until(parcel, is_primary=is_primary))
        else:
            reasons += _promised(parcel, turn)
    if line.what == INSTRUMENT_SET and turn.sent_off(line.refs):
        reasons.append(Reason("opened_here"))
    others = {
        "wrong_side": _free(line.other_side, turn),
        "head_design": _free(line.other_head, turn),
    }
    has_some = any(turn.held(parcel) for parcel in stock)
    return explain(
        line,
        missing,
        reasons,
        others,
        turn.zone,
        case_has_some=has_some,
        overrun=turn.shelf.overrun,
        is_list_day_over=turn.case.used_on is not None,
    )


def _free(refs: Sequence[str], turn: CaseAllocation) -> list[StockUnits]:
    here = [one for one in turn.usable(refs) if not one.sent_from]
    return [one for one in here if turn.free(one, stays=False) > 0]


def _set_in_use(parcel: StockUnits, turn: CaseAllocation, until: datetime | None) -> list[Reason]:
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
    return [Reason("promised", units=parcel, cases=names)] if names else []


def _promised(parcel: StockUnits, turn: CaseAllocation) -> list[Reason]:
    case = turn.case
    names = turn.shelf.others(parcel, case.case, case.list_date, turn.last_day)
    return [Reason("promised", units=parcel, cases=names)] if names else []
