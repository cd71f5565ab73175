"""Chosen levels against every combination of levels, and against mixed-integer programmes."""

from typing import Any

import numpy as np
import pytest
from scipy import optimize, sparse, stats

from service.core.par import ParPlan, answer_par, build_model, plan_par
from service.core.par.exact import search_exactly
from service.core.par.problem import Goal
from service.schemas.par_problem import par_problem_from

Problem = dict[str, Any]


def planned(raw: Problem, **ask: object) -> ParPlan:
    return plan_par(par_problem_from({**raw, **ask}))


def construct(name: str, takes: list[Problem]) -> Problem:
    return {"construct": name, "takes": takes}


def entangled(seed: int) -> Problem:
    """Return a small problem whose items stand in for each other and are needed together."""
    rng = np.random.default_rng(seed)
    names = ["nail", "plate", "lag", "wire"]
    neck = float(rng.uniform(0.3, 0.8))
    case = {
        "case": "k",
        "factors": [{"name": "neck", "probabilities": [neck, 1.0 - neck]}],
        "needs": [
            {"need": "plan", "probability": 0.7, "constructs": ["nailed", "plated"]},
            {"need": "wall", "probability": 0.2, "constructs": ["wired", "plated"]},
            {"need": "oblique", "probability": 0.1, "constructs": ["plated", "nailed"]},
        ],
        "constructs": [
            construct(
                "nailed",
                [
                    {"factors": [], "items": [{"nail": 1}]},
                    {"factors": ["neck"], "items": [{"lag": 1}, {"free": 1}]},
                ],
            ),
            construct("plated", [{"factors": ["neck"], "items": [{"plate": 1}, None]}]),
            construct("wired", [{"factors": [], "items": [{"nail": 1, "wire": 2}]}]),
        ],
    }
    items = [
        {
            "item": name,
            "unit_cost": int(rng.integers(10, 400)),
            "lead_time_days": int(rng.integers(1, 8)),
            "minimum": int(rng.integers(0, 2)),
        }
        for name in names
    ]
    return {
        "arrivals_per_day": 0.3,
        "case_mix": [{"weight": 1.0, "case": case}],
        "items": items,
    }


HIGHEST = {"nail": 12, "plate": 6, "lag": 12, "wire": 20}


def every_choice(raw: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Return readiness and cost of every combination of levels, written out by hand.

    A nail is taken in 9 cases of 10, a lag screw in 7 of 10 with the first neck, two wires in 2
    of 10, a plate in 1 of 10 with the first neck.
    """
    case = raw["case_mix"][0]["case"]
    first = case["factors"][0]["probabilities"][0]
    taken = {"nail": 0.9, "plate": 0.1 * first, "lag": 0.7 * first, "wire": 0.2}
    there, costs = [], []
    for item in raw["items"]:
        levels = np.arange(item["minimum"], HIGHEST[item["item"]] + 1)
        units = 2 if item["item"] == "wire" else 1
        mean = raw["arrivals_per_day"] * item["lead_time_days"] * taken[item["item"]]
        there.append(stats.poisson.cdf((levels - units) // units, mean))
        costs.append(levels * item["unit_cost"])
    nail, plate, lag, wire = np.meshgrid(*there, indexing="ij")
    nailed = 1 - (1 - nail * lag) * (1 - plate)
    wired = 1 - (1 - nail * wire) * (1 - plate)
    readiness = 0.8 * (first * nailed + (1 - first) * nail)
    readiness += 0.2 * (first * wired + (1 - first) * nail * wire)
    spent = np.sum(np.meshgrid(*costs, indexing="ij"), axis=0)
    return readiness.ravel(), spent.ravel()


# Source: brute force over all levels up to 12 nails and lag screws, 6 plates and 20 wires.
@pytest.mark.parametrize("seed", range(12))
def test_on_a_small_problem_no_other_levels_are_better(seed: int) -> None:
    raw = entangled(seed)
    readiness, cost = every_choice(raw)
    for target in (0.3, 0.6, 0.8, 0.9, 0.97):
        plan = planned(raw, target_readiness=target)
        assert plan.proved
        assert plan.reached
        assert plan.readiness >= target - 1e-12
        assert plan.cost_minor == cost[readiness >= target - 1e-12].min()
    for more in (0, 100, 300, 900, 2000):
        budget = int(cost.min()) + more
        plan = planned(raw, budget=budget)
        assert plan.proved
        assert plan.cost_minor <= budget
        assert plan.readiness == pytest.approx(readiness[cost <= budget].max(), abs=2e-9)


def best_by_milp(
    worth: list[np.ndarray], costs: list[np.ndarray], *, least: float | None, most: float | None
) -> float:
    """Return the optimum of choosing one level an item: least cost, or most worth in the money."""
    gains, prices = np.concatenate(worth), np.concatenate(costs).astype(float)
    owner = np.repeat(np.arange(len(worth)), [len(levels) for levels in worth])
    one_each = sparse.csr_array((np.ones(len(gains)), (owner, np.arange(len(gains)))))
    bounded, low, high = (gains, least, np.inf) if least is not None else (prices, -np.inf, most)
    bound = optimize.LinearConstraint(bounded[np.newaxis], np.array(low), np.array(high))
    solved = optimize.milp(
        prices if least is not None else -gains,
        constraints=[optimize.LinearConstraint(one_each, 1, 1), bound],
        integrality=np.ones(len(gains), dtype=np.int64),
        bounds=optimize.Bounds(0, 1),
        options={"mip_rel_gap": 1e-5},
    )
    assert solved.status == 0
    return float(solved.fun)


def one_construct(weight: float, takes: list[Problem]) -> Problem:
    return {
        "weight": weight,
        "case": {
            "case": "k",
            "needs": [{"need": "n", "probability": 1.0, "constructs": ["c"]}],
            "constructs": [construct("c", takes)],
        },
    }


def sizes_problem(count: int, seed: int) -> tuple[Problem, list[np.ndarray], list[np.ndarray]]:
    """Return cases that each need one of many items: readiness is a sum over the items."""
    rng = np.random.default_rng(seed)
    share = rng.dirichlet(np.full(count, 2.0))
    cost, lead = rng.integers(500, 20_000, count), rng.integers(2, 20, count)
    mix = [one_construct(float(share[n]), [{"items": [{f"i{n}": 1}]}]) for n in range(count)]
    worth = [
        share[n] * np.append(0.0, stats.poisson.cdf(np.arange(25), share[n] * lead[n]))
        for n in range(count)
    ]
    return problem_of(mix, cost, lead), worth, [np.arange(26) * price for price in cost]


def tray_problem(count: int, seed: int) -> tuple[Problem, list[np.ndarray], list[np.ndarray]]:
    """Return cases that need every item, some twice: log readiness is a sum over the items."""
    rng = np.random.default_rng(seed)
    quantity = rng.integers(1, 4, count)
    cost, lead = rng.integers(500, 20_000, count), rng.integers(1, 4, count)
    takes = [{"items": [{f"i{n}": int(quantity[n])}]} for n in range(count)]
    worth, costs = [], []
    for n in range(count):
        levels = np.arange(60)
        there = stats.poisson.cdf((levels - quantity[n]) // quantity[n], lead[n])
        worth.append(np.log(there[there > 0.0]))
        costs.append(levels[there > 0.0] * cost[n])
    return problem_of([one_construct(1.0, takes)], cost, lead), worth, costs


def problem_of(mix: list[Problem], cost: np.ndarray, lead: np.ndarray) -> Problem:
    items = [
        {"item": f"i{n}", "unit_cost": int(price), "lead_time_days": int(days)}
        for n, (price, days) in enumerate(zip(cost, lead, strict=True))
    ]
    return {"arrivals_per_day": 1.0, "case_mix": mix, "items": items}


# Source: scipy.optimize.milp (HiGHS) on the same choice written as a mixed-integer programme.
@pytest.mark.parametrize("count", [12, 30, 60])
@pytest.mark.parametrize("target", [0.9, 0.97])
def test_where_each_case_needs_one_item_the_levels_are_within_two_percent(
    count: int, target: float
) -> None:
    raw, worth, costs = sizes_problem(count, count)
    least = best_by_milp(worth, costs, least=target, most=None)
    plan = planned(raw, target_readiness=target)
    assert plan.readiness >= target - 1e-12
    assert least * (1 - 1e-4) <= plan.cost_minor <= 1.02 * least
    budget = round(0.6 * least)
    most = -best_by_milp(worth, costs, least=None, most=budget)
    plan = planned(raw, budget=budget)
    assert plan.cost_minor <= budget
    assert 0.98 * most <= plan.readiness <= most * (1 + 1e-4)


# Source: the same, with logarithms, for cases that need all the items at once.
@pytest.mark.parametrize("count", [8, 20, 40])
@pytest.mark.parametrize("target", [0.9, 0.97])
def test_where_each_case_needs_all_items_the_levels_are_within_two_percent(
    count: int, target: float
) -> None:
    raw, worth, costs = tray_problem(count, count)
    least = best_by_milp(worth, costs, least=float(np.log(target)), most=None)
    plan = planned(raw, target_readiness=target)
    assert plan.readiness >= target - 1e-12
    assert least * (1 - 1e-4) <= plan.cost_minor <= 1.02 * least
    budget = round(0.7 * least)
    most = float(np.exp(-best_by_milp(worth, costs, least=None, most=budget)))
    plan = planned(raw, budget=budget)
    assert plan.cost_minor <= budget
    assert 0.98 * most <= plan.readiness <= most * (1 + 1e-3)


def not_always_made() -> Problem:
    """Return a problem in which one size in five is not made by anyone."""
    takes = [{"factors": ["neck"], "items": [{"lag": 1}, None]}]
    entry = one_construct(1.0, takes)
    entry["case"]["factors"] = [{"name": "neck", "probabilities": [0.8, 0.2]}]
    return problem_of([entry], np.array([100]), np.array([4])) | {
        "items": [{"item": "lag", "unit_cost": 100, "lead_time_days": 4}]
    }


# Source: by hand. 80 % of the cases can be helped at all.
def test_a_target_out_of_reach_is_said_to_be_and_the_best_is_given() -> None:
    answer: Problem = answer_par(par_problem_from({**not_always_made(), "target_readiness": 0.95}))
    assert answer["reached"] is False
    assert answer["readiness"] == pytest.approx(0.8, abs=2e-6)
    assert set(answer) == {"readiness", "cost", "levels", "curve", "reached"}
    units = answer["levels"]["lag"]
    # 3.2 lag screws are on order on average; the least level whose shelf fails less than 1e-6.
    failing = 0.8 * stats.poisson.sf(np.arange(40) - 1, 3.2)
    assert units == int(np.argmax(failing <= 1e-6))


def test_a_target_within_reach_carries_no_word_of_being_out_of_it() -> None:
    assert "reached" not in answer_par(
        par_problem_from({**not_always_made(), "target_readiness": 0.79})
    )


def test_a_budget_below_the_floors_is_a_result_that_says_so() -> None:
    raw = not_always_made()
    raw["items"][0]["minimum"] = 2
    answer: Problem = answer_par(par_problem_from({**raw, "budget": 150}))
    assert answer["reached"] is False
    assert answer["levels"] == {"lag": 2}
    assert answer["cost"] == 200


def test_no_money_buys_nothing() -> None:
    answer: Problem = answer_par(par_problem_from({**not_always_made(), "budget": 0}))
    assert answer == {"readiness": 0.0, "cost": 0, "levels": {"lag": 0}, "curve": []}


def test_a_target_of_zero_needs_the_floors_only() -> None:
    raw = not_always_made()
    raw["items"][0]["minimum"] = 1
    assert planned(raw, target_readiness=0).levels == (("lag", 1),)


def test_items_that_cost_nothing_are_kept_without_running_away() -> None:
    raw = not_always_made()
    raw["items"][0]["unit_cost"] = 0
    plan = planned(raw, budget=0)
    assert plan.cost_minor == 0
    assert plan.readiness == pytest.approx(0.8, abs=1e-6)
    assert plan.levels[0][1] < 40


def test_an_item_that_no_case_takes_stays_at_its_floor() -> None:
    raw = not_always_made()
    raw["items"].append({"item": "idle", "unit_cost": 1, "lead_time_days": 9, "minimum": 3})
    assert dict(planned(raw, target_readiness=0.7).levels)["idle"] == 3
    assert dict(planned(raw, budget=10_000).levels)["idle"] == 3


# Source: by hand. The same shelf and price twice; the one whose units expire is dearer to keep.
def test_of_two_like_items_the_one_that_expires_is_kept_lower() -> None:
    mix = [
        one_construct(1.0, [{"items": [{"fresh": 1}]}]),
        one_construct(1.0, [{"items": [{"stale": 1}]}]),
    ]
    items = [
        {"item": "fresh", "unit_cost": 100, "lead_time_days": 7},
        {"item": "stale", "unit_cost": 100, "lead_time_days": 7, "shelf_life_days": 20},
    ]
    raw = {"arrivals_per_day": 0.4, "case_mix": mix, "items": items}
    levels = dict(planned(raw, target_readiness=0.95).levels)
    assert levels["stale"] < levels["fresh"]


# Source: by hand. The money buys the cheapest nail with its screw and a little more: the best pair
# within it must be beaten or met.
@pytest.mark.parametrize("seed", range(12))
def test_a_small_budget_buys_one_whole_construct_and_not_parts_of_several(seed: int) -> None:
    rng = np.random.default_rng(seed)
    share, nail, screw = rng.dirichlet(np.full(20, 3.0)), rng.integers(100, 300, 20), 30
    mix = [
        one_construct(float(share[n]), [{"items": [{f"nail-{n}": 1, f"screw-{n}": 1}]}])
        for n in range(20)
    ]
    items = [
        {"item": f"{kind}-{n}", "unit_cost": int(price), "lead_time_days": 5}
        for n in range(20)
        for kind, price in (("nail", nail[n]), ("screw", screw))
    ]
    raw = {"arrivals_per_day": 0.3, "case_mix": mix, "items": items}
    budget = int(1.2 * (nail.min() + screw))
    plan = planned(raw, budget=budget)
    pairs = share * np.exp(-2 * 0.3 * 5 * share) * (nail + screw <= budget)
    assert plan.cost_minor <= budget
    assert plan.readiness >= pairs.max() - 1e-12


# Source: the same brute force. The exact search is given poor levels, so that it has to find the
# best ones itself; the budgets are costs that can be spent to the last minor unit.
@pytest.mark.parametrize("seed", range(4))
def test_the_exact_search_finds_the_best_levels_without_help(seed: int) -> None:
    raw = entangled(seed)
    model = build_model(par_problem_from({**raw, "budget": 0}))
    readiness, cost = every_choice(raw)
    for budget in np.unique(cost)[[3, 20, 60, 150]].tolist():
        proof = search_exactly(model, Goal(None, budget), model.floors)
        assert proof.complete
        assert model.cost_minor(proof.levels) <= budget
        best = readiness[cost <= budget].max()
        assert model.readiness.value(proof.levels) == pytest.approx(best, abs=2e-9)
    for target in (0.5, 0.9):
        proof = search_exactly(model, Goal(target, None), model.tops)
        assert proof.complete
        assert model.cost_minor(proof.levels) == cost[readiness >= target - 1e-12].min()


def test_six_hundred_items_are_planned_to_the_target() -> None:
    raw, _, _ = sizes_problem(600, 1)
    plan = planned(raw, target_readiness=0.97)
    assert plan.reached
    assert plan.readiness >= 0.97 - 1e-12
    assert plan.curve[-1].cost_minor == plan.cost_minor
    assert plan.curve[-1].readiness == pytest.approx(plan.readiness)
