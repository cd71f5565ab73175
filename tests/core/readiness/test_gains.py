"""Gains with their error, against gains known exactly by brute force."""

import statistics
from typing import Any

import pytest

from service.core.readiness import ReadinessAnswer, solve
from service.schemas.readiness_problem import problem_from
from tests.core.readiness.brute_force import (
    expected_served,
    items_of,
    random_problem,
    with_one_more,
)

Json = dict[str, Any]


def _case(name: str, shares: list[float], constructs: list[list[Json | None]]) -> Json:
    names = [f"c{n}" for n in range(len(constructs))]
    return {
        "case": name,
        "factors": [{"name": "size", "probabilities": shares}],
        "needs": [{"need": "as planned", "probability": 1, "constructs": names}],
        "constructs": [
            {"construct": one, "takes": [{"factors": ["size"], "items": items}]}
            for one, items in zip(names, constructs, strict=True)
        ],
    }


#: Of the long size there is none: one more serves K1 in 0.06 of all days. Of the short one there is
#: one: another serves K2 where K1 has taken it, 0.12 × 0.12. K3 takes what K5 wants, so one more of
#: that serves K5 in 0.5 × 0.5. With a 'swap' K3 would take what K4 wants instead: K4 loses as often
#: as K5 wins, so that one more of it adds 0, by +1 on some days and −1 on others.
def _lists() -> Json:
    small = [{"item": "long", "quantity": 0}, {"item": "short", "quantity": 1}]
    cases = [
        _case("K1", [0.06, 0.12, 0.82], [[{"long": 1}, {"short": 1}, {}]]),
        _case("K2", [0.12, 0.88], [[{"short": 1}, {}]]),
        _case("K3", [0.5, 0.5], [[{"swap": 1, "of K4": 1}, {}], [{"of K5": 1}, {}]]),
        _case("K4", [0.5, 0.5], [[{"of K4": 1}, {}]]),
        _case("K5", [0.5, 0.5], [[{"of K5": 1}, {}]]),
    ]
    more = [{"item": item, "quantity": 1} for item in ("of K4", "of K5")]
    return {"stock": [*small, *more], "cases": cases}


def _simulated(problem: Json, seed: int, samples: int = 5_000) -> ReadinessAnswer:
    more = {"method": "simulated", "samples": samples, "seed": seed, "gains": 100}
    return solve(problem_from({**problem, **more}))


def _exact_gain(problem: Json, item: str) -> float:
    return expected_served(with_one_more(problem, item)) - expected_served(problem)


def test_a_unit_that_adds_nothing_is_never_named_and_the_second_best_is_found() -> None:
    problem = _lists()
    gains = {item: _exact_gain(problem, item) for item in items_of(problem)}
    assert gains["swap"] == pytest.approx(0, abs=1e-12)
    best = sorted((item for item in gains if gains[item] > 1e-9), key=lambda item: -gains[item])
    assert best == ["of K5", "long", "short"]
    for seed in range(60):
        assert [item for item, _ in _simulated(problem, seed).gains] == best


@pytest.mark.parametrize("seed", range(80_000, 80_030))
def test_a_gain_lies_within_its_error_of_the_exact_one(seed: int) -> None:
    problem = random_problem(seed)
    found = _simulated(problem, seed, samples=4_000)
    for (item, gain), error in zip(found.gains, found.gain_errors, strict=True):
        assert gain > 3 * error > 0 or error == 0
        assert abs(gain - _exact_gain(problem, item)) < 5 * error + 1e-9


def test_the_error_of_a_gain_is_as_large_as_its_scatter_over_seeds() -> None:
    problem = _lists()
    runs = [_simulated(problem, seed, samples=2_000) for seed in range(120)]
    gains = [dict(run.gains)["long"] for run in runs]
    errors = [
        dict(zip((item for item, _ in run.gains), run.gain_errors, strict=True))["long"]
        for run in runs
    ]
    # The scatter of 120 draws is known to 1 / sqrt(2 × 119), about 6.5 %; four times that.
    assert statistics.stdev(gains) == pytest.approx(statistics.mean(errors), rel=0.26)


def test_an_exact_gain_has_no_error() -> None:
    found = solve(problem_from({**_lists(), "method": "exact", "gains": 100}))
    assert set(found.gain_errors) == {0.0}
    problem = _lists()
    for item, gain in found.gains:
        assert gain == pytest.approx(_exact_gain(problem, item), abs=1e-9)
