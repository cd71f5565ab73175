"""The par problem of a site, from its own plans, usage, catalogue and shelves."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

import numpy as np
from sqlalchemy import Row

from service.core.catalogue import INSTRUMENT_SET_KINDS
from service.core.cover.units import unusable_reason
from service.core.par import (
    CaseMixTerms,
    ParError,
    ParModel,
    ParPlan,
    ParProblem,
    ParTooLarge,
    build_model,
    expected_short,
    expiry_cost,
    level_for,
    plan_par,
)
from service.errors import BadInput, Conflict, FieldFault
from service.operations.demand import DAYS_PER_YEAR, UsageHistory, read_usage_history
from service.operations.par.case_mix import Case, CaseMix, case_mix, refs_of
from service.operations.planner import planner_of
from service.operations.readiness import par_refusal
from service.operations.stock_units import units_of
from service.operations.work import Unit
from service.schemas.par import OnShelf, ReadinessOut
from service.schemas.par_problem import par_problem_from
from service.storage.queries import demand as demand_queries
from service.storage.queries import par as queries
from service.storage.queries import stock
from service.storage.tables import ParLevel

#: Fewer plans are tried where more would make a problem too large to answer.
_MOST_PLANS = (60, 30, 15, 8)


#: What first choices use at least so often a year is kept in any case: an assumption, no source.
_KEPT_FROM_PER_YEAR = 0.5


#: How surely such an item is there by itself. Lower, and the levels lean on alternates, whose own
#: use the model then misses; measured on the demo, 0.98 costs 2 % more than one unit of each and
#: keeps first choices within 0.05 of the readiness.
_KEPT_WITH = 0.98


@dataclass(frozen=True, slots=True)
class StockedItem:
    """One item whose level is judged.

    Parameters
    ----------
    name
        Its name in the case mix.
    refs
        The references that stand for it, the one used most first.
    today
        The level of each reference today.
    shelf_life_days
        Median of days from receipt to use-by date, or None where no lot tells.
    """

    name: str
    refs: tuple[str, ...]
    today: Mapping[str, int]
    unit_price_minor: int
    lead_time_days: int
    shelf_life_days: float | None

    @property
    def level_today(self) -> int:
        """Units of all its references together."""
        return sum(self.today.values())


@dataclass(frozen=True, slots=True)
class UnjudgedItem:
    """An item that cannot be judged, and why."""

    ref: str
    why: str


def on_shelf(unit: Unit) -> dict[str, OnShelf]:
    """Return the units on the site's shelves that count towards a level, by reference."""
    recalled = planner_of(unit).recalled
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for row in stock.stock_rows(unit.session, site_id=unit.site_id, filters={}):
        # A loan goes back: it is nobody's level. What is promised is on the shelf until it is used.
        stays = row.location_kind == "shelf" and row.ownership in {"owned", "consigned"}
        if stays and unusable_reason(units_of(row, recalled), unit.today) is None:
            found[row.ref][row.ownership] += row.quantity
    return {
        ref: OnShelf(owned=units["owned"], consigned=units["consigned"])
        for ref, units in found.items()
    }


@dataclass(frozen=True, slots=True)
class ShelfFacts:
    """Everything about the items of the case mix that is not in the plans."""

    kept: tuple[StockedItem, ...]
    left: tuple[UnjudgedItem, ...]
    currency: str
    facts: Mapping[str, Row[Any]]
    on_shelf: Mapping[str, OnShelf]
    levels: Mapping[str, ParLevel]


@dataclass(frozen=True, slots=True)
class ParBasis:
    """A site's par problem and what it was made from.

    Parameters
    ----------
    problem
        Without levels, target or budget of its own; its items have no minimum.
    terms, model
        Its case mix walked over, and the problem made ready to evaluate.
    demands
        Chance that a case takes k units, by item and k.
    minimums
        Units never gone below, by item: sets of them, the highest first, the last without any.
    sets
        Instrument sets the cases ask for, with the chance that a case takes one.
    """

    seen: UsageHistory
    mix: CaseMix
    shelf: ShelfFacts
    arrivals_per_day: float
    arrivals_bounds: tuple[float, float]
    arrivals_from: str
    problem: ParProblem
    terms: CaseMixTerms
    model: ParModel
    demands: Mapping[str, Mapping[int, float]]
    minimums: tuple[Mapping[str, int], ...]
    sets: Mapping[str, float]


def read_par_basis(unit: Unit, arrivals_per_day: float | None, *, keep_first: bool) -> ParBasis:
    """Read everything the par levels of a site rest on.

    Parameters
    ----------
    arrivals_per_day
        Cases a day, or None for as many as the usage shows.
    keep_first
        Whether an item that first choices use now and then has a minimum.

    Raises
    ------
    Conflict
        When there is no plan to stand for the cases, or nothing tells how many there are.
    TooLarge
        When even a few plans make the problem too large.
    """
    seen = read_usage_history(unit)
    rate, bounds, source = _arrivals(seen, arrivals_per_day)
    fitted = _fitted(unit, seen, rate)
    mix, shelf, problem, terms = fitted.mix, fitted.shelf, fitted.problem, fitted.terms
    demands = {one.name: units for one, units in zip(shelf.kept, terms.units_per_case, strict=True)}
    return ParBasis(
        seen,
        mix,
        shelf,
        rate,
        bounds,
        source,
        problem,
        terms,
        build_model(problem, terms),
        demands,
        _minimums(shelf.kept, demands, rate, keep_first=keep_first),
        {name: _chance_of(mix, name) for name in fitted.sets},
    )


@dataclass(frozen=True, slots=True)
class _FittedProblem:
    """As many plans as make a problem that can be answered, and the problem."""

    mix: CaseMix
    shelf: ShelfFacts
    problem: ParProblem
    terms: CaseMixTerms
    sets: tuple[str, ...]


def _fitted(unit: Unit, seen: UsageHistory, arrivals_per_day: float) -> _FittedProblem:
    for most in _MOST_PLANS[:-1]:
        try:
            return _fit(unit, seen, arrivals_per_day, most)
        except ParTooLarge:
            continue
    try:
        return _fit(unit, seen, arrivals_per_day, _MOST_PLANS[-1])
    except ParTooLarge as error:
        raise par_refusal(error) from error


def _fit(unit: Unit, seen: UsageHistory, arrivals_per_day: float, most: int) -> _FittedProblem:
    mix = case_mix(unit, seen, most)
    if not mix.entries:
        raise Conflict(
            "No case has a plan with sizes, so there is nothing to work from. Plan the upcoming "
            "cases first."
        )
    sets = {one.ref for one in planner_of(unit).facts if one.kind in INSTRUMENT_SET_KINDS}
    names = sorted({name for _, case in mix.entries for name in items_of(case)})
    shelf = read_shelf_facts(unit, [name for name in names if name not in sets], seen)
    problem = par_problem(mix, shelf.kept, arrivals_per_day)
    asked = tuple(name for name in names if name in sets)
    return _FittedProblem(mix, shelf, problem, CaseMixTerms(problem), asked)


def _minimums(
    kept: tuple[StockedItem, ...],
    demands: Mapping[str, Mapping[int, float]],
    arrivals_per_day: float,
    *,
    keep_first: bool,
) -> tuple[Mapping[str, int], ...]:
    """Return the floors to try: what makes an item there by itself, then one of each, then none."""
    none = {one.name: 0 for one in kept}
    if not keep_first:
        return (none,)
    sure, single = dict(none), dict(none)
    for one in kept:
        units = demands[one.name]
        per_case = sum(number * chance for number, chance in units.items())
        if per_case * arrivals_per_day * DAYS_PER_YEAR >= _KEPT_FROM_PER_YEAR:
            single[one.name] = 1
            level = level_for(arrivals_per_day * one.lead_time_days, units, _KEPT_WITH)
            sure[one.name] = level or 1
    return sure, single, none


def _arrivals(seen: UsageHistory, given: float | None) -> tuple[float, tuple[float, float], str]:
    if given is not None:
        return given, (given, given), "entered by hand"
    if seen.case_rate is None:
        reason = "no past case is on record: import past usage, or enter the cases a day"
        raise BadInput(
            "The levels cannot be proposed.", faults=[FieldFault("/arrivals_per_day", reason)]
        )
    says = f"{seen.cases} cases on record in {seen.days} days"
    return seen.case_rate.mean_per_day, seen.case_rate.interval_per_day(), says


def items_of(case: Case) -> set[str]:
    """Return every item some construct of a case may take."""
    return {
        name
        for construct in case["constructs"]
        for take in construct["takes"]
        for entry in take["items"]
        for name in entry or ()
    }


def par_problem(mix: CaseMix, kept: tuple[StockedItem, ...], arrivals_per_day: float) -> ParProblem:
    """Write the par problem; its levels are asked for later."""
    raw: dict[str, Any] = {
        "arrivals_per_day": arrivals_per_day,
        "case_mix": [{"weight": weight, "case": case} for weight, case in mix.entries],
        "items": [
            {
                "item": one.name,
                "unit_cost": one.unit_price_minor,
                "lead_time_days": one.lead_time_days,
                "shelf_life_days": one.shelf_life_days,
            }
            for one in kept
        ],
        "budget": 0,
    }
    try:
        return par_problem_from(raw)
    except ParTooLarge:
        raise
    except ParError as error:
        raise par_refusal(error) from error


def _chance_of(mix: CaseMix, name: str) -> float:
    """Return the chance that a case's first choice takes an item that hangs on no size."""
    total = sum(weight for weight, _ in mix.entries)
    chance = 0.0
    for weight, case in mix.entries:
        takes = {
            construct["construct"]: any(
                name in (entry or ()) for take in construct["takes"] for entry in take["items"]
            )
            for construct in case["constructs"]
        }
        chance += weight * sum(
            need["probability"]
            for need in case["needs"]
            if need["constructs"] and takes[need["constructs"][0]]
        )
    return chance / total


Levels = Mapping[str, int]


#: Readiness that no money is spent on.
_NEXT_TO_NOTHING = 0.0002


def plan_levels(
    setting: ParBasis, target: float | None, budget_minor: int | None
) -> tuple[ParPlan, int]:
    """Choose levels for a target or a budget.

    Returns
    -------
    ParPlan, int
        The plan; and which of the setting's minimums it keeps: a budget is spent with the first
        that it pays for, and not beyond what comes within 0.0002 of the best there is.
    """
    number = 0
    if budget_minor is not None:
        ample = float(setting.model.readiness.value(setting.model.tops)) - _NEXT_TO_NOTHING
        enough = _plan(setting, 0, max(0.0, ample), None)
        if enough.cost_minor <= budget_minor:
            return enough, 0
        kept = {one.name: one for one in setting.shelf.kept}
        costs = [
            sum(level * kept[name].unit_price_minor for name, level in floors.items())
            for floors in setting.minimums
        ]
        number = next(place for place, cost in enumerate(costs) if cost <= budget_minor)
    return _plan(setting, number, target, budget_minor), number


def _plan(
    setting: ParBasis, minimums: int, target: float | None, budget_minor: int | None
) -> ParPlan:
    floors = setting.minimums[minimums]
    items = tuple(replace(item, minimum=floors[item.item]) for item in setting.problem.items)
    asked = replace(
        setting.problem, items=items, target_readiness=target, budget_minor=budget_minor
    )
    return plan_par(asked, setting.terms)


def split_level(kept: StockedItem, level: int) -> dict[str, int]:
    """Share an item's level out among the references that stand for each other.

    What is kept today stays; more is kept of the one used most, less of the one used least.
    """
    levels = dict(kept.today)
    over = sum(levels.values()) - level
    if over <= 0:
        levels[kept.refs[0]] -= over
        return levels
    for ref in reversed(kept.refs):
        less = min(over, levels[ref])
        levels[ref] -= less
        over -= less
    return levels


class LevelEvaluator:
    """Evaluates levels, by the name of the item in the case mix.

    Parameters
    ----------
    setting
        The site's par problem.
    """

    def __init__(self, setting: ParBasis) -> None:
        self.setting = setting
        low, high = (
            build_model(replace(setting.problem, arrivals_per_day=rate), setting.terms)
            for rate in setting.arrivals_bounds
        )
        # More cases a day leave less on the shelf.
        self._bounds = (high, low)

    def readiness(self, levels: Levels) -> float:
        """Return the chance that the next case finds what it needs."""
        return _value(self.setting.model, levels)

    def told(self, levels: Levels) -> ReadinessOut:
        """Return readiness with its bounds, the part of first choices, and cost."""
        model = self.setting.model
        lower, upper = (_value(bound, levels) for bound in self._bounds)
        return ReadinessOut(
            value=self.readiness(levels),
            lower=lower,
            upper=upper,
            first_choice=float(model.first_choice.value(_array(model, levels))),
            cost_minor=self.cost_minor(levels),
        )

    def cost_minor(self, levels: Levels) -> int:
        """Return the price of the levels with what is expected to expire of them."""
        return sum(self._cost_minor(kept, levels[kept.name]) for kept in self.setting.shelf.kept)

    def _cost_minor(self, kept: StockedItem, level: int) -> int:
        price = level * kept.unit_price_minor
        if kept.shelf_life_days is None:
            return price
        rate = self.per_case(kept.name) * self.setting.arrivals_per_day
        return price + round(expiry_cost(level, rate, kept.shelf_life_days, kept.unit_price_minor))

    def per_case(self, name: str) -> float:
        """Return the units of an item a case takes on average."""
        return sum(units * chance for units, chance in self.setting.demands[name].items())

    def short(self, kept: StockedItem, level: int) -> float:
        """Return by how many units the shelf is short of an item on average."""
        return expected_short(self._on_order(kept), self.setting.demands[kept.name], level)

    def alone(self, kept: StockedItem, chance: float) -> int | None:
        """Return the level at which an item by itself is there with a chance."""
        if not self.setting.demands[kept.name]:
            return 0
        return level_for(self._on_order(kept), self.setting.demands[kept.name], chance)

    def _on_order(self, kept: StockedItem) -> float:
        return self.setting.arrivals_per_day * kept.lead_time_days

    def left_as(self, levels: Levels, name: str, level: int) -> float:
        """Return the readiness with one item kept at another level."""
        return self.readiness({**levels, name: level})


def _array(model: ParModel, levels: Levels) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    """Return levels in the order of a model; what is beyond its tops adds nothing."""
    asked = np.array([levels[name] for name in model.names], dtype=np.int64)
    return np.minimum(asked, model.tops)


def _value(model: ParModel, levels: Levels) -> float:
    return min(1.0, max(0.0, float(model.readiness.value(_array(model, levels)))))


def read_shelf_facts(unit: Unit, names: Sequence[str], seen: UsageHistory) -> ShelfFacts:
    """Read prices, lead times, levels and what is on the shelves, for items of the case mix."""
    facts = queries.supply_facts(unit.session)
    levels = queries.levels_of(unit.session, unit.site_id)
    here = on_shelf(unit)
    lives = _shelf_lives(unit)
    used = {ref: one.used for ref, one in seen.items.items()}
    currency = _usual_currency(facts, names)
    kept, left = [], []
    for name in names:
        refs = sorted(
            (ref for ref in refs_of(name) if ref in facts),
            key=lambda ref: (-used.get(ref, 0), ref),
        )
        why = [_unfit(facts[ref], currency) for ref in refs]
        fit = [ref for ref, reason in zip(refs, why, strict=True) if reason is None]
        if not fit:
            left.append(UnjudgedItem(name, why[0] if why and why[0] else "not in the catalogue"))
            continue
        told = [life for ref in refs if (life := lives.get(ref)) is not None]
        kept.append(
            StockedItem(
                name,
                tuple(refs),
                {ref: _today(ref, levels, here) for ref in refs},
                facts[fit[0]].unit_price_minor,
                facts[fit[0]].lead_time_days,
                told[0] if told else None,
            )
        )
    return ShelfFacts(tuple(kept), tuple(left), currency, facts, here, levels)


def _today(ref: str, levels: Mapping[str, ParLevel], here: Mapping[str, OnShelf]) -> int:
    """Return the level in force; without one, what lies on the shelf is what is kept."""
    if ref in levels:
        return levels[ref].level
    return here[ref].owned + here[ref].consigned if ref in here else 0


def _usual_currency(facts: Mapping[str, Row[Any]], names: Sequence[str]) -> str:
    """Return the currency most items of the mix are priced in; the first by name among equals."""
    refs = [ref for name in names for ref in refs_of(name) if ref in facts]
    counts = Counter(facts[ref].currency for ref in refs if facts[ref].currency)
    return min(counts, key=lambda one: (-counts[one], one), default="")


def _unfit(row: Row[Any], currency: str) -> str | None:
    """Say why an item cannot be judged, or give None."""
    missing = []
    if row.unit_price_minor is None or row.currency is None:
        missing.append("price")
    if row.lead_time_days is None:
        missing.append("lead time")
    if missing:
        return f"its {' and '.join(missing)} {'are' if len(missing) > 1 else 'is'} not known"
    if row.currency != currency:
        return f"it is priced in {row.currency} and not in {currency}"
    return None


def _shelf_lives(unit: Unit) -> dict[str, float]:
    """Return the median of the days from receipt to use-by date, by reference."""
    days: dict[str, list[int]] = defaultdict(list)
    for row in demand_queries.received_lots(unit.session, unit.site_id):
        days[row.ref].append(max(0, (row.use_by - unit.local(row.at).date()).days))
    return {ref: float(median(own)) for ref, own in days.items()}
