"""Exact answers against brute force; see readiness_brute_force for the independent answer."""

from typing import Any

import pytest

from service.core.readiness import ProblemError, answer_to_json, exact, solve
from service.schemas.readiness_problem import problem_from
from tests.core.readiness.brute_force import (
    answer,
    expected_served,
    items_of,
    random_problem,
    with_one_more,
)

Json = dict[str, Any]


CLOSE = 1e-9


def _check_against_brute_force(problem: Json) -> None:
    expected, found = answer(problem), solve(problem_from({**problem, "method": "exact"}))
    assert found.list_readiness.value == pytest.approx(expected["list"], abs=CLOSE)
    for got, want in zip(found.cases, expected["cases"], strict=True):
        assert got.readiness.value == pytest.approx(want["readiness"], abs=CLOSE)
        assert dict(got.needs) == pytest.approx(want["needs"], abs=CLOSE)
        assert dict(got.constructs) == pytest.approx(want["coverage"], abs=CLOSE)


@pytest.mark.parametrize("block", range(10))
def test_exact_answers_equal_brute_force_on_thousands_of_small_problems(block: int) -> None:
    for seed in range(block * 300, block * 300 + 300):
        _check_against_brute_force(random_problem(seed))


@pytest.mark.parametrize(("block", "columns"), [(0, 1), (1, 16), (2, 16_384), (3, 16_384)])
def test_exact_gains_equal_brute_force_with_one_more_unit(
    block: int, columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # States are run in blocks; small ones show that it does not matter where they are cut.
    monkeypatch.setattr(exact, "_BLOCK_COLUMNS", columns)
    for seed in range(10_000 + block * 250, 10_000 + block * 250 + 250):
        problem = random_problem(seed)
        _check_against_brute_force(problem)
        gains = dict(solve(problem_from({**problem, "gains": 100})).gains)
        base = expected_served(problem)
        for item in items_of(problem):
            more = expected_served(with_one_more(problem, item)) - base
            assert gains.get(item, 0.0) == pytest.approx(max(more, 0.0), abs=CLOSE), (seed, item)


def simple_case(name: str, *constructs: dict[str, int], **more: str) -> Json:
    """Return a case with one need whose constructs, in order, each take fixed items."""
    names = [f"c{n}" for n in range(len(constructs))]
    return {
        "case": name,
        **more,
        "needs": [{"need": "as planned", "probability": 1, "constructs": names}],
        "constructs": [
            {"construct": c, "takes": [{"factors": [], "items": [entry]}]}
            for c, entry in zip(names, constructs, strict=True)
        ],
    }


def test_one_more_unit_can_make_a_list_worse_where_a_case_has_a_choice() -> None:
    # K1 would rather have a and b; while there is no a it takes c and leaves b to K2.
    cases = [simple_case("K1", {"a": 1, "b": 1}, {"c": 1}), simple_case("K2", {"b": 1})]
    stock = [{"item": "b", "quantity": 1}, {"item": "c", "quantity": 1}]
    before = solve(problem_from({"stock": stock, "cases": cases}))
    after = solve(problem_from({"stock": [*stock, {"item": "a", "quantity": 1}], "cases": cases}))
    assert before.list_readiness.value == 1.0
    assert after.list_readiness.value == 0.0
    assert before.gains == ()


def test_the_parcel_that_expires_first_is_taken_first() -> None:
    clock = {"starts": "2031-03-03T08:00", "ends": "2031-03-03T09:00"}
    later = {"starts": "2031-03-03T12:00", "ends": "2031-03-03T13:00"}
    cases = [simple_case("K1", {"x": 1}, **clock), simple_case("K2", {"x": 1}, **later)]
    stock = [
        {"item": "x", "quantity": 1, "until": "2031-03-04T00:00"},
        {"item": "x", "quantity": 1, "until": "2031-03-03T12:00"},
    ]
    assert solve(problem_from({"stock": stock, "cases": cases})).list_readiness.value == 1.0


def test_a_parcel_is_not_usable_at_its_end_but_is_at_its_beginning() -> None:
    clock = {"starts": "2031-03-03T08:00", "ends": "2031-03-03T09:00"}
    cases = [simple_case("K1", {"x": 1}, **clock)]
    ends = [{"item": "x", "quantity": 1, "until": "2031-03-03T08:00"}]
    begins = [{"item": "x", "quantity": 1, "from": "2031-03-03T08:00"}]
    assert solve(problem_from({"stock": ends, "cases": cases})).list_readiness.value == 0.0
    assert solve(problem_from({"stock": begins, "cases": cases})).list_readiness.value == 1.0


@pytest.mark.parametrize(("minutes", "expected"), [(120, 1.0), (121, 0.0)])
def test_a_set_is_usable_from_the_minute_it_is_back(minutes: int, expected: float) -> None:
    cases = [
        simple_case("K1", {"s": 1}, starts="2031-03-03T08:00", ends="2031-03-03T09:00"),
        simple_case("K2", {"s": 1}, starts="2031-03-03T11:00", ends="2031-03-03T12:00"),
    ]
    sets = [{"item": "s", "quantity": 1, "turnaround_minutes": minutes}]
    found = solve(problem_from({"stock": [], "sets": sets, "cases": cases}))
    assert found.list_readiness.value == expected
    assert found.gains == (() if expected else (("s", 1.0),))


def test_times_with_offsets_are_compared_as_moments() -> None:
    cases = [simple_case("K1", {"x": 1}, starts="2031-03-03T08:00+01:00", ends="2031-03-03T09:00Z")]
    stock = [{"item": "x", "quantity": 1, "from": "2031-03-03T07:00Z"}]
    assert solve(problem_from({"stock": stock, "cases": cases})).list_readiness.value == 1.0


def test_an_unserved_case_takes_nothing() -> None:
    cases = [simple_case("K1", {"x": 1, "y": 1}), simple_case("K2", {"x": 1})]
    found = solve(problem_from({"stock": [{"item": "x", "quantity": 1}], "cases": cases}))
    assert [case.readiness.value for case in found.cases] == [0.0, 1.0]


def test_takes_of_one_construct_add_up() -> None:
    take = {"factors": [], "items": [{"x": 1}]}
    case = simple_case("K1", {})
    case["constructs"][0]["takes"] = [take, take]
    short = solve(problem_from({"stock": [{"item": "x", "quantity": 1}], "cases": [case]}))
    enough = solve(problem_from({"stock": [{"item": "x", "quantity": 2}], "cases": [case]}))
    assert (short.list_readiness.value, enough.list_readiness.value) == (0.0, 1.0)
    assert short.gains == (("x", 1.0),)


def test_a_unit_that_no_case_has_is_counted_once_for_cases_that_share_nothing_else() -> None:
    # Each case misses x with probability one half; the unit serves whichever asks first.
    cases = []
    for name in ("K1", "K2"):
        case = simple_case(name, {})
        case["factors"] = [{"name": "f", "probabilities": [0.5, 0.5]}]
        case["constructs"][0]["takes"] = [{"factors": ["f"], "items": [{"x": 1}, {}]}]
        cases.append(case)
    found = solve(problem_from({"stock": [], "cases": cases}))
    assert found.list_readiness.value == 0.25
    assert found.gains == (("x", 0.75),)


def test_an_answer_has_the_form_of_the_contract() -> None:
    problem = problem_from({"stock": [], "cases": [simple_case("K1", {"x": 1})], "gains": 1})
    assert answer_to_json(solve(problem)) == {
        "method": "exact",
        "samples": None,
        "list_readiness": {"value": 0.0, "standard_error": 0.0},
        "cases": [
            {
                "case": "K1",
                "readiness": 0.0,
                "standard_error": 0.0,
                "needs": [{"need": "as planned", "readiness": 0.0}],
                "constructs": [{"construct": "c0", "coverage": 0.0}],
            }
        ],
        "gains": [{"item": "x", "gain": 1.0, "standard_error": 0.0}],
    }


def test_exact_beyond_the_bound_is_refused_with_its_size(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exact, "MAX_TRANSITIONS", 3)
    monkeypatch.setattr(exact, "MAX_TRANSITIONS_IF_ASKED", 3)
    cases = [simple_case(f"K{n}", {"x": 1}, {"y": 1}) for n in range(5)]
    stock = [{"item": "x", "quantity": 2}, {"item": "y", "quantity": 2}]
    problem = {"stock": stock, "cases": cases, "samples": 200, "gains": 0}
    with pytest.raises(ProblemError) as refusal:
        solve(problem_from({**problem, "method": "exact"}))
    assert refusal.value.faults[0][0] == "/method"
    assert "at least 4 pairs" in refusal.value.faults[0][1]
    assert solve(problem_from({**problem, "method": "auto"})).method == "simulated"
