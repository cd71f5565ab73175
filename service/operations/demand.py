"""Demand: how often each item is used, with what is known and what is not."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from service.core.catalogue import INSTRUMENT_SET_KINDS, ITEM_KINDS, ItemFacts
from service.core.demand.rates import JEFFREYS_SHAPE, GammaRate, ItemRate, ItemUsage, item_rates
from service.core.demand.size_shares import SizeFamily, SizeShare, curves, family_of, size_families
from service.core.demand.usage import LotLife, Use, case_kind, days_present, merged_uses
from service.errors import BadInput, FieldFault
from service.operations.work import Unit
from service.schemas.demand import CaseKindRate, DemandOut, ItemDemand, RateOut, ShareOut, Watched
from service.storage.queries import catalogue
from service.storage.queries import demand as queries

DAYS_PER_YEAR = 365.25


#: Below so many days a rate is mostly the interval around it.
_SHORT_DAYS = 90


def demand(unit: Unit, kind: str | None, system: str | None) -> DemandOut:
    """Return what was used, and how many a year that makes, of items of a kind and a system.

    Raises
    ------
    BadInput
        When there is no such kind.
    """
    if kind is not None and kind not in ITEM_KINDS:
        raise BadInput(
            "Unknown kind of item.", faults=[FieldFault("/kind", f"'{kind}' is not a kind of item")]
        )
    seen = read_usage_history(unit)
    shares = curves(
        size_families(one.facts for one in seen.items.values()),
        {ref: one.used for ref, one in seen.items.items()},
    )
    wanted = [
        one
        for one in seen.items.values()
        if kind in (None, one.facts.kind) and system in (None, one.facts.system)
    ]
    return DemandOut(
        watched=_watched(seen),
        cases=seen.cases,
        cases_per_year=_cases_per_year(seen),
        case_kinds=_case_kinds(seen),
        counted_once=seen.counted_once,
        items=[_item(one, shares[one.facts.ref]) for one in wanted],
        notes=_notes(seen),
    )


def rate_per_year(rate: ItemRate) -> RateOut | None:
    """Return a rate a year, or none where nothing is known."""
    if rate.mean_per_day is None or rate.lower_per_day is None or rate.upper_per_day is None:
        return None
    return RateOut(
        mean=rate.mean_per_day * DAYS_PER_YEAR,
        lower=rate.lower_per_day * DAYS_PER_YEAR,
        upper=rate.upper_per_day * DAYS_PER_YEAR,
    )


@dataclass(frozen=True, slots=True)
class WatchedSpan:
    """Days on which uses were written down, both included."""

    first: date
    last: date

    @property
    def days(self) -> int:
        """How many days."""
        return (self.last - self.first).days + 1


@dataclass(frozen=True, slots=True)
class ItemHistory:
    """One item: units used and wasted, days it was there, and days it was known to be missing.

    Parameters
    ----------
    days_before
        Days before the ledger on which it is taken to have been there.
    """

    facts: ItemFacts
    used: int
    wasted: int
    days_before: int
    days_there: int
    days_without: int
    rate: ItemRate

    @property
    def exposure_days(self) -> int:
        """Days on which it was there to be used."""
        return self.days_before + self.days_there


@dataclass(frozen=True, slots=True)
class UsageHistory:
    """Everything demand rests on.

    Parameters
    ----------
    before, ledger
        The days of the records from before go-live, and of the ledger; none where there are
        none.
    counted_once
        Units on record in both, counted once.
    case_rate
        Cases a day as a gamma distribution, or none where no case is on record.
    kinds
        Cases by kind.
    kind_rates
        Rate of each kind, drawn to the mean of all kinds as far as its cases are few.
    """

    before: WatchedSpan | None
    ledger: WatchedSpan | None
    counted_once: int
    sites: int
    items: Mapping[str, ItemHistory]
    cases: int
    case_rate: GammaRate | None
    kinds: Mapping[str, int]
    kind_rates: Mapping[str, ItemRate]

    @property
    def days(self) -> int:
        """Days watched in all."""
        return sum(span.days for span in (self.before, self.ledger) if span is not None)


def _watched(seen: UsageHistory) -> list[Watched]:
    spans = (("records from before go-live", seen.before), ("ledger", seen.ledger))
    return [
        Watched(source=source, first=span.first, last=span.last, days=span.days)
        for source, span in spans
        if span is not None
    ]


def _cases_per_year(seen: UsageHistory) -> RateOut | None:
    if seen.case_rate is None:
        return None
    low, high = seen.case_rate.interval_per_day()
    return RateOut(
        mean=seen.case_rate.mean_per_day * DAYS_PER_YEAR,
        lower=low * DAYS_PER_YEAR,
        upper=high * DAYS_PER_YEAR,
    )


def _case_kinds(seen: UsageHistory) -> list[CaseKindRate]:
    means = {kind: rate.mean_per_day or 0.0 for kind, rate in seen.kind_rates.items()}
    total = sum(means.values())
    return [
        CaseKindRate(
            kind=kind,
            cases=count,
            per_year=rate_per_year(seen.kind_rates[kind]),
            share=means[kind] / total if total > 0.0 else 0.0,
        )
        for kind, count in sorted(seen.kinds.items(), key=lambda pair: (-pair[1], pair[0]))
    ]


def _item(one: ItemHistory, share: tuple[SizeFamily, SizeShare]) -> ItemDemand:
    family, part = share
    alone = family.axis is None or len(family.members) == 1
    return ItemDemand(
        ref=one.facts.ref,
        description=one.facts.description,
        kind=one.facts.kind,
        system=one.facts.system,
        family=family_of(one.facts),
        used=one.used,
        wasted=one.wasted,
        exposure_days=one.exposure_days,
        taken_as_there_days=one.days_before,
        days_without=one.days_without,
        per_year=rate_per_year(one.rate),
        share=None
        if alone
        else ShareOut(of=family.name, share=part.share, lower=part.lower, upper=part.upper),
        notes=_item_notes(one),
    )


def _item_notes(one: ItemHistory) -> list[str]:
    notes = []
    if one.rate.mean_per_day is None:
        notes.append("Not known: neither this item nor its family was ever in stock.")
    elif one.exposure_days == 0:
        notes.append("New here: its family's rate is used.")
    elif one.used == 0:
        notes.append("Never used: its rate is drawn from its family's.")
    if one.days_without:
        notes.append(f"{one.days_without} days out of stock are left out.")
    return notes


def _notes(seen: UsageHistory) -> list[str]:
    if not seen.days:
        return ["No use is recorded yet: import past usage, or wait until some is used."]
    notes = []
    if seen.before is not None:
        notes.append(
            f"Stock levels before go-live ({seen.before.first} to {seen.before.last}) are not "
            "known: days out of stock then look like days without demand."
        )
        if seen.sites > 1:
            notes.append("Records from before go-live name no site: all count for this one.")
    if seen.days < _SHORT_DAYS:
        notes.append(f"Only {seen.days} days on record: mind the intervals.")
    if seen.counted_once:
        notes.append(
            f"{seen.counted_once} units recorded both before and after go-live: counted once."
        )
    return notes


#: Uses from further back say little about the cases to come: an assumption, no source.
DAYS_BACK = 3 * 365


def read_usage_history(unit: Unit) -> UsageHistory:
    """Read what was used in the last three years, and on which days things were there."""
    start = unit.today - timedelta(days=DAYS_BACK)
    since = datetime.combine(start, time(), tzinfo=unit.zone).astimezone(UTC)
    facts = {
        one.ref: one
        for one in catalogue.all_facts(unit.session)
        if one.kind not in INSTRUMENT_SET_KINDS
    }
    before, ledger = _spans(unit, start)
    uses, twice = merged_uses(_records(unit, start), _lines(unit, since))
    uses = tuple(use for use in uses if use.item in facts)
    items = _items(unit, facts, uses, (before, ledger), since)
    kinds = _kinds(facts, uses)
    cases = sum(kinds.values())
    days = sum(span.days for span in (before, ledger) if span is not None)
    rates = item_rates([ItemUsage(kind, "cases", count, days) for kind, count in kinds.items()])
    return UsageHistory(
        before,
        ledger,
        twice,
        queries.count_stocked_sites(unit.session),
        items,
        cases,
        GammaRate(JEFFREYS_SHAPE + cases, days) if cases else None,
        kinds,
        {rate.item: rate for rate in rates},
    )


def _records(unit: Unit, start: date) -> list[Use]:
    return [
        Use(
            row.ref,
            row.used_on,
            row.quantity,
            row.lot_number,
            row.case_reference,
            row.outcome == "wasted",
        )
        for row in queries.history(unit.session, start)
    ]


def _lines(unit: Unit, since: datetime) -> list[Use]:
    return [
        Use(
            row.ref,
            unit.local(row.at).date(),
            row.quantity,
            row.lot_number or row.serial,
            row.reference,
            row.kind == "waste",
        )
        for row in queries.used_in_ledger(unit.session, unit.site_id, since)
    ]


def _spans(unit: Unit, start: date) -> tuple[WatchedSpan | None, WatchedSpan | None]:
    """Return the days of the records, as far as they come before the ledger, and of the ledger."""
    first = queries.first_line(unit.session, unit.site_id)
    ledger = None
    if first is not None:
        ledger = WatchedSpan(max(start, unit.local(first).date()), unit.today)
    days = [row.used_on for row in queries.history(unit.session, start)]
    if ledger is not None:
        days = [day for day in days if day < ledger.first]
    return (WatchedSpan(min(days), max(days)) if days else None), ledger


def _kinds(facts: Mapping[str, ItemFacts], uses: Sequence[Use]) -> dict[str, int]:
    """Count the cases of each kind; a use without a case's name belongs to no case."""
    implanted: dict[str, set[str]] = defaultdict(set)
    for use in uses:
        if use.case and not use.wasted:
            implanted[use.case].add(use.item)
    found = (case_kind(facts[ref] for ref in refs) for refs in implanted.values())
    return dict(sorted(Counter(kind for kind in found if kind is not None).items()))


def _items(
    unit: Unit,
    facts: Mapping[str, ItemFacts],
    uses: Sequence[Use],
    spans: tuple[WatchedSpan | None, WatchedSpan | None],
    since: datetime,
) -> dict[str, ItemHistory]:
    before, ledger = spans
    lives = _lives(unit, since) if ledger is not None else {}
    used: Counter[str] = Counter()
    wasted: Counter[str] = Counter()
    days_of: dict[str, set[date]] = defaultdict(set)
    for use in uses:
        (wasted if use.wasted else used)[use.item] += use.quantity
        days_of[use.item].add(use.day)
    there = {
        ref: 0 if ledger is None else days_present(lives.get(ref, ()), ledger.first, ledger.last)
        for ref in facts
    }
    early = {
        ref: before.days if before and _was_there(lives.get(ref, ()), days_of[ref], spans) else 0
        for ref in facts
    }
    # What was used was there, whatever the shelf's books say of that day.
    least = {ref: max(0, len(days_of[ref]) - early[ref] - there[ref]) for ref in facts}
    rates = item_rates(
        [
            ItemUsage(ref, family_of(one), used[ref], early[ref] + there[ref] + least[ref])
            for ref, one in facts.items()
        ]
    )
    return {
        rate.item: ItemHistory(
            facts[rate.item],
            used[rate.item],
            wasted[rate.item],
            early[rate.item],
            there[rate.item] + least[rate.item],
            0 if ledger is None else ledger.days - there[rate.item],
            rate,
        )
        for rate in rates
    }


def _was_there(
    lives: Sequence[LotLife], days: set[date], spans: tuple[WatchedSpan | None, WatchedSpan | None]
) -> bool:
    """Tell whether an item is taken to have been there before the ledger: used then, or counted.

    Nobody wrote down what lay on the shelves then. An item that was neither used nor on its shelf
    when the ledger began counts as new: its days without are not read as days without demand.
    """
    before, ledger = spans
    if before is None:
        return False
    if any(day <= before.last for day in days):
        return True
    return ledger is not None and days_present(lives, ledger.first, ledger.first) > 0


def _lives(unit: Unit, since: datetime) -> dict[str, list[LotLife]]:
    changes: dict[int, list[tuple[date, int]]] = defaultdict(list)
    for row in queries.usable_changes(unit.session, unit.site_id, since):
        change = row.quantity if row.comes else -row.quantity
        changes[row.lot_id].append((unit.local(row.at).date(), change))
    lives: dict[str, list[LotLife]] = defaultdict(list)
    for lot in queries.lots_there(unit.session, unit.site_id):
        life = LotLife(tuple(changes[lot.id]), int(lot.quantity), lot.use_by)
        lives[lot.ref].append(life)
    return lives
