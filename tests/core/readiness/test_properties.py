"""What must hold of any problem: bounds, order, more stock, consistency."""

import random
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.readiness import solve
from service.schemas.readiness_problem import problem_from
from tests.core.readiness.brute_force import items_of, random_problem

Json = dict[str, Any]


SEEDS = st.integers(min_value=0, max_value=10**9)


def _one_construct_each(problem: Json) -> Json:
    cases = []
    for case in problem["cases"]:
        needs = [{**need, "constructs": need["constructs"][:1]} for need in case["needs"]]
        cases.append({**case, "needs": needs})
    return {**problem, "cases": cases}


def _reordered(problem: Json, seed: int) -> Json:
    """Return the same problem with stock, sets, members and items in another order."""
    rng = random.Random(seed)  # noqa: S311 - test data

    def mixed(value: Any) -> Any:  # noqa: ANN401 - JSON has no narrower type
        if isinstance(value, dict):
            pairs = [(key, mixed(each)) for key, each in value.items()]
            rng.shuffle(pairs)
            return dict(pairs)
        return [mixed(each) for each in value] if isinstance(value, list) else value

    other = mixed(problem)
    rng.shuffle(other["stock"])
    rng.shuffle(other["sets"])
    return dict(other)


@settings(max_examples=150, deadline=None)
@given(SEEDS, st.sampled_from(["exact", "simulated"]))
def test_every_probability_lies_between_0_and_1_and_the_case_is_the_mean_of_its_needs(
    seed: int, method: str
) -> None:
    problem = random_problem(seed)
    found = solve(problem_from({**problem, "method": method, "samples": 300}))
    everything = [found.list_readiness.value]
    for case, given_case in zip(found.cases, problem["cases"], strict=True):
        needs = dict(case.needs)
        everything += [case.readiness.value, *needs.values(), *dict(case.constructs).values()]
        mean = sum(need["probability"] * needs[need["need"]] for need in given_case["needs"])
        assert abs(mean - case.readiness.value) < 1e-9
    assert all(0.0 <= value <= 1.0 for value in everything)
    assert all(gain > 0 for _, gain in found.gains)
    assert [gain for _, gain in found.gains] == sorted((g for _, g in found.gains), reverse=True)


@settings(max_examples=150, deadline=None)
@given(SEEDS)
def test_more_stock_never_lowers_list_readiness_where_each_need_has_one_construct(
    seed: int,
) -> None:
    problem = _one_construct_each(random_problem(seed))
    before = solve(problem_from(problem)).list_readiness.value
    in_sets = {each["item"] for each in problem["sets"]}
    for item in sorted(items_of(problem) - in_sets):
        more = {**problem, "stock": [*problem["stock"], {"item": item, "quantity": 1}]}
        assert solve(problem_from(more)).list_readiness.value >= before - 1e-12


@settings(max_examples=100, deadline=None)
@given(SEEDS, SEEDS, st.sampled_from(["exact", "simulated"]))
def test_the_order_of_stock_sets_and_items_never_matters(
    seed: int, order: int, method: str
) -> None:
    problem = {**random_problem(seed), "method": method, "samples": 300}
    assert solve(problem_from(problem)) == solve(problem_from(_reordered(problem, order)))


@settings(max_examples=100, deadline=None)
@given(SEEDS)
def test_list_readiness_is_no_more_than_that_of_any_case_and_no_less_than_chance_allows(
    seed: int,
) -> None:
    found = solve(problem_from(random_problem(seed)))
    values = [case.readiness.value for case in found.cases]
    # Boole's and Bonferroni's bounds on an intersection.
    assert found.list_readiness.value <= min(values) + 1e-12
    assert found.list_readiness.value >= sum(values) - len(values) + 1 - 1e-12


@settings(max_examples=100, deadline=None)
@given(SEEDS)
def test_the_first_case_is_as_ready_as_its_best_construct_at_least(seed: int) -> None:
    problem = random_problem(seed)
    first = solve(problem_from(problem)).cases[0]
    coverage = dict(first.constructs)
    for need in problem["cases"][0]["needs"]:
        best = max(coverage[name] for name in need["constructs"])
        assert dict(first.needs)[need["need"]] >= best - 1e-12
