"""The unit that helps a case most, against brute force over every unit there could be."""

from typing import Any

import pytest

from service.core.readiness.best_unit import most_helpful_unit
from service.schemas.readiness_problem import problem_from
from tests.core.readiness.brute_force import answer, items_of, random_problem, with_one_more

Json = dict[str, Any]


CLOSE = 1e-9


def readiness_of(problem: Json, place: int) -> float:
    """The case's readiness from the brute force, which enumerates every outcome."""
    return float(answer(problem)["cases"][place]["readiness"])


def up_to(problem: Json, place: int) -> Json:
    return {**problem, "cases": problem["cases"][: place + 1]}


@pytest.mark.parametrize("seed", range(50_000, 50_120))
def test_a_first_case_is_told_the_unit_that_helps_it_most(seed: int) -> None:
    problem = up_to(random_problem(seed), 0)
    name = problem["cases"][0]["case"]
    before = readiness_of(problem, 0)
    best = max(
        (readiness_of(with_one_more(problem, item), 0) for item in items_of(problem)),
        default=before,
    )
    found = most_helpful_unit(problem_from(problem), name)
    if best - before < 0.001 - CLOSE:
        assert found is None
    else:
        assert found is not None
        assert found.readiness == pytest.approx(best, abs=CLOSE)


def test_what_a_unit_makes_of_a_later_case_is_worked_out_with_the_cases_before_it() -> None:
    helped = 0
    for seed in range(60_000, 60_400):
        problem = random_problem(seed)
        place = len(problem["cases"]) - 1
        found = most_helpful_unit(problem_from(problem), problem["cases"][place]["case"])
        if found is not None:
            helped += 1
            with_it = readiness_of(with_one_more(problem, found.item), place)
            assert found.readiness == pytest.approx(with_it, abs=CLOSE), seed
    assert helped > 40


def _case(name: str, starts: str, ends: str, item: str) -> Json:
    return {
        "case": name,
        "starts": starts,
        "ends": ends,
        "needs": [{"need": "n", "probability": 1, "constructs": ["c"]}],
        "constructs": [{"construct": "c", "takes": [{"factors": [], "items": [{item: 1}]}]}],
    }


def test_a_set_that_the_case_before_has_away_is_what_is_missing() -> None:
    problem = {
        "stock": [],
        "sets": [{"item": "IS", "quantity": 1, "turnaround_minutes": 240}],
        "cases": [
            _case("K1", "2031-03-04T08:00", "2031-03-04T09:00", "IS"),
            _case("K2", "2031-03-04T10:00", "2031-03-04T11:00", "IS"),
            _case("K3", "2031-03-04T17:00", "2031-03-04T18:00", "IS"),
        ],
    }
    found = most_helpful_unit(problem_from(problem), "K2")
    assert found is not None
    assert (found.item, found.readiness) == ("IS", 1.0)
    assert most_helpful_unit(problem_from(problem), "K3") is None


def test_a_case_that_is_not_on_the_list_is_refused() -> None:
    problem = problem_from(
        {"stock": [], "cases": [_case("K1", "2031-03-04T08:00", "2031-03-04T09:00", "x")]}
    )
    with pytest.raises(ValueError, match="no case K9"):
        most_helpful_unit(problem, "K9")
