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


def test_a_copy_that_comes_back_during_the_day_is_waited_for_and_not_missed() -> None:
    # The only copy is back at 10:00 after a case of the day before: K1 at 8:00 would wait two
    # hours for it, and after K2, which ends at 9:30, half an hour.
    sets = [SetStock("nail set", 0, 60, ((600, "K0"),))]
    cases = [
        PlannedCase("K1", "1", 480, 540, ("nail set",)),
        PlannedCase("K2", "1", 540, 630, ()),
        PlannedCase("K3", "1", 660, 720, ("nail set",)),
    ]
    first, last = set_clashes(cases, sets)[0], set_clashes(cases[2:], sets)
    assert first.reason == (
        "K1 starts at 08:00; the only copy of nail set is with K0 and back at 10:00."
    )
    assert last == ()
    found = better_order(cases[:2], sets)
    assert (found.order, found.waiting_now_minutes, found.waiting_minutes) == (
        ("K2", "K1"),
        120,
        30,
    )


def _run_day(theatres: dict[str, list[PlannedCase]], sets: list[SetStock], own: str) -> int:
    """Return the waiting of all theatres, minute by minute: who is ready first is served first.

    The theatre looked at starts each case as soon as it can, the others none before its time.
    """
    copies = [(each.item, number) for each in sets for number in range(each.copies)]
    free = dict.fromkeys(copies, 0)
    away = {each.item: each.turnaround_minutes for each in sets}
    left = {name: list(cases) for name, cases in theatres.items()}
    until = {name: min(case.starts_minutes for case in cases) for name, cases in left.items()}
    waited = 0
    for minute in range(5_000):
        for name in sorted(left):
            # A case of no length ends in the minute it starts, so that the next may start in it.
            while left[name] and until[name] <= minute:
                case = left[name][0]
                if name != own and case.starts_minutes > minute:
                    break
                del left[name][0]
                taken = {}
                for item in case.sets:
                    mine = [copy for copy in copies if copy[0] == item]
                    if mine:
                        taken[item] = min(mine, key=lambda copy: (free[copy], copy))
                starts = max([minute, *(free[copy] for copy in taken.values())])
                waited += starts - minute
                until[name] = starts + case.ends_minutes - case.starts_minutes
                for item, copy in taken.items():
                    free[copy] = until[name] + away[item]
    assert not any(left.values())
    return waited


def test_the_sets_of_the_other_theatres_count_with_their_times() -> None:
    improved, differs = 0, 0
    for seed in range(150):
        rng = random.Random(seed)  # noqa: S311 - test data
        own, sets = _random_list(seed)
        rivals = []
        for theatre in ("0", "2")[: rng.randint(1, 2)]:
            cases, _ = _random_list(seed + 1_000 * (2 + int(theatre)))
            late = rng.choice([0, 45, 120])
            rivals += [
                PlannedCase(
                    f"{theatre}{case.case}",
                    theatre,
                    case.starts_minutes + late,
                    case.ends_minutes + late,
                    case.sets,
                )
                for case in cases
            ]
        found = better_order(own, sets, others=rivals)
        runs = []
        for order in itertools.permutations(own):
            theatres = {"1": list(order)}
            for case in rivals:
                theatres.setdefault(case.theatre, []).append(case)
            moved = sum(a != b for a, b in zip(order, own, strict=True))
            runs.append((_run_day(theatres, sets, "1"), moved))
        now, best = runs[0][0], min(runs)
        assert found.waiting_now_minutes == now, seed
        assert found.waiting_minutes == best[0], seed
        assert found.moved == (best[1] if best[0] < now else 0), seed
        improved += found.outcome == "better"
        differs += found.order != better_order(own, sets).order
    assert improved > 20
    assert differs > 10


def test_a_set_that_another_theatre_has_until_noon_moves_a_case_to_the_afternoon() -> None:
    # The only copy is with L1 from 8:00 to 9:00 and back at 12:00; K1 would wait for it from 8:30.
    own = [PlannedCase("K1", "1", 510, 600, ("nail set",)), PlannedCase("K2", "1", 600, 720, ())]
    other = PlannedCase("L1", "2", 480, 540, ("nail set",))
    sets = [SetStock("nail set", 1, 180)]
    assert better_order(own, sets).outcome == "none better"
    found = better_order(own, sets, others=[other])
    assert (found.outcome, found.order) == ("better", ("K2", "K1"))
    assert (found.waiting_now_minutes, found.waiting_minutes) == (210, 90)
    assert found.reason == (
        "In the order K2, K1 the theatres wait 90 minutes for sets instead of 210."
    )


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
    assert found.reason == "K1 starts at 08:00; there is no s at this site."


def test_more_than_eight_cases_are_not_searched_and_the_result_says_so() -> None:
    cases = [PlannedCase(f"K{n}", "1", 60 * n, 60 * n + 60, ("s",)) for n in range(9)]
    found = better_order(cases, [SetStock("s", 1, 240)])
    assert (found.outcome, found.waiting_minutes) == ("not searched", None)
    assert found.reason == "More than 8 cases, so other orders were not compared."


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
