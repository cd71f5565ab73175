"""The case mix: plans stand for the cases to come, weighted by what past cases used."""

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from service.core.catalogue import ItemFacts
from service.core.constructs.planned import read_planned
from service.core.cover.units import StockUnits
from service.core.demand.rates import ItemUsage, item_rates
from service.core.demand.size_shares import curves, size_families
from service.core.demand.usage import case_kind
from service.core.par.case_mix import SizeUse, with_seen_sizes
from service.core.readiness.from_plans import CasePlan, problem_of
from service.core.sizing import SizingError
from service.core.sizing.film import Measurements, estimate_dimensions
from service.operations.cases.plans import faults_of_construct, plan_body
from service.operations.demand import UsageHistory
from service.operations.planner import PlannerContext, planner_of
from service.operations.work import Unit
from service.storage.queries import cases, catalogue
from service.storage.tables import Plan, SurgicalCase

#: From how far back, and how far ahead, plans stand for the cases to come.
DAYS_BACK, DAYS_AHEAD = 548, 62


Case = dict[str, Any]


@dataclass(frozen=True, slots=True)
class CaseKindShare:
    """A kind of case with plans: cases seen, share of the stream, and kinds it stands in for."""

    name: str
    cases: int
    plans: int
    share: float
    stands_for: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CaseMix:
    """Weighted cases in the form of a readiness problem.

    Parameters
    ----------
    entries
        Weight and case; the weights sum to 1.
    kind_of
        The kind of each case, by its name.
    minutes
        How long a case takes on average.
    missing
        Kinds that were seen and that no plan can stand for, with how many cases.
    unsized
        Cases whose plans cannot be sized.
    """

    entries: tuple[tuple[float, Case], ...]
    kinds: tuple[CaseKindShare, ...]
    kind_of: Mapping[str, str]
    minutes: float
    missing: Mapping[str, int]
    unsized: int


@dataclass(frozen=True, slots=True)
class _SizedPlans:
    """Plans that can be sized, nearest to today first, and how many cannot."""

    found: tuple[CasePlan, ...]
    unsized: int


def refs_of(item: str) -> list[str]:
    """Return the references that stand for each other under one name of a readiness problem."""
    return [ref for ref in item.split("|") if ref != "…"]


def case_mix(unit: Unit, seen: UsageHistory, most: int) -> CaseMix:
    """Build the case mix from at most some plans.

    Parameters
    ----------
    shop
        Templates and catalogue.
    seen
        What past cases used.
    most
        How many plans at most; each kind keeps its share of places, and at least one.
    """
    plans = _plans(unit)
    facts = planner_of(unit).catalogue.by_ref
    made = _cases(unit, seen, plans.found)
    kind_of = {name: _kind_of(case, facts) for name, case in made.items()}
    chosen = _chosen(plans.found, kind_of, most)
    counts = Counter(kind_of[plan.case] for plan in chosen)
    kinds, missing = _kinds(seen, counts)
    share = {kind.name: kind.share / kind.plans for kind in kinds}
    weights = [share[kind_of[plan.case]] for plan in chosen]
    weighted = [
        (weight, made[plan.case]) for weight, plan in zip(weights, chosen, strict=True) if weight
    ]
    cases_ = with_seen_sizes(weighted, _seen_sizes(seen, [case for _, case in weighted]))
    return CaseMix(
        tuple((weight, case) for (weight, _), case in zip(weighted, cases_, strict=True)),
        kinds,
        {plan.case: kind_of[plan.case] for plan in chosen},
        _minutes(chosen),
        missing,
        plans.unsized,
    )


def _plans(unit: Unit) -> _SizedPlans:
    values = planner_of(unit).values
    first, last = (unit.today + timedelta(days=days) for days in (-DAYS_BACK, DAYS_AHEAD))
    pairs = cases.cases_between(unit.session, unit.site_id, first, last)
    pairs.sort(key=lambda pair: (abs((pair[0].list_date - unit.today).days), pair[1].reference))
    stored = cases.latest_plans(unit.session, [key for _, row in pairs if (key := row.id)])
    found, unsized = [], 0
    for _, row in pairs:
        plan = stored.get(row.id or 0)
        sized = None if plan is None or not values else _case_plan(row, plan, planner_of(unit))
        if sized is not None:
            found.append(sized)
        elif plan is not None:
            unsized += 1
    return _SizedPlans(tuple(found), unsized)


def _case_plan(row: SurgicalCase, plan: Plan, planner: PlannerContext) -> CasePlan | None:
    body = plan_body(plan)
    planned = tuple(read_planned(text) for text in (body.primary, *body.alternates))
    if any(faults_of_construct(one, planner) for one in planned):
        return None
    try:
        dimensions = estimate_dimensions(Measurements(**row.measurements), row.sex, planner.values)
    except SizingError:
        # The case page says what is wrong with the measurements; here the case is counted.
        return None
    needs = tuple((need.need, need.probability, tuple(need.constructs)) for need in body.needs)
    return CasePlan(row.reference, row.starts_at, row.ends_at, row.side, planned, needs, dimensions)


def _cases(unit: Unit, seen: UsageHistory, plans: Sequence[CasePlan]) -> dict[str, Case]:
    """Write the cases; where a role shares some of its items, the item used most stands for it."""
    used = [StockUnits(ref, ref, one.used) for ref, one in seen.items.items() if one.used]
    planner = planner_of(unit)
    problem: dict[str, Any] = problem_of(
        plans,
        templates=planner.templates,
        catalogue=planner.catalogue.by_kind,
        values=planner.values,
        parcels=used,
        turnarounds=catalogue.turnarounds(unit.session),
        zone=unit.zone,
    )
    return {case["case"]: case for case in problem["cases"]}


def _first(case: Case) -> str:
    """Name the first choice of a case: what its likeliest answered need takes first."""
    answered = [need for need in case["needs"] if need["constructs"]]
    if not answered:
        return str(case["constructs"][0]["construct"])
    likeliest = max(answered, key=lambda need: float(need["probability"]))
    return str(likeliest["constructs"][0])


def _kind_of(case: Case, facts: Mapping[str, ItemFacts]) -> str:
    first = _first(case)
    refs = {
        ref
        for name, construct in _items_by_construct(case)
        if construct == first
        for ref in refs_of(name)
    }
    return case_kind(facts[ref] for ref in refs if ref in facts) or first


def _items_by_construct(case: Case) -> Iterator[tuple[str, str]]:
    """Return every item with the construct that may take it."""
    for construct in case["constructs"]:
        for take in construct["takes"]:
            for entry in take["items"]:
                yield from ((name, construct["construct"]) for name in entry or ())


def _chosen(plans: Sequence[CasePlan], kind_of: Mapping[str, str], most: int) -> list[CasePlan]:
    """Take the plans nearest to today, in turns from each kind, until there are enough."""
    queues: dict[str, list[CasePlan]] = defaultdict(list)
    for plan in plans:
        queues[kind_of[plan.case]].append(plan)
    chosen: list[CasePlan] = []
    turn = 0
    while len(chosen) < most and any(len(queue) > turn for queue in queues.values()):
        chosen += [queue[turn] for queue in queues.values() if len(queue) > turn]
        turn += 1
    return chosen


def _kinds(
    seen: UsageHistory, plans: Mapping[str, int]
) -> tuple[tuple[CaseKindShare, ...], dict[str, int]]:
    """Share the stream out among the kinds that have plans."""
    if not seen.kinds or not plans:
        count_of_all = sum(plans.values())
        return tuple(
            CaseKindShare(kind, 0, count, count / count_of_all, ())
            for kind, count in sorted(plans.items())
        ), dict(seen.kinds)
    names = sorted({*seen.kinds, *plans})
    usage = [ItemUsage(kind, "cases", seen.kinds.get(kind, 0), seen.days) for kind in names]
    rates = {rate.item: rate.mean_per_day or 0.0 for rate in item_rates(usage)}
    stands = {kind: _stand_in(kind, plans) for kind in names}
    missing = {kind: seen.kinds[kind] for kind in names if stands[kind] is None}
    total = math.fsum(rates[kind] for kind in names if stands[kind] is not None)
    kinds = []
    for kind in sorted(plans):
        own = [name for name in names if stands[name] == kind]
        kinds.append(
            CaseKindShare(
                kind,
                sum(seen.kinds.get(name, 0) for name in own),
                plans[kind],
                math.fsum(rates[name] for name in own) / total,
                tuple(name for name in own if name != kind),
            )
        )
    return tuple(kinds), missing


def _stand_in(kind: str, plans: Mapping[str, int]) -> str | None:
    """Return the planned kind nearest to a kind: itself, or the one with most of it in common."""
    if kind in plans:
        return kind
    words = set(kind.split(" + "))
    alike = {one: len(words & set(one.split(" + "))) for one in plans}
    best = max(sorted(plans), key=lambda one: (alike[one], -len(one.split(" + ")), plans[one]))
    return best if alike[best] else None


def _seen_sizes(seen: UsageHistory, made: Sequence[Case]) -> dict[str, SizeUse]:
    """Return how often each size was used, smoothed, for the items the cases name."""
    known = [one.facts for one in seen.items.values()]
    families = size_families(known)
    used = {ref: one.used for ref, one in seen.items.items()}
    totals = {family.name: sum(used[ref] for ref, _ in family.members) for family in families}
    shares = curves(families, used)
    sizes = {}
    for name in {name for case in made for name, _ in _items_by_construct(case)}:
        refs = [ref for ref in refs_of(name) if ref in shares]
        if refs:
            own = sorted({shares[ref][0].name for ref in refs})
            uses = sum(shares[ref][1].share * totals[shares[ref][0].name] for ref in refs)
            sizes[name] = SizeUse("; ".join(own), uses)
    return sizes


def _minutes(plans: Sequence[CasePlan]) -> float:
    spans = [plan.ends - plan.starts for plan in plans]
    return sum(span.total_seconds() / 60 for span in spans) / len(spans) if spans else 0.0
