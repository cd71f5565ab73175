"""Par levels against published and tabled values of inventory and traffic theory."""

import math

import numpy as np
import pytest
from scipy import stats

from service.core.par import answer_par, erlang_b, expected_short, level_for, outstanding_cdf
from service.core.par.readiness_sum import Floats
from service.schemas.par_problem import par_problem_from


def one_screw(arrivals_per_day: float, lead_time_days: float, **ask: object) -> dict[str, object]:
    """Return a problem of one item, one unit of which every case takes."""
    construct = {"construct": "one", "takes": [{"factors": [], "items": [{"screw": 1}]}]}
    case = {
        "case": "any",
        "needs": [{"need": "fix", "probability": 1.0, "constructs": ["one"]}],
        "constructs": [construct],
    }
    item = {"item": "screw", "unit_cost": 100, "lead_time_days": lead_time_days}
    return {
        "arrivals_per_day": arrivals_per_day,
        "case_mix": [{"weight": 1.0, "case": case}],
        "items": [item],
        **ask,
    }


def mass(cdf: Floats) -> Floats:
    return np.diff(cdf, prepend=0.0)


def backorders(cdf: Floats, level: int) -> float:
    """Return the mean number by which the units on order exceed the level."""
    return float(np.sum(1.0 - cdf[level:]))


# Source: tables of the cumulative Poisson distribution, mean 2; by scipy.stats.poisson.cdf also.
@pytest.mark.parametrize(
    ("level", "readiness"),
    [(1, 0.135335), (2, 0.406006), (3, 0.676676), (4, 0.857123), (5, 0.947347)],
)
def test_one_item_taken_one_at_a_time_is_ready_as_the_poisson_table_says(
    level: int, readiness: float
) -> None:
    answer = answer_par(par_problem_from(one_screw(0.5, 4.0, levels={"screw": level})))
    assert answer["readiness"] == pytest.approx(readiness, abs=5e-7)
    assert answer["readiness"] == pytest.approx(stats.poisson.cdf(level - 1, 2.0), abs=1e-12)


# Source: L. V. Snyder and Z.-J. M. Shen, "Fundamentals of Supply Chain Theory", as given by the
# library stockpyl 1.0.2: Poisson demand with mean 6, holding 1, penalty 4 -> 8, 3.570106945770942.
def test_the_smallest_level_at_the_critical_ratio_is_the_poisson_newsvendors() -> None:
    cdf = outstanding_cdf(6.0, {1: 1.0}, 200)
    level = int(np.argmax(cdf >= 4.0 / (4.0 + 1.0)))
    assert level_for(6.0, {1: 1.0}, 4.0 / (4.0 + 1.0)) == level + 1
    held = float(np.sum(cdf[:level]))
    assert level == 8
    assert 1.0 * held + 4.0 * backorders(cdf, level) == pytest.approx(3.570106945770942, abs=1e-9)


# The same source: a case finds its unit when at most level - 1 are on order, so the level for a
# fill of 0.8 is one above the newsvendor's.
def test_the_level_for_a_target_fill_is_one_above_the_newsvendors() -> None:
    answer = answer_par(par_problem_from(one_screw(6.0, 1.0, target_readiness=0.8)))
    assert answer["levels"] == {"screw": 9}


# Source: the same book and library: negative binomial demand nbinom(2, 0.5), holding 1, penalty 9
# -> 5, 4.40625. A negative binomial number is compound Poisson with logarithmic sizes (M. H.
# Quenouille 1949; from memory): -r ln p cases of sizes (1 - p)^k / (-k ln p).
def test_logarithmic_sizes_give_the_negative_binomial_newsvendor() -> None:
    shape, chance = 2, 0.5
    sizes = {k: (1 - chance) ** k / (-k * math.log(chance)) for k in range(1, 121)}
    cdf = outstanding_cdf(-shape * math.log(chance), sizes, 120)
    assert cdf == pytest.approx(stats.nbinom.cdf(np.arange(121), shape, chance), abs=1e-12)
    level = int(np.argmax(cdf >= 9.0 / 10.0))
    assert level == 5
    assert level_for(-shape * math.log(chance), sizes, 9.0 / 10.0) == level + 1
    cost = float(np.sum(cdf[:level])) + 9.0 * backorders(cdf, level)
    assert cost == pytest.approx(4.40625, abs=1e-9)


# Source: expected backorders under base stock, computed by two methods (sum of the tail; Σ pmf).
@pytest.mark.parametrize(
    ("mean", "expected"),
    [(4.0, [4.0, 3.0183, 2.1099, 1.3480]), (1.0, [1.0, 0.3679, 0.1036, 0.0233])],
)
def test_expected_backorders_are_those_of_base_stock(mean: float, expected: list[float]) -> None:
    cdf = outstanding_cdf(mean, {1: 1.0}, 80)
    assert [backorders(cdf, level) for level in range(4)] == pytest.approx(expected, abs=5.1e-5)
    short = [expected_short(mean, {1: 1.0}, level) for level in range(4)]
    assert short == pytest.approx(expected, abs=5.1e-5)
    assert expected_short(mean, {1: 0.5, 3: 0.5}, 2) == pytest.approx(
        backorders(outstanding_cdf(mean, {1: 0.5, 3: 0.5}, 200), 2), abs=1e-9
    )


# Source: Erlang B tables of telephone traffic: 2 servers, 1 erlang; 5 servers, 3 erlang.
@pytest.mark.parametrize(("servers", "load", "blocked"), [(2, 1.0, 0.2), (5, 3.0, 0.1100543)])
def test_the_poisson_mass_cut_at_the_level_gives_the_erlang_b_table(
    servers: int, load: float, blocked: float
) -> None:
    cdf = outstanding_cdf(load, {1: 1.0}, servers)
    assert mass(cdf)[servers] / cdf[servers] == pytest.approx(blocked, abs=5e-8)
    assert erlang_b(servers, load) == pytest.approx(blocked, abs=5e-8)


# Source: National Hip Fracture Database: about 378 cases a hospital and year, 1.04 a day.
def test_three_or_more_hip_fractures_come_on_about_nine_days_in_a_hundred() -> None:
    cdf = outstanding_cdf(378 / 365.25, {1: 1.0}, 2)
    assert 1.0 - cdf[2] == pytest.approx(0.09, abs=0.005)
