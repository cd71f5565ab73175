"""What the site has seen used: records and ledger put together, and on which days it watched."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from service.core.case_kinds import case_kind
from service.core.demand import ItemRate, ItemUsage, item_rates
from service.core.gamma_poisson import JEFFREYS_SHAPE, GammaRate
from service.core.items import INSTRUMENT_SET_KINDS, ItemFacts
from service.core.size_families import family_of
from service.core.usage import LotLife, Use, days_present, merged_uses
from service.operations.unit import Unit
from service.storage.queries import catalogue
from service.storage.queries import demand as queries

__all__ = ["DAYS_BACK", "ItemSeen", "Seen", "Span", "see_usage"]

#: Uses from further back say little about the cases to come: an assumption, no source.
DAYS_BACK = 3 * 365


@dataclass(frozen=True, slots=True)
class Span:
    """Days on which uses were written down, both included."""

    first: date
    last: date

    @property
    def days(self) -> int:
        """How many days."""
        return (self.last - self.first).days + 1


@dataclass(frozen=True, slots=True)
class ItemSeen:
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
class Seen:
    """Everything demand rests on.

    Parameters
    ----------
    before, ledger
        The days of the records from before the ledger, and of the ledger; none where there are
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

    before: Span | None
    ledger: Span | None
    counted_once: int
    sites: int
    items: Mapping[str, ItemSeen]
    cases: int
    case_rate: GammaRate | None
    kinds: Mapping[str, int]
    kind_rates: Mapping[str, ItemRate]

    @property
    def days(self) -> int:
        """Days watched in all."""
        return sum(span.days for span in (self.before, self.ledger) if span is not None)


def see_usage(unit: Unit) -> Seen:
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
    return Seen(
        before,
        ledger,
        twice,
        queries.sites(unit.session),
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


def _spans(unit: Unit, start: date) -> tuple[Span | None, Span | None]:
    """Give the days of the records, as far as they come before the ledger, and of the ledger."""
    first = queries.first_line(unit.session, unit.site_id)
    ledger = None
    if first is not None:
        ledger = Span(max(start, unit.local(first).date()), unit.today)
    days = [row.used_on for row in queries.history(unit.session, start)]
    if ledger is not None:
        days = [day for day in days if day < ledger.first]
    return (Span(min(days), max(days)) if days else None), ledger


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
    spans: tuple[Span | None, Span | None],
    since: datetime,
) -> dict[str, ItemSeen]:
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
        rate.item: ItemSeen(
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
    lives: Sequence[LotLife], days: set[date], spans: tuple[Span | None, Span | None]
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
