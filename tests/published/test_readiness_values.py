"""Readiness and kit against values worked out by other means; the source stands beside each."""

import itertools
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from service.core.readiness import solve
from service.core.readiness.kit import choose_kit
from service.schemas.readiness_problem import kit_problem_from, problem_from

Json = dict[str, Any]


def _one_size(name: str, chances: list[float]) -> Json:
    """Return a case that takes one unit of one size."""
    entries = [{f"size-{n}": 1} for n in range(len(chances))]
    return {
        "case": name,
        "factors": [{"name": "size", "probabilities": chances}],
        "needs": [{"need": "as planned", "probability": 1, "constructs": ["only"]}],
        "constructs": [{"construct": "only", "takes": [{"factors": ["size"], "items": entries}]}],
    }


def _shelf(sizes: int, each: int) -> list[Json]:
    return [{"item": f"size-{n}", "quantity": each} for n in range(sizes)]


def _permanent(matrix: list[list[float]]) -> float:
    """Return the permanent of a square matrix from its definition."""
    size = range(len(matrix))
    return math.fsum(
        math.prod(matrix[row][column] for row, column in zip(size, order, strict=True))
        for order in itertools.permutations(size)
    )


MIX = [[0.6, 0.3, 0.1], [0.2, 0.5, 0.3], [0.1, 0.4, 0.5]]


def test_three_cases_on_three_sizes_with_one_of_each() -> None:
    # All are served if their sizes differ: the permanent of the size matrix, .274; cases 1 and
    # .7 by hand (1 - .6*.2 - .3*.5 - .1*.3), .487 by counting the 27 outcomes.
    assert _permanent(MIX) == pytest.approx(0.274, abs=1e-12)
    cases = [_one_size(f"K{n}", row) for n, row in enumerate(MIX)]
    found = solve(problem_from({"stock": _shelf(3, 1), "cases": cases}))
    assert found.method == "exact"
    assert found.list_readiness.value == pytest.approx(0.274, abs=1e-12)
    values = [case.readiness.value for case in found.cases]
    assert values == pytest.approx([1.0, 0.7, 0.487], abs=1e-12)


def test_five_cases_on_five_sizes_are_a_permanent() -> None:
    matrix = np.random.default_rng(5).dirichlet(np.ones(5), size=5).tolist()
    cases = [_one_size(f"K{n}", row) for n, row in enumerate(matrix)]
    found = solve(problem_from({"stock": _shelf(5, 1), "cases": cases}))
    assert found.list_readiness.value == pytest.approx(_permanent(matrix), abs=1e-12)


def test_a_product_over_sizes_is_no_substitute() -> None:
    # One size a case makes demands negatively dependent: the product of each size's own
    # probability of being enough (Poisson-binomial, at most one) is not the joint one.
    product = math.prod(
        math.prod(1 - row[k] for row in MIX)
        + math.fsum(
            row[k] * math.prod(1 - other[k] for other in MIX if other is not row) for row in MIX
        )
        for k in range(3)
    )
    assert abs(product - 0.274) > 0.05


def _enough_of_each(cases: int, sizes: int, each: int) -> float:
    """Return P(no size is wanted more often than there is) from the generating function.

    The counts of cases on equally likely sizes are multinomial: cases!/sizes^cases times the
    coefficient of z^cases in (sum of z^k/k! for k up to each)^sizes.
    """
    factor = np.polynomial.Polynomial([1 / math.factorial(k) for k in range(each + 1)])
    coefficient = (factor**sizes).coef[cases]
    return float(coefficient * math.factorial(cases) / sizes**cases)


@pytest.mark.parametrize(("each", "expected"), [(1, 0.0147314041875), (2, 0.6425394676)])
def test_twelve_cases_uniform_on_twenty_sizes(each: int, expected: float) -> None:
    # 20!/8!/20^12 for one of each; the generating function for two of each.
    assert _enough_of_each(12, 20, each) == pytest.approx(expected, abs=1e-10)
    cases = [_one_size(f"K{n}", [1 / 20] * 20) for n in range(12)]
    problem = {"stock": _shelf(20, each), "cases": cases, "samples": 200_000, "gains": 0}
    found = solve(problem_from(problem)).list_readiness
    # Simulated, so that it is held to four of its own standard errors (1 in 16,000 by chance).
    assert found.standard_error < 0.0015
    assert abs(found.value - expected) <= 4 * found.standard_error


def test_twelve_cases_uniform_on_sixteen_sizes_are_exact_only_where_that_is_asked_for() -> None:
    # Sampling without repetition: 16!/4!/16^12.
    cases = [_one_size(f"K{n}", [1 / 16] * 16) for n in range(12)]
    problem = {"stock": _shelf(16, 1), "cases": cases, "gains": 0}
    asked = solve(problem_from({**problem, "method": "exact"}))
    expected = math.factorial(16) / math.factorial(4) / 16**12
    assert asked.list_readiness.value == pytest.approx(expected, abs=1e-12)
    usual = solve(problem_from({**problem, "method": "auto"}))
    assert (asked.method, usual.method) == ("exact", "simulated")
    error = 4 * usual.list_readiness.standard_error
    assert usual.list_readiness.value == pytest.approx(expected, abs=error)


@pytest.mark.parametrize(("cases", "sizes", "each"), [(6, 9, 1), (6, 8, 2), (7, 6, 2)])
def test_fewer_cases_uniform_on_sizes_are_exact(cases: int, sizes: int, each: int) -> None:
    listed = [_one_size(f"K{n}", [1 / sizes] * sizes) for n in range(cases)]
    found = solve(problem_from({"stock": _shelf(sizes, each), "cases": listed, "method": "exact"}))
    expected = _enough_of_each(cases, sizes, each)
    assert found.list_readiness.value == pytest.approx(expected, abs=1e-12)


def test_cases_that_may_want_one_thing_are_a_binomial() -> None:
    # Twelve cases want the item with probability .3 each: scipy's binomial distribution.
    cases = []
    for n in range(12):
        case = _one_size(f"K{n}", [0.3, 0.7])
        case["constructs"][0]["takes"][0]["items"] = [{"wire": 1}, {}]
        cases.append(case)
    found = solve(problem_from({"stock": [{"item": "wire", "quantity": 4}], "cases": cases}))
    assert found.list_readiness.value == pytest.approx(stats.binom(12, 0.3).cdf(4), abs=1e-12)
    for n, each in enumerate(found.cases):
        wanted = 0.3 * stats.binom(n, 0.3).sf(3)
        assert each.readiness.value == pytest.approx(1 - wanted, abs=1e-12)
    # One more unit serves one case more if five or more want it.
    assert dict(found.gains)["wire"] == pytest.approx(stats.binom(12, 0.3).sf(4), abs=1e-12)


def test_a_repair_kit_of_four_parts() -> None:
    # Parts wanted independently with p = (.2, .1, .05, .3), costs (1, 1, 1, 4), job rate at
    # least .9. By hand: only one of part 2 (rate .9) and part 3 (rate .95) can be left out; both
    # leave a cost of 6, and the tie goes to leaving out the part named first.
    chances = [0.2, 0.1, 0.05, 0.3]
    case = {
        "case": "job",
        "factors": [
            {"name": f"f{n}", "probabilities": [p, 1 - p]} for n, p in enumerate(chances, start=1)
        ],
        "needs": [{"need": "job", "probability": 1, "constructs": ["parts"]}],
        "constructs": [
            {
                "construct": "parts",
                "takes": [{"factors": [f"f{n}"], "items": [{f"{n}": 1}, {}]} for n in range(1, 5)],
            }
        ],
    }
    stock = [{"item": f"{n}", "quantity": 1} for n in range(1, 5)]
    costs = {"1": 1, "2": 1, "3": 1, "4": 4}
    problem = {"case": case, "stock": stock, "target": 0.9, "costs": costs}
    found = choose_kit(kit_problem_from(problem))
    assert found.packs == (("1", 1), ("3", 1), ("4", 1))
    assert (found.cost, found.method) == (6, "exact")
    assert found.readiness == pytest.approx(0.9, abs=1e-12)
