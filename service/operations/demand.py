"""Demand: how often each item is used, with what is known and what is not."""

from service.core.demand import ItemRate
from service.core.dirichlet import SizeShare
from service.core.items import ITEM_KINDS
from service.core.size_families import SizeFamily, curves, family_of, size_families
from service.errors import BadInput, FieldFault
from service.operations.schemas.demand import (
    CaseKindRate,
    DemandOut,
    ItemDemand,
    RateOut,
    ShareOut,
    Watched,
)
from service.operations.unit import Unit
from service.operations.usage_seen import ItemSeen, Seen, see_usage

__all__ = ["demand", "rate_per_year"]

DAYS_PER_YEAR = 365.25
#: Below so many days a rate is mostly the interval around it.
_SHORT_DAYS = 90


def demand(unit: Unit, kind: str | None, system: str | None) -> DemandOut:
    """Give what was used, and how many a year that makes, of items of a kind and a system.

    Raises
    ------
    BadInput
        When there is no such kind.
    """
    if kind is not None and kind not in ITEM_KINDS:
        raise BadInput("There is no such kind.", faults=[FieldFault("/kind", f"'{kind}' unknown")])
    seen = see_usage(unit)
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
    """Give a rate a year, or none where nothing is known."""
    if rate.mean_per_day is None or rate.lower_per_day is None or rate.upper_per_day is None:
        return None
    return RateOut(
        mean=rate.mean_per_day * DAYS_PER_YEAR,
        lower=rate.lower_per_day * DAYS_PER_YEAR,
        upper=rate.upper_per_day * DAYS_PER_YEAR,
    )


def _watched(seen: Seen) -> list[Watched]:
    spans = (("records from before the ledger", seen.before), ("ledger", seen.ledger))
    return [
        Watched(source=source, first=span.first, last=span.last, days=span.days)
        for source, span in spans
        if span is not None
    ]


def _cases_per_year(seen: Seen) -> RateOut | None:
    if seen.case_rate is None:
        return None
    low, high = seen.case_rate.interval_per_day()
    return RateOut(
        mean=seen.case_rate.mean_per_day * DAYS_PER_YEAR,
        lower=low * DAYS_PER_YEAR,
        upper=high * DAYS_PER_YEAR,
    )


def _case_kinds(seen: Seen) -> list[CaseKindRate]:
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


def _item(one: ItemSeen, share: tuple[SizeFamily, SizeShare]) -> ItemDemand:
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


def _item_notes(one: ItemSeen) -> list[str]:
    notes = []
    if one.rate.mean_per_day is None:
        notes.append("Nothing is known: neither it nor anything of its family was ever there.")
    elif one.exposure_days == 0:
        notes.append("New here: its rate is its family's.")
    elif one.used == 0:
        notes.append("Never used: its rate leans on its family's.")
    if one.days_without:
        notes.append(f"{one.days_without} days without any in stock are left out.")
    return notes


def _notes(seen: Seen) -> list[str]:
    if not seen.days:
        return ["No use is on record: import the usage, or wait for the ledger to see some."]
    notes = []
    if seen.before is not None:
        notes.append(
            f"Before the ledger, {seen.before.first} to {seen.before.last}, uses are on record and "
            "shelves are not: days out of stock then cannot be told from days without demand."
        )
        if seen.sites > 1:
            notes.append("Those records name no site: all of them count for this one.")
    if seen.days < _SHORT_DAYS:
        notes.append(f"Only {seen.days} days were watched: mind the intervals.")
    if seen.counted_once:
        notes.append(f"{seen.counted_once} units were on record and in the ledger: counted once.")
    return notes
