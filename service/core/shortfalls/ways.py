"""Each way to cover a shortage, with the last moment at which it still helps.

A way whose moment has passed stays in the answer and says so: it may be in time for a later list,
and nobody should go looking for it again. What cannot be known is said to be unknown.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

from service.core.cover.units import gone_on
from service.core.shortfalls.deadlines import EVERY_DAY, Calendar, hours_before, last_order_moment
from service.core.shortfalls.shortages import MissingLine, Shortage
from service.core.sizing.figures import SupplyFigures

#: Every way there is, the nearest first: the order in which they are given.
WAYS = (
    "reprocess",
    "release",
    "transfer_store",
    "delivery",
    "transfer_site",
    "call_off",
    "loan",
    "order",
)


@dataclass(frozen=True, slots=True)
class SupplyOption:
    """One way to cover a shortage.

    Parameters
    ----------
    way
        One of ``WAYS``.
    quantity
        How many units it could bring, ``None`` when that is not known.
    last_moment
        When it must be set going at the latest for the list that needs the item first, aware and in
        UTC; ``None`` when that is not known.
    has_passed
        Whether that moment has passed, ``None`` when it is not known.
    in_time_for
        The cases short of the item for whose list it would still be in time.
    """

    way: str
    ref: str
    source: str
    quantity: int | None
    last_moment: datetime | None
    has_passed: bool | None
    in_time_for: tuple[str, ...]
    says: str


@dataclass(frozen=True, slots=True)
class _UndatedOption:
    """A way before its moments are worked out: from the start of a list to the last moment."""

    way: str
    source: str
    quantity: int | None
    says: str
    last_moment: Callable[[datetime], datetime] | None
    serves: Callable[[MissingLine], bool] = lambda _one: True


@dataclass(frozen=True, slots=True)
class _ShortageContext:
    """What every way to cover one shortage is worked out with."""

    shortage: Shortage
    figures: SupplyFigures
    now: datetime
    zone: tzinfo


@dataclass(frozen=True, slots=True)
class SupplierTerms:
    """On what terms a supplier sends.

    Parameters
    ----------
    supplier
        Its name.
    calendar
        The days on which its lead times run, the site's holidays left out, and its cut-off.
    is_known
        Whether somebody has entered them; otherwise every day counts, and there is no cut-off.
    lends
        Whether it lends, ``None`` when that is not known.
    """

    supplier: str
    calendar: Calendar
    is_known: bool
    lends: bool | None


@dataclass(frozen=True, slots=True)
class UnitsHere:
    """Units of an item that lie here and do not count, or are free for the day only.

    Parameters
    ----------
    state
        ``quarantined``, ``unsterile`` or ``free``: free on the day of the first case.
    held_for
        Cases to which free units are promised on other days.
    """

    state: str
    quantity: int
    pack: str
    place: str
    held_for: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class UnitsComing:
    """Units on their way; moments are aware, and ``None`` as long as no date has been named."""

    reference: str
    quantity: int
    due_at: datetime | None
    usable_from: datetime | None
    return_by: date | None = None


@dataclass(frozen=True, slots=True)
class OtherSite:
    """Another site that could be asked; what it has is not seen from here.

    Parameters
    ----------
    asked
        How many units of the item this site has asked it for and has had no answer about.
    """

    code: str
    name: str
    asked: int = 0


@dataclass(frozen=True, slots=True)
class SupplySource:
    """Where one item could come from.

    Parameters
    ----------
    lead_time_days
        From order to delivery, in the supplier's days; ``None`` when it is not known.
    comes_ready
        Whether it comes sterile; otherwise it is reprocessed here before use.
    can_be_lent
        Whether such an item is lent: an instrument set or an implant.
    is_consigned
        Whether the supplier keeps units of it here.
    turnaround_minutes
        For an instrument set: how long reprocessing takes here.
    """

    ref: str
    terms: SupplierTerms
    lead_time_days: int | None
    comes_ready: bool = True
    can_be_lent: bool = True
    is_consigned: bool = False
    turnaround_minutes: int | None = None
    lying: tuple[UnitsHere, ...] = ()
    coming: tuple[UnitsComing, ...] = ()
    sites: tuple[OtherSite, ...] = ()


def supply_options(
    shortage: Shortage,
    sources: Iterable[SupplySource],
    figures: SupplyFigures,
    now: datetime,
    zone: tzinfo,
) -> tuple[SupplyOption, ...]:
    """Return every way to cover a shortage.

    Parameters
    ----------
    shortage
        What is missing.
    sources
        Where each of its references could come from, one for each.
    figures
        How long things take here.
    now
        The present moment, aware.
    zone
        The site's time zone.

    Returns
    -------
    tuple of SupplyOption
        In the order of ``WAYS``, then of the references, then as the sources name them. Empty for
        what is not made.

    Notes
    -----
    The last moment is counted back from the start of the list, not of the case: packs are brought
    before a list begins. SupplySource: common practice.

    Examples
    --------
    >>> from datetime import UTC
    >>> from service.core.cover.results import CaseToCheck
    >>> from service.core.cover.results import Gap
    >>> from service.core.constructs.kit_lines import KitLine
    >>> from service.core.shortfalls.ways import SupplySource, SupplierTerms
    >>> from service.core.sizing.figures import supply_figures
    >>> starts = datetime(2031, 3, 10, 8, 30, tzinfo=UTC)
    >>> case = CaseToCheck("K1", date(2031, 3, 10), starts, starts, ())
    >>> line = KitLine("screw", "screw 95 mm", ("A",), 1, "nominal", "first use")
    >>> gap = Gap("screw", "screw 95 mm", "size", "none_in_stock", 1, "none", ())
    >>> short = Shortage(("A",), "screw 95 mm", "implant", 1,
    ...     (MissingLine(case, "c", 0, line, gap, starts),))
    >>> source = SupplySource("A", SupplierTerms("Supplier", Calendar(), True, False), 3)
    >>> now = datetime(2031, 3, 3, tzinfo=UTC)
    >>> (way,) = supply_options(short, [source], supply_figures({}), now, UTC)
    >>> way.way, way.last_moment.isoformat(), way.has_passed
    ('order', '2031-03-06T23:59:00+00:00', False)
    """
    setting = _ShortageContext(shortage, figures, now, zone)
    found = [_way(plan, source, setting) for source in sources for plan in _plans(source, setting)]
    return tuple(sorted(found, key=lambda one: WAYS.index(one.way)))


def _way(plan: _UndatedOption, source: SupplySource, setting: _ShortageContext) -> SupplyOption:
    if plan.last_moment is None:
        return SupplyOption(
            plan.way, source.ref, plan.source, plan.quantity, None, None, (), plan.says
        )
    last = plan.last_moment(setting.shortage.first.list_starts)
    in_time = [
        one.case.case
        for one in setting.shortage.missing
        if plan.serves(one) and plan.last_moment(one.list_starts) >= setting.now
    ]
    helped = tuple(dict.fromkeys(in_time))
    has_passed, says = last < setting.now, plan.says
    if has_passed:
        says += " Too late for the first list that needs it."
        says += f" Still in time for {', '.join(helped)}." if helped else ""
    return SupplyOption(
        plan.way, source.ref, plan.source, plan.quantity, last, has_passed, helped, says
    )


def _plans(source: SupplySource, setting: _ShortageContext) -> Iterator[_UndatedOption]:
    figures = setting.figures
    yield from _here(source, figures)
    yield from _coming(source, setting)
    for site in source.sites:
        yield _from_site(source, site, figures)
    if source.is_consigned:
        yield _from_supplier(source, setting, "call_off", figures.call_off_days)
    if source.can_be_lent and source.terms.lends is not False:
        yield _from_supplier(source, setting, "loan", figures.loan_lead_days)
    yield _from_supplier(source, setting, "order", source.lead_time_days)


def _here(source: SupplySource, figures: SupplyFigures) -> Iterator[_UndatedOption]:
    for one in source.lying:
        where = f"{one.quantity} of {source.ref} ({one.pack}) in {one.place}"
        if one.state == "unsterile":
            hours = figures.loan_reprocessing_hours
            if source.turnaround_minutes is not None:
                hours = source.turnaround_minutes / 60
            says = f"Reprocess {where}: {hours:g} h at this site."
            yield _UndatedOption("reprocess", one.place, one.quantity, says, _hours(hours))
            continue
        hours = figures.store_transfer_hours
        if one.state == "quarantined":
            says = f"Release {where}, after a check by the person who quarantined it; {hours:g} h."
            yield _UndatedOption("release", one.place, one.quantity, says, _hours(hours))
            continue
        held = f" Reserved for {', '.join(one.held_for)}: ask first." if one.held_for else ""
        says = f"Transfer {where}: free on that day; {hours:g} h.{held}"
        yield _UndatedOption("transfer_store", one.place, one.quantity, says, _hours(hours))


def _hours(hours: float) -> Callable[[datetime], datetime]:
    return lambda starts: hours_before(starts, hours)


def _coming(source: SupplySource, setting: _ShortageContext) -> Iterator[_UndatedOption]:
    starts, zone = setting.shortage.first.list_starts, setting.zone
    for one in source.coming:
        if one.due_at is None or one.usable_from is None:
            says = (
                f"{one.quantity} of {source.ref} on {one.reference}: delivery date not known. Ask "
                "the supplier."
            )
            yield _UndatedOption("delivery", one.reference, one.quantity, says, None)
            continue
        preparing = one.usable_from - one.due_at
        due = f"{one.due_at.astimezone(zone):%Y-%m-%d %H:%M}"
        usable = f"{one.usable_from.astimezone(zone):%Y-%m-%d %H:%M}"
        says = f"{one.quantity} of {source.ref} on {one.reference}, due {due}, usable from {usable}"
        if one.due_at < setting.now:
            says = f"{says}: overdue, not received. Ask the supplier where it is."
        elif one.usable_from > starts:
            says = f"{says}: too late for that list. Ask the supplier to expedite."
        else:
            says = (
                f"{says}: in time if it arrives as planned. It counts as cover once it is received."
            )
        yield _UndatedOption(
            "delivery", one.reference, one.quantity, says, _back(preparing), _before(one.return_by)
        )


def _back(span: timedelta) -> Callable[[datetime], datetime]:
    return lambda starts: hours_before(starts, span / timedelta(hours=1))


def _before(return_by: date | None) -> Callable[[MissingLine], bool]:
    """Tell for which lines a loan would still be here."""
    gone = gone_on(None, return_by)
    return lambda one: gone is None or one.case.list_date < gone


def _from_site(source: SupplySource, site: OtherSite, figures: SupplyFigures) -> _UndatedOption:
    hours = figures.site_transfer_hours
    says = (
        f"Ask {site.name} ({site.code}) for {source.ref}: its stock cannot be seen from this site; "
    )
    says += f"{hours:g} h from shelf to shelf."
    if site.asked:
        says += f" {site.asked} already requested, no reply yet."
    return _UndatedOption("transfer_site", site.code, None, says, _hours(hours))


_VERBS = {"call_off": "Call off", "loan": "Borrow", "order": "Order"}


def _from_supplier(
    source: SupplySource, setting: _ShortageContext, way: str, lead_time_days: int | None
) -> _UndatedOption:
    figures, shortage = setting.figures, setting.shortage
    hours, what = figures.delivery_receiving_hours, "to book it in"
    if not source.comes_ready:
        hours, what = figures.loan_reprocessing_hours, "to reprocess it"
    terms = source.terms
    says = f"{_VERBS[way]} {source.ref} from {terms.supplier}: "
    if way == "loan" and terms.lends is None:
        says = f"Ask {terms.supplier} whether it lends {source.ref} (not known): "
    if lead_time_days is None:
        says += "the lead time is not known, so there is no deadline to give. Ask the supplier."
        return _UndatedOption(way, terms.supplier, shortage.quantity, says, None)
    says += f"{_days(lead_time_days, terms.calendar)} delivery, {hours:g} h {what}."
    if not terms.is_known:
        says += " Its working days and order cut-off are not set: every day is counted."

    def last_moment(starts: datetime) -> datetime:
        return last_order_moment(
            terms.calendar,
            starts,
            lead_time_days=lead_time_days,
            preparing_hours=hours,
            zone=setting.zone,
        )

    quantity = shortage.quantity if way == "order" else None
    return _UndatedOption(way, terms.supplier, quantity, says, last_moment)


def _days(number: int, calendar: Calendar) -> str:
    kind = "day" if calendar.works_on == EVERY_DAY else "working day"
    return f"{number} {kind}{'' if number == 1 else 's'}"


def first_order(ways: Sequence[SupplyOption]) -> SupplyOption | None:
    """Return the order to be made first, or ``None`` when nobody can say until when to order.

    Examples
    --------
    >>> first_order([]) is None
    True
    """
    known = [one for one in ways if one.way == "order" and one.last_moment is not None]
    return max(known, key=lambda one: (one.last_moment, one.ref), default=None)
