"""The kit for one case against every kit tried one by one."""

import itertools
import random
from typing import Any

import pytest

from service.core.readiness import ProblemError
from service.core.readiness import kit as kit_module
from service.core.readiness.kit import choose_kit, kit_to_json
from service.schemas.readiness_problem import kit_problem_from
from tests.core.readiness.brute_force import answer, items_of, random_problem

Json = dict[str, Any]


def _kit_problem(seed: int) -> Json:
    rng = random.Random(seed)  # noqa: S311 - test data
    whole = random_problem(seed)
    costs = {item: rng.randint(1, 4) for item in sorted(items_of(whole))}
    problem = {"case": whole["cases"][0], "stock": whole["stock"], "sets": whole["sets"]}
    problem["target"] = rng.choice([0.3, 0.6, 0.9, 1.0])
    return problem | ({"costs": costs} if rng.random() < 0.5 else {})


def _readiness(problem: Json, packs: dict[str, int]) -> float:
    """Return the readiness of the case where only these packs are there."""
    stock = [{"item": item, "quantity": n} for item, n in packs.items()]
    case = {**problem["case"]}
    return float(answer({"stock": stock, "sets": [], "cases": [case]})["cases"][0]["readiness"])


def _there(problem: Json) -> dict[str, int]:
    """Return how many of each item the case may use, from the meaning of the dates."""
    found: dict[str, int] = {}
    starts = problem["case"].get("starts", "")
    for parcel in problem["stock"] + problem["sets"]:
        if parcel.get("from", "") <= starts < parcel.get("until", "9999"):
            found[parcel["item"]] = found.get(parcel["item"], 0) + parcel["quantity"]
    return found


def _cheapest(problem: Json) -> tuple[int, float]:
    """Return the least cost that reaches the goal, and what all the stock reaches."""
    there = _there(problem)
    asked = sorted(items_of({"cases": [problem["case"]]}) & there.keys())
    costs = problem.get("costs", {})
    ranges = [range(min(there[item], 4) + 1) for item in asked]
    kits = [dict(zip(asked, counts, strict=True)) for counts in itertools.product(*ranges)]
    ready = [_readiness(problem, packs) for packs in kits]
    goal = min(problem["target"], max(ready)) - 1e-9
    totals = [sum(costs.get(item, 1) * n for item, n in packs.items()) for packs in kits]
    return min(t for t, r in zip(totals, ready, strict=True) if r >= goal), max(ready)


def test_an_exact_kit_costs_no_more_than_any_other() -> None:
    for seed in range(250):
        problem = _kit_problem(seed)
        found = choose_kit(kit_problem_from(problem))
        cost, reachable = _cheapest(problem)
        assert found.method == "exact"
        assert found.cost == cost, seed
        assert found.reachable == pytest.approx(reachable, abs=1e-9)
        assert found.readiness == pytest.approx(_readiness(problem, dict(found.packs)), abs=1e-9)


def test_the_heuristic_reaches_the_goal_at_not_much_more(monkeypatch: pytest.MonkeyPatch) -> None:
    problems = [kit_problem_from(_kit_problem(seed)) for seed in range(1000, 1250)]
    exact = [choose_kit(problem) for problem in problems]
    monkeypatch.setattr(kit_module, "MAX_EXACT_PACKS", -1)
    found = [choose_kit(problem) for problem in problems]
    assert {each.method for each in found} == {"heuristic"}
    for mine, best in zip(found, exact, strict=True):
        assert mine.readiness >= min(mine.target, mine.reachable) - 1e-9
        assert mine.cost >= best.cost
    assert sum(each.cost for each in found) <= 1.05 * sum(each.cost for each in exact)


def _wide(sizes: int) -> Json:
    """Return a case that takes one of many sizes, all equally likely."""
    case = {
        "case": "K1",
        "factors": [{"name": "size", "probabilities": [1 / sizes] * sizes}],
        "needs": [{"need": "as planned", "probability": 1, "constructs": ["only"]}],
        "constructs": [
            {
                "construct": "only",
                "takes": [{"factors": ["size"], "items": [{f"s{n}": 1} for n in range(sizes)]}],
            }
        ],
    }
    stock = [{"item": f"s{n}", "quantity": 3} for n in range(sizes)]
    return {"case": case, "stock": stock, "target": 0.5}


@pytest.mark.parametrize(("sizes", "method"), [(20, "exact"), (21, "heuristic"), (60, "heuristic")])
def test_up_to_twenty_packs_are_searched_exactly_and_the_answer_says_so(
    sizes: int, method: str
) -> None:
    found = choose_kit(kit_problem_from(_wide(sizes)))
    # Half of equally likely sizes, rounded up, reaches one half: by counting.
    assert (found.method, found.cost) == (method, -(-sizes // 2))


def test_a_target_beyond_reach_gives_the_fewest_packs_that_reach_what_can_be() -> None:
    problem = _wide(4) | {"stock": [{"item": "s0", "quantity": 5}], "target": 0.9}
    found = choose_kit(kit_problem_from(problem))
    assert (found.packs, found.readiness, found.reachable) == ((("s0", 1),), 0.25, 0.25)


def test_a_target_of_nothing_needs_no_packs() -> None:
    found = kit_to_json(choose_kit(kit_problem_from(_wide(3) | {"target": 0})))
    assert (found["packs"], found["cost"], found["readiness"]) == ([], 0, 0.0)


def test_a_case_that_takes_nothing_is_ready_without_packs() -> None:
    problem = _wide(3)
    problem["case"]["constructs"][0]["takes"] = []
    found = choose_kit(kit_problem_from(problem))
    assert (found.packs, found.readiness) == ((), 1.0)


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"target": 1.5}, "/target"),
        ({"target": True}, "/target"),
        ({"costs": {"s0": -1}}, "/costs/s0"),
        ({"sets": [{"item": "s", "quantity": 1, "turnaround_minutes": 1}]}, "/case/starts"),
        ({"case": {}}, "/case/case"),
        ({"sets": [{"item": "s0", "quantity": 1, "turnaround_minutes": 1}]}, "/sets/0/item"),
    ],
)
def test_a_malformed_kit_problem_is_refused_at_its_place(change: Json, pointer: str) -> None:
    with pytest.raises(ProblemError) as refusal:
        kit_problem_from(_wide(3) | change)
    assert pointer in [place for place, _ in refusal.value.faults]
