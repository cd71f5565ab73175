"""List order against every order run one by one, in plain Python written for the test."""

import itertools
import random

import pytest

from service.core.list_order import PlannedCase, SetStock, better_order, set_clashes


def _random_list(seed: int) -> tuple[list[PlannedCase], list[SetStock]]:
    rng = random.Random(seed)  # noqa: S311 - test data
    sets = [SetStock(f"s{n}", rng.randint(0, 2), rng.choice([0, 60, 180])) for n in range(3)]
    cases, clock = [], 480
    for n in range(rng.randint(1, 5)):
        ends = clock + rng.choice([30, 60, 90])
        used = tuple(rng.sample(["s0", "s1", "s2"], rng.randint(0, 2)))
        cases.append(PlannedCase(f"K{n}", "1", clock, ends, used))
        clock = ends
    return cases, sets


def _run(order: tuple[PlannedCase, ...], sets: list[SetStock], gap: int) -> int:
    """Return the total waiting: each set copy has a time from which it is free."""
    free = {each.item: [0] * each.copies for each in sets}
    away = {each.item: each.turnaround_minutes for each in sets}
    clock, waited = min(case.starts_minutes for case in order), 0
    for case in order:
        wanted = [item for item in case.sets if free[item]]
        starts = max([clock, *(min(free[item]) for item in wanted)])
        waited += starts - clock
        ends = starts + case.ends_minutes - case.starts_minutes
        for item in wanted:
            free[item].remove(min(free[item]))
            free[item].append(ends + away[item])
        clock = ends + gap
    return waited


@pytest.mark.parametrize("gap", [0, 25])
def test_the_order_suggested_waits_least_of_all_orders_and_moves_fewest(gap: int) -> None:
    improved = 0
    for seed in range(200):
        cases, sets = _random_list(seed)
        found = better_order(cases, sets, gap)
        runs = [
            (_run(order, sets, gap), sum(a != b for a, b in zip(order, cases, strict=True)))
            for order in itertools.permutations(cases)
        ]
        now, best = runs[0][0], min(runs)
        assert found.waiting_now_minutes == now
        assert found.waiting_minutes == best[0]
        assert found.outcome == ("better" if best[0] < now else "none better")
        assert found.moved == (best[1] if best[0] < now else 0)
        improved += found.outcome == "better"
    assert improved > 20


def test_a_clash_is_found_where_and_only_where_no_copy_is_there() -> None:
    for seed in range(200):
        cases, sets = _random_list(seed)
        expected = []
        free = {each.item: [0] * each.copies for each in sets}
        away = {each.item: each.turnaround_minutes for each in sets}
        for case in cases:
            for item in case.sets:
                ready = [moment for moment in free[item] if moment <= case.starts_minutes]
                if ready:
                    free[item].remove(min(ready))
                    free[item].append(case.ends_minutes + away[item])
                else:
                    back = min(free[item]) if free[item] else None
                    expected.append((case.case, item, back))
        found = [(each.case, each.item, each.back_minutes) for each in set_clashes(cases, sets)]
        assert found == expected


def test_two_theatres_that_need_the_only_set_at_once_clash() -> None:
    cases = [PlannedCase("K1", "1", 480, 570, ("s",)), PlannedCase("K2", "2", 480, 540, ("s",))]
    (found,) = set_clashes(cases, [SetStock("s", 1, 60)])
    assert (found.case, found.held_by, found.back_minutes) == ("K2", ("K1",), 630)
    assert found.reason == "K2 starts at 08:00; the only copy of s is with K1 and back at 10:30."


def test_a_set_that_nobody_has_is_said_to_be_missing() -> None:
    (found,) = set_clashes([PlannedCase("K1", "1", 480, 570, ("s",))], [])
    assert found.reason == "K1 starts at 08:00; there is no copy of s."


def test_more_than_eight_cases_are_not_searched_and_the_result_says_so() -> None:
    cases = [PlannedCase(f"K{n}", "1", 60 * n, 60 * n + 60, ("s",)) for n in range(9)]
    found = better_order(cases, [SetStock("s", 1, 240)])
    assert (found.outcome, found.waiting_minutes) == ("not searched", None)
    assert found.reason == "More than 8 cases: not searched."


def test_eight_cases_are_searched() -> None:
    cases = [
        PlannedCase(f"K{n}", "1", 60 * n, 60 * n + 60, ("s",) if n in {0, 1} else ())
        for n in range(8)
    ]
    found = better_order(cases, [SetStock("s", 1, 240)])
    # K2 to K5 fill the four hours that the set is away; only K1 and one other change places.
    assert (found.outcome, found.waiting_minutes, found.moved) == ("better", 0, 2)
    assert found.order.index("K1") >= 5


def test_several_theatres_are_not_searched() -> None:
    cases = [PlannedCase("K1", "1", 480, 570, ()), PlannedCase("K2", "2", 480, 540, ())]
    assert better_order(cases, []).outcome == "not searched"


def test_an_empty_list_needs_no_other_order() -> None:
    assert better_order([], []).outcome == "none better"
