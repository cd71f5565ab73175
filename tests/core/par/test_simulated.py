"""Ten years of a shelf played out event by event, against the readiness computed.

The simulation knows nothing of the formulas: cases arrive one after the other, each takes its
need's first construct, an order comes back after its lead time. What it measures beyond chance is
the error of taking the units on order of different items as independent.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from service.core.par import answer_par, plan_par
from service.schemas.par_problem import par_problem_from

Problem = dict[str, Any]


DAYS = 10 * 365


@dataclass(frozen=True)
class Way:
    """One way a case can turn out: its chance and the demand of each of its constructs."""

    chance: float
    demands: tuple[dict[str, int], ...]


@dataclass(frozen=True)
class Shelf:
    """Items with level, lead time in days; arrivals a day; the ways a case can turn out."""

    arrivals_per_day: float
    items: dict[str, tuple[int, float]]
    ways: tuple[Way, ...]


def as_problem(shelf: Shelf) -> Problem:
    """Return the par problem of a shelf, each way of a case as a need of its own."""
    constructs, needs = [], []
    for number, way in enumerate(shelf.ways):
        names = [f"c{number}-{place}" for place in range(len(way.demands))]
        for name, demand in zip(names, way.demands, strict=True):
            constructs.append({"construct": name, "takes": [{"items": [demand]}]})
        needs.append({"need": f"n{number}", "probability": way.chance, "constructs": names})
    case = {"case": "any", "needs": needs, "constructs": constructs}
    return {
        "arrivals_per_day": shelf.arrivals_per_day,
        "case_mix": [{"weight": 1.0, "case": case}],
        "items": [
            {"item": name, "unit_cost": 1, "lead_time_days": lead}
            for name, (_, lead) in shelf.items.items()
        ],
        "levels": {name: level for name, (level, _) in shelf.items.items()},
    }


def ten_years(shelf: Shelf, rng: np.random.Generator) -> float:
    """Return the share of the cases of ten years that found some construct wholly there."""
    warm_up = max(lead for _, lead in shelf.items.values())
    count = rng.poisson(shelf.arrivals_per_day * (DAYS + warm_up))
    times = np.sort(rng.uniform(-warm_up, DAYS, count))
    drawn = rng.choice(len(shelf.ways), size=count, p=[way.chance for way in shelf.ways])
    there = {}
    for name, (level, lead) in shelf.items.items():
        takes = np.array([way.demands[0].get(name, 0) for way in shelf.ways])[drawn]
        taken = np.concatenate([[0], np.cumsum(takes)])
        back = np.searchsorted(times, times - lead, side="right")
        there[name] = np.maximum(level - (taken[:-1] - taken[back]), 0)
    ready = np.zeros(count, dtype=bool)
    for number, way in enumerate(shelf.ways):
        for demand in way.demands:
            whole = np.all([there[name] >= units for name, units in demand.items()], axis=0)
            ready |= (drawn == number) & whole
    return float(np.mean(ready[times >= 0.0]))


def measured(shelf: Shelf, runs: int = 400) -> tuple[float, float]:
    """Return the mean readiness of several runs of ten years, and its standard error."""
    rng = np.random.default_rng(2031)
    shares = np.array([ten_years(shelf, rng) for _ in range(runs)])
    return float(shares.mean()), float(shares.std(ddof=1) / math.sqrt(runs))


def computed(shelf: Shelf) -> float:
    answer: Problem = answer_par(par_problem_from(as_problem(shelf)))
    readiness: float = answer["readiness"]
    return readiness


def sizes_of_one_screw() -> Shelf:
    """Return a shelf of five sizes of which each case takes one: independent in truth."""
    shares = (0.1, 0.2, 0.4, 0.2, 0.1)
    items = {f"lag-{n}": (1 + (n == 2), 7.0 + n) for n in range(5)}
    ways = tuple(Way(share, ({f"lag-{n}": 1},)) for n, share in enumerate(shares))
    return Shelf(1.04 / 3, items, ways)


# Source: simulation, band of four standard errors of 400 runs of ten years. Poisson streams split
# by size are independent, so nothing but chance may part the two.
def test_sizes_that_exclude_each_other_are_ready_as_often_as_computed() -> None:
    shelf = sizes_of_one_screw()
    share, error = measured(shelf)
    assert error < 0.003
    assert computed(shelf) == pytest.approx(share, abs=4.0 * error)


# Source: simulation, as above, of wires taken two or three at a time.
def test_units_taken_several_at_once_are_ready_as_often_as_computed() -> None:
    ways = (Way(0.5, ({"wire": 2},)), Way(0.2, ({"wire": 3},)), Way(0.3, ({"wire": 1},)))
    shelf = Shelf(0.4, {"wire": (9, 6.0)}, ways)
    share, error = measured(shelf)
    assert computed(shelf) == pytest.approx(share, abs=4.0 * error)


def nail_with_its_screws(spare: int) -> Shelf:
    """Return a realistic shelf: one nail, set screw and end cap a case, sizes of lag and distal."""
    ways = tuple(
        Way(0.25 * share, ({"nail": 1, "set": 1, "cap": 1, f"lag-{n}": 1, f"distal-{k}": 1},))
        for n, share in enumerate((0.25, 0.5, 0.25))
        for k in range(4)
    )
    items = {"nail": (4 + spare, 5.0), "set": (4 + spare, 5.0), "cap": (4 + spare, 5.0)}
    items |= {f"lag-{n}": (2 + spare + (n == 1), 5.0) for n in range(3)}
    items |= {f"distal-{k}": (2 + spare, 5.0) for k in range(4)}
    return Shelf(0.35, items, ways)


# The assumption's error where it is worst: three items that only ever leave together, so that the
# shelf is ready with P(N <= 3) = 0.857 and computed as its cube, 0.630. The computed figure errs
# low, here by 0.227. Source: simulation, and the Poisson table, mean 2.
def test_items_that_only_leave_together_are_readier_than_computed_by_a_stated_gap() -> None:
    shelf = Shelf(0.5, dict.fromkeys("xyz", (4, 4.0)), (Way(1.0, ({"x": 1, "y": 1, "z": 1},)),))
    share, error = measured(shelf)
    assert share == pytest.approx(0.857123, abs=4.0 * error)
    assert share - computed(shelf) == pytest.approx(0.857123 - 0.857123**3, abs=4.0 * error)


# The same error on a realistic shelf falls with what the shelf is ready for: measured 0.202 at
# 0.631 computed, 0.072 at 0.885, 0.019 at 0.970 and 0.005 at 0.993, always on the safe side.
# Source: simulation; the bounds are the measured gaps with room for chance.
@pytest.mark.parametrize(("spare", "most"), [(0, 0.21), (1, 0.08), (2, 0.022), (3, 0.006)])
def test_on_a_realistic_shelf_the_computed_readiness_errs_low_by_a_stated_gap(
    spare: int, most: float
) -> None:
    shelf = nail_with_its_screws(spare)
    share, error = measured(shelf)
    assert error < 0.001
    assert -4.0 * error <= share - computed(shelf) <= most


# Alternates whose items leave together err the other way: a case that could do with a nail or a
# plate, where most cases take both (and the others are always ready), is computed 0.153 too ready
# at three of each with 2.1 and 1.7 on order on average. Source: simulation.
def test_alternates_that_run_out_together_help_less_than_computed_by_a_stated_gap() -> None:
    both = Way(0.8, ({"nail": 1, "plate": 1}, {}))
    either = Way(0.2, ({"nail": 1}, {"plate": 1}))
    shelf = Shelf(0.3, {"nail": (3, 7.0), "plate": (3, 7.0)}, (both, either))
    share, error = measured(shelf)
    gap, band = (computed(shelf) - share) / 0.2, 4.0 * error / 0.2
    assert gap > band
    assert gap <= 0.153 + band


def as_used(shelf: Shelf, rng: np.random.Generator) -> float:
    """Return the share of the cases of ten years served, each using what is really there."""
    times = np.sort(rng.uniform(0.0, DAYS, rng.poisson(shelf.arrivals_per_day * DAYS)))
    drawn = rng.choice(len(shelf.ways), size=len(times), p=[way.chance for way in shelf.ways])
    ordered: dict[str, list[float]] = {name: [] for name in shelf.items}
    served = 0
    for time, number in zip(times.tolist(), drawn.tolist(), strict=True):
        ordered = {n: [back for back in due if back > time] for n, due in ordered.items()}
        for demand in shelf.ways[number].demands:
            if all(shelf.items[i][0] - len(ordered[i]) >= units for i, units in demand.items()):
                for name, units in demand.items():
                    ordered[name] += [time + shelf.items[name][1]] * units
                served += 1
                break
    return served / len(times)


# The other assumption, that a case takes its first construct even when it is not there, errs low
# too where in truth the alternate or a loan is used: measured 0.208, 0.100 and 0.036 with two,
# three and four nails on the shelf. Source: simulation, one case after the other.
@pytest.mark.parametrize(("nails", "most"), [(2, 0.22), (3, 0.11), (4, 0.042)])
def test_using_what_is_there_leaves_the_shelf_readier_than_computed_by_a_stated_gap(
    nails: int, most: float
) -> None:
    ways = (
        Way(0.45, ({"nail": 1, "lag": 1}, {"plate": 1, "lag": 1})),
        Way(0.45, ({"nail": 1, "lag": 1},)),
        Way(0.1, ({"plate": 1, "lag": 1},)),
    )
    shelf = Shelf(0.3, {"nail": (nails, 6.0), "lag": (nails + 1, 6.0), "plate": (2, 6.0)}, ways)
    rng = np.random.default_rng(7)
    shares = np.array([as_used(shelf, rng) for _ in range(60)])
    error = float(shares.std(ddof=1)) / math.sqrt(len(shares))
    assert 4.0 * error < float(shares.mean()) - computed(shelf) <= most


def lags_with_blades(lags: int, blades: tuple[int, int, int]) -> Shelf:
    """Return a shelf of three sizes of lag screw and, as their alternates, of blade."""
    ways = []
    for size, share in enumerate((0.25, 0.5, 0.25)):
        lag, blade = {f"lag-{size}": 1}, {f"blade-{size}": 1}
        ways += [Way(0.9 * share, (lag, blade)), Way(0.1 * share, (blade,))]
    items = {f"lag-{size}": (lags, 7.0) for size in range(3)}
    items |= {f"blade-{size}": (level, 7.0) for size, level in enumerate(blades)}
    return Shelf(0.35, items, tuple(ways))


# The same assumption where it is unsafe: no lag screw is kept, blades do all the work, and their
# use in its place is missed. Measured 0.229 too high with no lag screws and 0.089 with one of each
# size. Source: simulation, one case after the other.
@pytest.mark.parametrize(("lags", "blades", "most"), [(0, (1, 2, 2), 0.235), (1, (1, 2, 1), 0.095)])
def test_a_shelf_that_leans_on_alternates_is_less_ready_than_computed_by_a_stated_gap(
    lags: int, blades: tuple[int, int, int], most: float
) -> None:
    shelf = lags_with_blades(lags, blades)
    rng = np.random.default_rng(7)
    shares = np.array([as_used(shelf, rng) for _ in range(60)])
    error = float(shares.std(ddof=1)) / math.sqrt(len(shares))
    assert 4.0 * error < computed(shelf) - float(shares.mean()) <= most
    plan = plan_par(par_problem_from(as_problem(shelf)))
    assert plan.first_choice < plan.readiness - 0.2
