"""Each way to cover a shortage, with the last moment at which it still helps.

A way whose moment has passed stays in the answer and says so: it may be in time for a later list,
and nobody should go looking for it again. What cannot be known is said to be unknown.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

from service.core.calendar import EVERY_DAY, Calendar
from service.core.deadlines import hours_before, last_order_moment
from service.core.shortage import Missing, Shortage
from service.core.sources import OtherSite, Source
from service.core.supply_figures import SupplyFigures
from service.core.units import gone_on

__all__ = ["WAYS", "Way", "order_by", "ways_of"]

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
class Way:
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
class _Plan:
    """A way before its moments are worked out: from the start of a list to the last moment."""

    way: str
    source: str
    quantity: int | None
    says: str
    last_moment: Callable[[datetime], datetime] | None
    serves: Callable[[Missing], bool] = lambda _one: True


@dataclass(frozen=True, slots=True)
class _Setting:
    """What every way to cover one shortage is worked out with."""

    shortage: Shortage
    figures: SupplyFigures
    now: datetime
    zone: tzinfo


def ways_of(
    shortage: Shortage,
    sources: Iterable[Source],
    figures: SupplyFigures,
    now: datetime,
    zone: tzinfo,
) -> tuple[Way, ...]:
    """Give every way to cover a shortage.

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
    tuple of Way
        In the order of ``WAYS``, then of the references, then as the sources name them. Empty for
        what is not made.

    Notes
    -----
    The last moment is counted back from the start of the list, not of the case: packs are brought
    before a list begins. Source: common practice.

    Examples
    --------
    >>> from datetime import UTC
    >>> from service.core.case_checks import CaseToCheck
    >>> from service.core.gaps import Gap
    >>> from service.core.lines import Line
    >>> from service.core.sources import Source, Terms
    >>> from service.core.supply_figures import supply_figures
    >>> starts = datetime(2031, 3, 10, 8, 30, tzinfo=UTC)
    >>> case = CaseToCheck("K1", date(2031, 3, 10), starts, starts, ())
    >>> line = Line("screw", "screw 95 mm", ("A",), 1, "nominal", "first use")
    >>> gap = Gap("screw", "screw 95 mm", "size", "none_in_stock", 1, "none", ())
    >>> short = Shortage(("A",), "screw 95 mm", "implant", 1,
    ...     (Missing(case, "c", 0, line, gap, starts),))
    >>> source = Source("A", Terms("Supplier", Calendar(), True, False), 3)
    >>> (way,) = ways_of(short, [source], supply_figures({}), datetime(2031, 3, 3, tzinfo=UTC), UTC)
    >>> way.way, way.last_moment.isoformat(), way.has_passed
    ('order', '2031-03-06T23:59:00+00:00', False)
    """
    setting = _Setting(shortage, figures, now, zone)
    found = [_way(plan, source, setting) for source in sources for plan in _plans(source, setting)]
    return tuple(sorted(found, key=lambda one: WAYS.index(one.way)))


def _way(plan: _Plan, source: Source, setting: _Setting) -> Way:
    if plan.last_moment is None:
        return Way(plan.way, source.ref, plan.source, plan.quantity, None, None, (), plan.says)
    last = plan.last_moment(setting.shortage.first.list_starts)
    in_time = [
        one.case.case
        for one in setting.shortage.missing
        if plan.serves(one) and plan.last_moment(one.list_starts) >= setting.now
    ]
    helped = tuple(dict.fromkeys(in_time))
    has_passed, says = last < setting.now, plan.says
    if has_passed:
        says += " Too late for the list that needs it first."
        says += f" Still in time for {', '.join(helped)}." if helped else ""
    return Way(plan.way, source.ref, plan.source, plan.quantity, last, has_passed, helped, says)


def _plans(source: Source, setting: _Setting) -> Iterator[_Plan]:
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


def _here(source: Source, figures: SupplyFigures) -> Iterator[_Plan]:
    for one in source.lying:
        where = f"{one.quantity} of {source.ref} ({one.pack}) in {one.place}"
        if one.state == "unsterile":
            hours = figures.loan_reprocessing_hours
            if source.turnaround_minutes is not None:
                hours = source.turnaround_minutes / 60
            says = f"Reprocess {where}: {hours:g} h here."
            yield _Plan("reprocess", one.place, one.quantity, says, _hours(hours))
            continue
        hours = figures.store_transfer_hours
        if one.state == "quarantined":
            says = f"Release {where}, if whoever put it there finds it in order; {hours:g} h."
            yield _Plan("release", one.place, one.quantity, says, _hours(hours))
            continue
        held = f" It is promised to {', '.join(one.held_for)}: ask." if one.held_for else ""
        says = f"Bring {where}: free on that day; {hours:g} h.{held}"
        yield _Plan("transfer_store", one.place, one.quantity, says, _hours(hours))


def _hours(hours: float) -> Callable[[datetime], datetime]:
    return lambda starts: hours_before(starts, hours)


def _coming(source: Source, setting: _Setting) -> Iterator[_Plan]:
    starts, zone = setting.shortage.first.list_starts, setting.zone
    for one in source.coming:
        if one.due_at is None or one.usable_from is None:
            says = f"{one.quantity} of {source.ref} on {one.reference}: no date is known. Ask."
            yield _Plan("delivery", one.reference, one.quantity, says, None)
            continue
        preparing = one.usable_from - one.due_at
        due = f"{one.due_at.astimezone(zone):%Y-%m-%d %H:%M}"
        usable = f"{one.usable_from.astimezone(zone):%Y-%m-%d %H:%M}"
        says = f"{one.quantity} of {source.ref} on {one.reference}, due {due}, usable from {usable}"
        if one.due_at < setting.now:
            says = f"{says}: overdue, and not here. Ask where it is."
        elif one.usable_from > starts:
            says = f"{says}: not before that list. Have it hastened."
        else:
            says = f"{says}: in time if it comes as promised. It counts when it is here."
        yield _Plan(
            "delivery", one.reference, one.quantity, says, _back(preparing), _before(one.return_by)
        )


def _back(span: timedelta) -> Callable[[datetime], datetime]:
    return lambda starts: hours_before(starts, span / timedelta(hours=1))


def _before(return_by: date | None) -> Callable[[Missing], bool]:
    """Tell for which lines a loan would still be here."""
    gone = gone_on(None, return_by)
    return lambda one: gone is None or one.case.list_date < gone


def _from_site(source: Source, site: OtherSite, figures: SupplyFigures) -> _Plan:
    hours = figures.site_transfer_hours
    says = f"Ask {site.name} ({site.code}) for {source.ref}: what it has is not seen from here; "
    says += f"{hours:g} h from shelf to shelf."
    if site.asked:
        says += f" {site.asked} asked for already and not answered."
    return _Plan("transfer_site", site.code, None, says, _hours(hours))


_VERBS = {"call_off": "Call off", "loan": "Borrow", "order": "Order"}


def _from_supplier(
    source: Source, setting: _Setting, way: str, lead_time_days: int | None
) -> _Plan:
    figures, shortage = setting.figures, setting.shortage
    hours, what = figures.delivery_receiving_hours, "to receive it"
    if not source.comes_ready:
        hours, what = figures.loan_reprocessing_hours, "to reprocess it"
    terms = source.terms
    says = f"{_VERBS[way]} {source.ref} from {terms.supplier}: "
    if way == "loan" and terms.lends is None:
        says = f"Ask {terms.supplier} whether it lends {source.ref}, which is not known: "
    if lead_time_days is None:
        says += "its lead time is not known, so the last moment is not either. Ask."
        return _Plan(way, terms.supplier, shortage.quantity, says, None)
    says += f"{_days(lead_time_days, terms.calendar)} until it comes, {hours:g} h {what}."
    if not terms.is_known:
        says += " Its working days and cut-off are not known: every day is counted."

    def last_moment(starts: datetime) -> datetime:
        return last_order_moment(
            terms.calendar,
            starts,
            lead_time_days=lead_time_days,
            preparing_hours=hours,
            zone=setting.zone,
        )

    quantity = shortage.quantity if way == "order" else None
    return _Plan(way, terms.supplier, quantity, says, last_moment)


def _days(number: int, calendar: Calendar) -> str:
    kind = "day" if calendar.works_on == EVERY_DAY else "working day"
    return f"{number} {kind}{'' if number == 1 else 's'}"


def order_by(ways: Sequence[Way]) -> Way | None:
    """Give the order to be made first, or ``None`` when nobody can say until when to order.

    Examples
    --------
    >>> order_by([]) is None
    True
    """
    known = [one for one in ways if one.way == "order" and one.last_moment is not None]
    return max(known, key=lambda one: (one.last_moment, one.ref), default=None)
