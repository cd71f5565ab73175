"""The par problem of a site, from its own plans, usage, catalogue and shelves."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.core.items import INSTRUMENT_SET_KINDS
from service.core.par import (
    MixTerms,
    ParError,
    ParModel,
    ParProblem,
    ParTooLarge,
    build_model,
    level_for,
    read_par_problem,
)
from service.errors import BadInput, Conflict, FieldFault
from service.operations.demand import DAYS_PER_YEAR
from service.operations.par.answer import refusal
from service.operations.par.mix import Case, Mix, case_mix
from service.operations.par.shelf import Kept, Shelf, read_shelf
from service.operations.planner import planner_of
from service.operations.unit import Unit
from service.operations.usage_seen import Seen, see_usage

__all__ = ["Setting", "items_of", "par_problem", "read_setting"]

#: Fewer plans are tried where more would make a problem too large to answer.
_MOST_PLANS = (60, 30, 15, 8)
#: What first choices use at least so often a year is kept in any case: an assumption, no source.
_KEPT_FROM_PER_YEAR = 0.5
#: How surely such an item is there by itself. Lower, and the levels lean on alternates, whose own
#: use the model then misses; measured on the demo, 0.98 costs 2 % more than one unit of each and
#: keeps first choices within 0.05 of the readiness.
_KEPT_WITH = 0.98


@dataclass(frozen=True, slots=True)
class Setting:
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

    seen: Seen
    mix: Mix
    shelf: Shelf
    arrivals_per_day: float
    arrivals_bounds: tuple[float, float]
    arrivals_from: str
    problem: ParProblem
    terms: MixTerms
    model: ParModel
    demands: Mapping[str, Mapping[int, float]]
    minimums: tuple[Mapping[str, int], ...]
    sets: Mapping[str, float]


def read_setting(unit: Unit, arrivals_per_day: float | None, *, keep_first: bool) -> Setting:
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
    seen = see_usage(unit)
    rate, bounds, source = _arrivals(seen, arrivals_per_day)
    fitted = _fitted(unit, seen, rate)
    mix, shelf, problem, terms = fitted.mix, fitted.shelf, fitted.problem, fitted.terms
    demands = {one.name: units for one, units in zip(shelf.kept, terms.units_per_case, strict=True)}
    return Setting(
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
class _Fitted:
    """As many plans as make a problem that can be answered, and the problem."""

    mix: Mix
    shelf: Shelf
    problem: ParProblem
    terms: MixTerms
    sets: tuple[str, ...]


def _fitted(unit: Unit, seen: Seen, arrivals_per_day: float) -> _Fitted:
    for most in _MOST_PLANS[:-1]:
        try:
            return _fit(unit, seen, arrivals_per_day, most)
        except ParTooLarge:
            continue
    try:
        return _fit(unit, seen, arrivals_per_day, _MOST_PLANS[-1])
    except ParTooLarge as error:
        raise refusal(error) from error


def _fit(unit: Unit, seen: Seen, arrivals_per_day: float, most: int) -> _Fitted:
    mix = case_mix(unit, seen, most)
    if not mix.entries:
        raise Conflict(
            "No case has a plan that can be sized, so nothing stands for the cases to come. "
            "Plan the coming cases first."
        )
    sets = {one.ref for one in planner_of(unit).facts if one.kind in INSTRUMENT_SET_KINDS}
    names = sorted({name for _, case in mix.entries for name in items_of(case)})
    shelf = read_shelf(unit, [name for name in names if name not in sets], seen)
    problem = par_problem(mix, shelf.kept, arrivals_per_day)
    asked = tuple(name for name in names if name in sets)
    return _Fitted(mix, shelf, problem, MixTerms(problem), asked)


def _minimums(
    kept: tuple[Kept, ...],
    demands: Mapping[str, Mapping[int, float]],
    arrivals_per_day: float,
    *,
    keep_first: bool,
) -> tuple[Mapping[str, int], ...]:
    """Give the floors to try: what makes an item there by itself, then one of each, then none."""
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


def _arrivals(seen: Seen, given: float | None) -> tuple[float, tuple[float, float], str]:
    if given is not None:
        return given, (given, given), "given with the question"
    if seen.case_rate is None:
        reason = "no past case is on record: import the usage, or say how many cases come a day"
        raise BadInput(
            "The levels cannot be proposed.", faults=[FieldFault("/arrivals_per_day", reason)]
        )
    says = f"{seen.cases} cases on record in {seen.days} days"
    return seen.case_rate.mean_per_day, seen.case_rate.interval_per_day(), says


def items_of(case: Case) -> set[str]:
    """Give every item some construct of a case may take."""
    return {
        name
        for construct in case["constructs"]
        for take in construct["takes"]
        for entry in take["items"]
        for name in entry or ()
    }


def par_problem(mix: Mix, kept: tuple[Kept, ...], arrivals_per_day: float) -> ParProblem:
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
        return read_par_problem(raw)
    except ParTooLarge:
        raise
    except ParError as error:
        raise refusal(error) from error


def _chance_of(mix: Mix, name: str) -> float:
    """Give the chance that a case's first choice takes an item that hangs on no size."""
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
