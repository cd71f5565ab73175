"""Answers a par problem: evaluates levels, reaches a target, or makes the best use of a budget."""

from dataclasses import dataclass

import numpy as np

from service.core.par.exact import search_exactly
from service.core.par.model import ParModel, build_model
from service.core.par.problem import SLACK, Goal, ParProblem, ParTooLarge
from service.core.par.readiness_sum import Ints, Steps
from service.core.par.search import FREE_MINOR, LevelSearch, start_levels
from service.core.par.terms import CaseMixTerms

NO_LOSS = 1e-12


WITHIN_BEST = 1e-6


"""Where a target is out of reach, how near the best readiness the answer stays."""


MOST_WORK = 500_000_000


"""Units looked at times numbers in the sum: about ten seconds of work; beyond it is refused."""


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One more unit of an item, and the cost (minor units) and readiness once it is there."""

    item: str
    cost_minor: int
    readiness: float


@dataclass(frozen=True, slots=True)
class ParPlan:
    """The answer to a par problem.

    Parameters
    ----------
    readiness
        Chance that the next case can be completed, 0 to 1.
    cost_minor
        Cost of the levels in minor units: prices and what is expected to expire.
    levels
        Pairs of an item and its level, in the order of the problem.
    curve
        An order to buy in, from the floors to the levels; its last point is the answer itself.
    reached
        False where the target is out of reach of any levels, or the floors cost more than the
        budget; the levels are then the best there are.
    proved
        True where no better levels exist for certain; levels that were given count as proved.
    first_choice
        Chance that the next case finds the first construct of its need. Where it is far below
        the readiness, the plan leans on alternates, whose own use is then underestimated: see the
        second assumption of :func:`plan_par`.
    """

    readiness: float
    cost_minor: int
    levels: tuple[tuple[str, int], ...]
    curve: tuple[CurvePoint, ...]
    reached: bool
    proved: bool
    first_choice: float


def answer_par(problem: ParProblem) -> dict[str, object]:
    """Answer a par problem with plain values.

    Parameters
    ----------
    problem
        As for :func:`plan_par`.

    Returns
    -------
    dict
        ``readiness``, ``cost``, ``levels`` and ``curve``; and ``"reached": False`` only where
        the target or the budget cannot be met (see :class:`ParPlan`).

    Raises
    ------
    ParTooLarge
        When the takes have too many joint outcomes, or too many units would be looked at.

    Examples
    --------
    >>> from service.core.par.problem import CaseType, MixEntry, ParItem
    >>> from service.core.par.problem import ParConstruct, ParNeed
    >>> from service.core.par.problem import ParTake
    >>> screw = ParConstruct("one screw", (ParTake((), ({"screw": 1},)),))
    >>> case = CaseType("K", (), (ParNeed("fix", 1.0, (0,)),), (screw,))
    >>> items = (ParItem("screw", 900, 4.0),)
    >>> problem = ParProblem(0.5, (MixEntry(1.0, case),), items, levels={"screw": 2})
    >>> answer = answer_par(problem)
    >>> round(answer["readiness"], 6), answer["cost"], answer["levels"], len(answer["curve"])
    (0.406006, 1800, {'screw': 2}, 2)
    """
    plan = plan_par(problem)
    answer: dict[str, object] = {
        "readiness": plan.readiness,
        "cost": plan.cost_minor,
        "levels": dict(plan.levels),
        "curve": [
            {"item": point.item, "cost": point.cost_minor, "readiness": point.readiness}
            for point in plan.curve
        ],
    }
    if not plan.reached:
        answer["reached"] = False
    return answer


def plan_par(problem: ParProblem, mix: CaseMixTerms | None = None) -> ParPlan:
    """Evaluate levels, reach a target readiness at least cost, or make the best use of a budget.

    Cases arrive as a Poisson stream; each takes its need's first construct, or nothing where a
    size of it is not made; what is taken is ordered at once, one for one. The units of an item
    on order are compound Poisson over its lead time. Readiness is the chance that some construct
    of the next case's need is wholly on the shelf.

    Assumptions, with their errors as measured by playing ten years of a shelf out event by event:

    - The units on order of different items are independent. Sizes that exclude each other are.
      Items taken together run out together, so a construct of several items is readier than
      computed: by 0.02 at a computed 0.97 and 0.07 at 0.89 for a nail with its screws. Alternates
      whose items mostly leave together help less than computed: by 0.15 at three of each.
    - A case takes its first construct even when an alternate or a loan stands in for it. Where
      most cases find their first construct, the shelf is readier than computed (by 0.04 at a
      computed 0.93). Where the first construct is hardly kept and alternates do its work, the
      alternates' own use is missed and the figure is far too high: 0.98 computed and 0.75 played
      out in the worst plan measured, which a `minimum` for the items of the first constructs
      avoids. ``first_choice`` of the answer shows how far a plan leans on alternates.

    Parameters
    ----------
    problem
        The problem; `levels` below an item's minimum are lifted to it.
    mix
        Its case mix, where it has been walked over already.

    Returns
    -------
    ParPlan
        The levels and what they do. Levels chosen are exact on small problems (``proved``) and
        near the best otherwise. Where a target is out of reach the levels are the cheapest found
        within 1e-6 of the best readiness there is.

    Raises
    ------
    ParTooLarge
        When the takes have too many joint outcomes, or too many units would be looked at.

    Examples
    --------
    >>> from service.core.par.problem import CaseType, MixEntry, ParItem
    >>> from service.core.par.problem import ParConstruct, ParNeed
    >>> from service.core.par.problem import ParTake
    >>> screw = ParConstruct("one screw", (ParTake((), ({"screw": 1},)),))
    >>> case = CaseType("K", (), (ParNeed("fix", 1.0, (0,)),), (screw,))
    >>> items = (ParItem("screw", 900, 4.0),)
    >>> plan = plan_par(ParProblem(0.5, (MixEntry(1.0, case),), items, target_readiness=0.9))
    >>> plan.levels, plan.cost_minor, plan.proved
    ((('screw', 5),), 4500, True)
    """
    model = build_model(problem, mix)
    if problem.levels is not None:
        asked = [problem.levels.get(item.item, 0) for item in problem.items]
        levels = np.maximum(np.array(asked, dtype=np.int64), model.floors)
        _refuse_endless(model, levels, "/levels")
        return _plan(model, levels, reached=True, proved=True)
    _refuse_endless(model, model.tops, "/items")
    if problem.target_readiness is not None:
        return _plan_for_target(model, problem.target_readiness)
    return _plan_for_budget(model, problem.budget_minor or 0)


def _refuse_endless(model: ParModel, levels: Ints, pointer: str) -> None:
    """Refuse what would take long: each unit is looked at once, and each look reads the sum."""
    units = int(np.sum(levels - model.floors))
    if units * model.readiness.size > MOST_WORK:
        sentence = (
            f"{units} units over a sum of {model.readiness.size} factors would take too long; "
            "ask for fewer units, or merge outcomes."
        )
        raise ParTooLarge([(pointer, sentence)])


def _plan_for_target(model: ParModel, target: float) -> ParPlan:
    best = model.readiness.value(model.tops)
    reached = best >= target - SLACK
    goal = Goal(target if reached else max(0.0, best - WITHIN_BEST), None)
    levels, proved = _best(model, goal)
    return _plan(model, levels, reached=reached, proved=proved)


def _plan_for_budget(model: ParModel, budget_minor: int) -> ParPlan:
    if model.cost_minor(model.floors) > budget_minor:
        return _plan(model, model.floors, reached=False, proved=True)
    levels, proved = _best(model, Goal(None, budget_minor))
    return _plan(model, levels, reached=True, proved=proved)


def _best(model: ParModel, goal: Goal) -> tuple[Ints, bool]:
    if not model.names:
        return model.floors, True
    levels = LevelSearch(model, goal).best_from(start_levels(model, goal))
    proof = search_exactly(model, goal, levels)
    return proof.levels, proof.complete


def _plan(model: ParModel, levels: Ints, *, reached: bool, proved: bool) -> ParPlan:
    readiness = min(1.0, max(0.0, model.readiness.value(levels)))
    first_choice = min(1.0, max(0.0, model.first_choice.value(levels)))
    named = tuple((name, int(level)) for name, level in zip(model.names, levels, strict=True))
    cost = model.cost_minor(levels)
    curve = _curve(model, levels)
    return ParPlan(readiness, cost, named, curve, reached, proved, first_choice)


def _curve(model: ParModel, levels: Ints) -> tuple[CurvePoint, ...]:
    """Return an order to buy in: what is taken off last, by readiness per cost, comes first."""
    points: list[CurvePoint] = []
    left = levels.copy()
    while np.any(left > model.floors):
        steps = model.readiness.steps(left)
        can_go = model.can_drop(left)
        idle = np.flatnonzero(can_go[0] & (steps.losses[0] <= NO_LOSS))
        if len(idle):
            points += _idle_points(model, left, idle, steps)
            left[idle] -= 1
            continue
        savings = np.maximum(model.savings_minor(left), FREE_MINOR)
        ratios = np.where(can_go, steps.losses / savings, np.inf)
        row, item = divmod(int(np.argmin(ratios)), len(left))
        for _ in range(model.readiness.strides[row]):
            readiness = model.readiness.value(left)
            points.append(_point(model.names[item], model.cost_minor(left), readiness))
            left[item] -= 1
    return tuple(reversed(points))


def _idle_points(model: ParModel, left: Ints, idle: Ints, steps: Steps) -> list[CurvePoint]:
    """Return the points of units that add next to nothing, taken off one after the other.

    Losses so small add up without a second look: what they change in each other is smaller still.
    """
    losses, savings = steps.losses[0, idle], model.savings_minor(left)[0, idle]
    readiness = steps.value - np.cumsum(losses) + losses
    costs = model.cost_minor(left) - np.cumsum(savings) + savings
    return [
        _point(model.names[item], cost, ready)
        for item, cost, ready in zip(idle.tolist(), costs.tolist(), readiness.tolist(), strict=True)
    ]


def _point(item: str, cost_minor: int, readiness: float) -> CurvePoint:
    return CurvePoint(item, cost_minor, min(1.0, max(0.0, readiness)))
