"""Simulated answers against exact ones, and whether their standard errors are honest."""

from typing import Any

import pytest

from service.core.readiness import ReadinessAnswer, simulation, solve
from service.schemas.readiness_problem import problem_from
from tests.bench.bench_readiness import list_day, plain_numpy
from tests.core.readiness.brute_force import answer, expected_served, random_problem, with_one_more

Json = dict[str, Any]


def _one_of_three(name: str, chances: list[float]) -> Json:
    sizes: list[dict[str, int]] = [{"a": 1}, {"b": 1}, {"c": 1}]
    return {
        "case": name,
        "factors": [{"name": "size", "probabilities": chances}],
        "needs": [
            {"need": "usual", "probability": 0.98, "constructs": ["only"]},
            {"need": "rare", "probability": 0.02, "constructs": ["spare", "only"]},
        ],
        "constructs": [
            {"construct": "only", "takes": [{"factors": ["size"], "items": sizes}]},
            {"construct": "spare", "takes": [{"factors": [], "items": [{"d": 1}]}]},
        ],
    }


def _contended(cases: int = 4) -> Json:
    """Return a list on which cases get in one another's way."""
    mixes = [[0.6, 0.3, 0.1], [0.2, 0.5, 0.3], [0.1, 0.4, 0.5], [0.3, 0.3, 0.4]]
    counts = {"a": 1, "b": 2, "c": 1, "d": 1}
    stock = [{"item": item, "quantity": count} for item, count in counts.items()]
    return {"stock": stock, "cases": [_one_of_three(f"K{n}", mixes[n]) for n in range(cases)]}


def _simulated(problem: Json, seed: int, samples: int = 2_000, gains: int = 0) -> ReadinessAnswer:
    more = {"method": "simulated", "samples": samples, "seed": seed, "gains": gains}
    return solve(problem_from({**problem, **more}))


def test_the_true_value_lies_within_two_standard_errors_as_often_as_it_should() -> None:
    # Within two standard errors means 95.45 % of the time; of 200 that is 190.9, standard
    # deviation 2.95, and the band is 3.5 standard deviations wide on either side.
    problem = _contended()
    truth = answer(problem)
    whole = last = 0
    for seed in range(200):
        found = _simulated(problem, seed)
        error = abs(found.list_readiness.value - truth["list"])
        whole += error <= 2 * found.list_readiness.standard_error
        case = found.cases[-1].readiness
        last += abs(case.value - truth["cases"][-1]["readiness"]) <= 2 * case.standard_error
    assert 181 <= whole <= 200
    assert 181 <= last <= 200
    assert whole < 200 or last < 200


def test_standard_errors_are_as_large_as_the_scatter_over_seeds() -> None:
    problem = _contended()
    found = [_simulated(problem, seed).list_readiness for seed in range(200)]
    mean = sum(each.value for each in found) / 200
    scatter = (sum((each.value - mean) ** 2 for each in found) / 199) ** 0.5
    claimed = sum(each.standard_error for each in found) / 200
    # The standard deviation of 200 values is known to within 5 % (one standard error).
    assert claimed == pytest.approx(scatter, rel=0.2)


@pytest.mark.parametrize("chance", [0.0, 0.001])
def test_a_need_that_is_hardly_ever_drawn_is_estimated_all_the_same(chance: float) -> None:
    problem = _contended()
    for case in problem["cases"]:
        for need, probability in zip(case["needs"], (1 - chance, chance), strict=True):
            need["probability"] = probability
    truth = answer(problem)["cases"][-1]["needs"]
    for name, value in _simulated(problem, 1, samples=20_000).cases[-1].needs:
        # A twentieth of the samples is set aside: the standard deviation is .016 at most.
        assert value == pytest.approx(truth[name], abs=0.05)


@pytest.mark.parametrize("group_outcomes", [2_048, 1])
def test_simulated_answers_agree_with_brute_force(
    group_outcomes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(simulation, "_GROUP_OUTCOMES", group_outcomes)
    for seed in range(20_000, 20_250):
        problem = random_problem(seed)
        truth, found = answer(problem), _simulated(problem, seed, samples=1_000)
        whole = found.list_readiness
        assert abs(whole.value - truth["list"]) <= 5 * whole.standard_error + 1e-9, seed
        for case, want in zip(found.cases, truth["cases"], strict=True):
            error = abs(case.readiness.value - want["readiness"])
            assert error <= 5 * case.readiness.standard_error + 1e-9, seed


def test_simulated_gains_agree_with_one_more_unit() -> None:
    problem = _contended()
    base = expected_served(problem)
    gains = dict(_simulated(problem, 5, samples=40_000, gains=10).gains)
    for item in "abcd":
        more = expected_served(with_one_more(problem, item)) - base
        # Further cases served have a variance below 1 a sample; a quarter or more is followed.
        assert gains.get(item, 0.0) == pytest.approx(max(0.0, more), abs=5 / 10_000**0.5)


def test_simulated_gains_of_random_problems_agree_with_one_more_unit() -> None:
    for seed in range(30_000, 30_100):
        problem = random_problem(seed)
        base = expected_served(problem)
        for item, gain in _simulated(problem, seed, gains=100).gains:
            more = expected_served(with_one_more(problem, item)) - base
            assert gain == pytest.approx(more, abs=0.25), (seed, item)


def test_a_hard_day_agrees_with_a_plain_simulation_of_it() -> None:
    # The plain program is NumPy written from the meaning of the problem, for the benchmark.
    problem = list_day(12, 2, 3, 3)
    found = _simulated(problem, 1, samples=50_000).list_readiness
    plain = plain_numpy(problem, 30_000, 2)
    error = (plain * (1 - plain) / 30_000 + found.standard_error**2) ** 0.5
    assert abs(found.value - plain) <= 4 * error
    assert found.standard_error < 0.003


def test_the_same_seed_gives_the_same_answer_and_another_seed_another() -> None:
    problem = _contended()
    first, again = (_simulated(problem, 3, gains=10) for _ in range(2))
    assert first == again
    assert first.list_readiness != _simulated(problem, 4).list_readiness


def test_it_is_told_how_many_runs_are_done_up_to_the_last() -> None:
    samples, told = 20_000, list[tuple[int, int]]()
    problem = {**_contended(), "method": "simulated", "samples": samples, "seed": 1}
    found = solve(problem_from(problem), lambda done, total: told.append((done, total)))
    assert len(told) > 1
    assert told == sorted(told)
    assert {total for _, total in told} == {samples}
    assert told[-1][0] == samples
    assert found == solve(problem_from(problem))
