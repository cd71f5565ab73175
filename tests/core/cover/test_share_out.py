"""Units shared out over all coming cases at once, against brute force and the older greedy way."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, timedelta
from random import Random

import pytest

from service.core.constructs.kit_lines import KitLine
from service.core.cover import check, shelf
from service.core.cover.check import check_cases
from service.core.cover.results import CaseCheck, CaseToCheck
from service.core.cover.units import Claim, StockUnits
from tests.core.planner_catalogue import DAY, at, case, line, parcel

PROBLEMS = 1_000


def day(ahead: int) -> date:
    return DAY + timedelta(days=ahead)


def checked(
    cases: Sequence[CaseToCheck], parcels: Sequence[StockUnits], holds: Sequence[Claim] = ()
) -> dict[str, CaseCheck]:
    return {one.case.case: one for one in check_cases(cases, parcels, {}, UTC, holds)}


def states(found: dict[str, CaseCheck]) -> dict[str, list[str]]:
    return {name: [one.state for one in result.constructs] for name, result in found.items()}


def lots(found: CaseCheck) -> list[str]:
    return [pick.parcel.lot for one in found.constructs[0].lines for pick in one.picks]


def beside(*refs: str, away: int) -> KitLine:
    return replace(line(*refs, first=False, why=f"{away} longer"), steps_away=away)


def test_the_loan_goes_first_so_that_the_owned_pack_is_there_after_it_has_gone_back() -> None:
    loan = parcel("L", lot="loan", use_by=date(2032, 1, 1), return_by=day(2), ownership="loan")
    owned = parcel("L", lot="owned", use_by=date(2031, 6, 1))
    cases = [case("K1", (line("L"),)), case("K2", (line("L"),), starts=at(9, day=day(2)))]
    found = checked(cases, [loan, owned])
    assert (lots(found["K1"]), lots(found["K2"])) == (["loan"], ["owned"])
    assert states(found) == {"K1": ["covered"], "K2": ["covered"]}


def test_a_far_size_of_an_earlier_alternate_does_not_take_a_later_cases_planned_screw() -> None:
    first = case("K1", (line("L95"),), (beside("L110", away=2),), starts=at(9))
    second = case("K2", (line("L110"),), starts=at(11), theatre="T2")
    found = checked([first, second], [parcel("L95"), parcel("L110")])
    assert states(found) == {"K1": ["covered", "not covered"], "K2": ["covered"]}
    (gap,) = found["K1"].constructs[1].gaps
    assert gap.sentence == "lag screw 95 mm: the last one is reserved for K2."


def test_what_a_primary_has_beside_it_goes_before_what_an_earlier_alternate_takes() -> None:
    first = case("K1", (line("L95"),), (line("L100", first=False),))
    second = case("K2", (line("L95"), beside("L100", away=1)), starts=at(11), theatre="T2")
    found = checked([first, second], [parcel("L95", 2), parcel("L100")])
    assert states(found) == {"K1": ["covered", "not covered"], "K2": ["covered"]}


def test_an_alternate_goes_before_what_is_to_be_near_for_an_earlier_case() -> None:
    near = replace(line("W", first=False), why="near: a reason")
    first = case("K1", (line("L"),), near=(near,))
    second = case("K2", (line("L"),), (line("W", first=False),), starts=at(11), theatre="T2")
    found = checked([first, second], [parcel("L", 2), parcel("W")])
    assert states(found)["K2"] == ["covered", "covered"]
    assert [one.gap is None for one in found["K1"].near] == [False]


def test_a_nearer_size_goes_before_a_farther_one_of_an_earlier_case() -> None:
    first = case("K1", (line("L95"), beside("L105", away=2)))
    second = case("K2", (line("L100"), beside("L105", away=1)), starts=at(11), theatre="T2")
    found = checked([first, second], [parcel(ref) for ref in ("L95", "L100", "L105")])
    assert states(found) == {"K1": ["partly covered"], "K2": ["covered"]}


def test_of_equally_near_sizes_the_earlier_cases_goes_first() -> None:
    first = case("K1", (line("L95"), beside("L105", away=1)))
    second = case("K2", (line("L100"), beside("L105", away=1)), starts=at(11), theatre="T2")
    found = checked([first, second], [parcel(ref) for ref in ("L95", "L100", "L105")])
    assert states(found) == {"K1": ["covered"], "K2": ["partly covered"]}


def test_a_case_with_a_choice_leaves_the_only_pack_to_a_case_days_later() -> None:
    first = case("K1", (line("A", "B"),))
    second = case("K2", (line("A"),), starts=at(9, day=day(3)))
    old, new = parcel("A", use_by=day(9)), parcel("B", use_by=day(90))
    assert states(checked([first, second], [old, new])) == {"K1": ["covered"], "K2": ["covered"]}


def test_what_is_planned_goes_over_to_another_pack_for_somebody_who_stands_by() -> None:
    first = case("K1", (line("A", "B"),))
    second = case("K2", (line("C"), beside("A", away=1)), starts=at(11), theatre="T2")
    stock = [parcel("A", use_by=day(9)), parcel("B", use_by=day(90)), parcel("C")]
    assert states(checked([first, second], stock)) == {"K1": ["covered"], "K2": ["covered"]}


def test_a_unit_that_goes_to_an_incomplete_construct_is_left_to_one_it_completes() -> None:
    # K1 lacks its nail whatever happens.
    first = case("K1", (line("N", role="nail"), line("L")))
    second = case("K2", (line("L"),), starts=at(11), theatre="T2")
    assert states(checked([first, second], [parcel("L")])) == {
        "K1": ["not covered"],
        "K2": ["covered"],
    }


def test_what_is_not_made_makes_no_claim_on_what_another_case_needs() -> None:
    first = case("K1", (line(role="nail"), line("L")))
    second = case("K2", (line("L"),), starts=at(11), theatre="T2")
    assert states(checked([first, second], [parcel("L")])) == {
        "K1": ["not covered"],
        "K2": ["covered"],
    }


def test_what_is_reserved_stays_when_a_case_is_added_that_asks_for_the_same() -> None:
    cases = [
        case("K2", (line("A", "B"),), starts=at(11)),
        case("K3", (line("B"), beside("A", away=1)), starts=at(11), theatre="T2"),
    ]
    stock = [parcel("A", 2, use_by=day(9)), parcel("B", 2, use_by=day(90))]
    before = checked(cases, stock)
    holds = [claim for one in before.values() for claim in one.claims]
    rival = case("K1", (line("A", quantity=2), line("B", quantity=2)), starts=at(8), theatre="T3")
    after = checked([*cases, rival], stock, holds)
    for name in ("K2", "K3"):
        assert after[name].claims == before[name].claims
        assert states(after)[name] == states(before)[name]


def test_a_case_that_asks_for_other_things_changes_nobodys_claims() -> None:
    cases = [
        case("K1", (line("A"), beside("B", away=1))),
        case("K2", (line("A", "B"),), starts=at(11), theatre="T2"),
        case("K3", (line("A"),), starts=at(9, day=day(1))),
    ]
    stock = [parcel("A", 2), parcel("B"), parcel("Z")]
    before = checked(cases, stock)
    holds = [claim for one in before.values() for claim in one.claims]
    unrelated = case("K0", (line("Z", quantity=2),), starts=at(8), theatre="T3")
    for promised in ([], holds):
        after = checked([*cases, unrelated], stock, promised)
        for name, result in before.items():
            assert after[name].claims == result.claims


def test_a_line_leaves_what_the_case_has_already_to_the_line_that_has_no_choice() -> None:
    one = case("K1", (line("A", "B"), line("A", role="second")))
    stock = [parcel("A", use_by=day(9)), parcel("B", use_by=day(90))]
    holds = [claim for result in checked([one], stock).values() for claim in result.claims]
    assert sorted(claim.key for claim in holds) == ["A@A", "B@A"]
    assert states(checked([one], stock, holds)) == {"K1": ["covered"]}


def test_a_line_takes_no_more_of_a_lot_than_is_meant_for_it_though_more_are_free() -> None:
    # First to be gone first: both of the oldest lot and the next, not the newest.
    wanted = (line("A", "B", quantity=2), line("A", role="second"))
    stock = [
        parcel("A", 2, lot="oldest", use_by=day(9)),
        parcel("B", lot="next", use_by=day(90)),
        parcel("A", lot="newest", use_by=day(900)),
    ]
    (result,) = checked([case("K1", wanted)], stock).values()
    taken = {(claim.key, claim.quantity) for claim in result.claims}
    assert taken == {("A@oldest", 2), ("B@next", 1)}


# Brute force: every way to give units to needs, on small random problems.


@dataclass(frozen=True)
class Problem:
    cases: list[CaseToCheck]
    parcels: list[StockUnits]
    holds: list[Claim]


REFS = (("A",), ("B",), ("A", "B"), ("B", "C"))


def problem(number: int, *, days: int, beside_most: int, planned_most: int) -> Problem:
    random = Random(number)  # noqa: S311 - the same problems every time
    parcels = [
        parcel(
            random.choice("ABC"),
            random.randint(1, 2),
            lot=f"l{place}",
            use_by=random.choice([None, day(random.randint(-1, days))]),
            return_by=random.choice([None, None, day(random.randint(0, days + 1))]),
        )
        for place in range(random.randint(1, 4))
    ]
    cases = []
    left = planned_most
    for name in range(random.randint(1, 4)):
        lines = []
        for _ in range(random.randint(1, 2)):
            quantity = min(random.choice([1, 1, 2]), left)
            if quantity:
                lines.append(line(*random.choice(REFS), quantity=quantity))
                left -= quantity
        sizes = [random.choice(REFS) for _ in range(random.randint(0, beside_most))]
        lines += [beside(*refs, away=1 + ("B" in refs)) for refs in sizes]
        starts = at(8 + random.randint(0, 8), day=day(random.randint(0, days - 1)))
        # Each has a list of its own: none shares what stands by with another.
        cases.append(case(f"K{name}", tuple(lines), starts=starts, theatre=f"T{name}"))
    holds = [
        replace(hold, key=one.key)
        for one in parcels
        for hold in random.choice([[], [], [some_hold(random, cases, days)]])
    ]
    return Problem(cases, parcels, holds)


def some_hold(random: Random, cases: list[CaseToCheck], days: int) -> Claim:
    """One unit, for one of the cases or for one that is not looked at."""
    stays = random.random() < 0.5
    if random.random() < 0.5:
        other = day(random.randint(0, days - 1))
        return Claim("X", "", 1, other, "other list", stays=stays)
    own = random.choice(cases)
    return Claim(own.case, "", 1, own.list_date, own.operating_list, stays=stays)


def counts_on(one: StockUnits, when: date) -> bool:
    return (one.use_by is None or one.use_by >= when) and (
        one.return_by is None or one.return_by > when
    )


@dataclass(frozen=True)
class Wish:
    """One unit for one line."""

    case: CaseToCheck
    line: KitLine
    place: int


def wishes(given: Problem, *, is_planned: bool) -> list[Wish]:
    ordered = sorted(given.cases, key=lambda one: (one.starts, one.case))
    return [
        Wish(one, each, place)
        for one in ordered
        for place, each in enumerate(one.constructs[0].lines)
        if each.is_nominal == is_planned
        for _ in range(each.quantity)
    ]


def fits(given: Problem, chosen: Sequence[tuple[Wish, StockUnits]]) -> bool:
    """Count every parcel day by day: for good from a day on, or on the day only."""
    for one in given.parcels:
        promised = [
            (hold.list_date, hold.stays, hold.case) for hold in given.holds if hold.key == one.key
        ]
        needed = [(when, for_good) for when, for_good, _ in promised]
        for wish in (wish for wish, pack in chosen if pack is one):
            name, when, for_good = wish.case.case, wish.case.list_date, wish.line.is_nominal
            # What its case has been promised serves it; what may go back serves no first use.
            own = [(when, False, name)] if not for_good else []
            own = [hold for hold in [*own, (when, True, name)] if hold in promised]
            if own:
                promised.remove(own[0])
            else:
                needed.append((when, for_good))
        for when in (day(ahead) for ahead in range(6)):
            there = sum(1 for since, stays in needed if since == when or (stays and since < when))
            if there > one.quantity:
                return False
    return True


Ways = Iterator[tuple[tuple[Wish, StockUnits], ...]]


def all_ways(
    given: Problem, wanted: Sequence[Wish], sofar: tuple[tuple[Wish, StockUnits], ...]
) -> Ways:
    """Yield every way to give packs to some of the wishes."""
    if not wanted:
        yield sofar
        return
    wish, rest = wanted[0], wanted[1:]
    yield from all_ways(given, rest, sofar)
    for one in given.parcels:
        if one.ref in wish.line.refs and counts_on(one, wish.case.list_date):
            more = (*sofar, (wish, one))
            if fits(given, more):
                yield from all_ways(given, rest, more)


def whole(given: Problem, served: dict[tuple[str, int], int]) -> tuple[str, ...]:
    """Name the cases that have all they are planned with, in order of start."""
    ordered = sorted(given.cases, key=lambda one: (one.starts, one.case))
    return tuple(
        one.case
        for one in ordered
        if all(
            served.get((one.case, place), 0) == each.quantity
            for place, each in enumerate(one.constructs[0].lines)
            if each.is_nominal
        )
    )


def found_units(found: dict[str, CaseCheck], *, is_planned: bool) -> dict[tuple[str, int], int]:
    return {
        (name, place): each.found
        for name, result in found.items()
        for place, each in enumerate(result.constructs[0].lines)
        if each.line.is_nominal == is_planned and each.found
    }


def served_by(way: Sequence[tuple[Wish, StockUnits]]) -> dict[tuple[str, int], int]:
    served: dict[tuple[str, int], int] = defaultdict(int)
    for wish, _ in way:
        served[wish.case.case, wish.place] += 1
    return served


def test_no_way_to_share_out_has_more_planned_constructs_or_units() -> None:
    for number in range(PROBLEMS):
        given = problem(number, days=3, beside_most=0, planned_most=5)
        found = checked(given.cases, given.parcels, given.holds)
        got = found_units(found, is_planned=True)
        order = [one.case for one in sorted(given.cases, key=lambda one: (one.starts, one.case))]
        best: tuple[int, list[int], int] = (-1, [], -1)
        most_units = 0
        for way in all_ways(given, wishes(given, is_planned=True), ()):
            served = served_by(way)
            names = whole(given, served)
            # As many as can be, of equally many the earliest.
            rank = (len(names), [-order.index(name) for name in names], sum(served.values()))
            best = max(best, rank)
            most_units = max(most_units, rank[2])
        names = whole(given, got)
        expected = (best[0], best[1], most_units)
        rank = (len(names), [-order.index(name) for name in names], sum(got.values()))
        assert rank == expected, number


def test_no_way_to_share_out_a_day_has_more_that_stands_by_or_nearer_sizes() -> None:
    for number in range(PROBLEMS):
        given = problem(number, days=1, beside_most=2, planned_most=3)
        found = checked(given.cases, given.parcels, given.holds)
        planned = found_units(found, is_planned=True)
        wanted = [
            wish
            for wish in wishes(given, is_planned=True)
            if planned.get((wish.case.case, wish.place), 0)
        ]
        by_size = [0, 0, 0]
        for name, place in (got := found_units(found, is_planned=False)):
            away = found[name].constructs[0].lines[place].line.steps_away
            by_size[away] += got[name, place]
        best = [0, 0, 0]
        for way in all_ways(given, [*wanted, *wishes(given, is_planned=False)], ()):
            served = served_by(way)
            if {key: served.get(key, 0) for key in planned} == planned:
                sizes = [0, 0, 0]
                for wish, _ in way:
                    sizes[wish.line.steps_away] += not wish.line.is_nominal
                best = max(best, sizes)
        assert by_size == best, number


@pytest.fixture
def greedy(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    """The way it was: case by case, each takes the lot with the first use-by date."""
    monkeypatch.setattr(check, "share_out", lambda _turns: None)
    monkeypatch.setattr(
        shelf,
        "order_of_use",
        lambda one: (one.use_by or date.max, one.lot, one.shelf, one.key),
    )
    yield monkeypatch
    monkeypatch.undo()


def test_never_fewer_planned_constructs_are_whole_than_case_by_case(
    greedy: pytest.MonkeyPatch,
) -> None:
    problems = [
        problem(number, days=4, beside_most=2, planned_most=9) for number in range(PROBLEMS)
    ]
    before = [
        whole(one, found_units(checked(one.cases, one.parcels, one.holds), is_planned=True))
        for one in problems
    ]
    greedy.undo()
    more = 0
    for number, (one, earlier) in enumerate(zip(problems, before, strict=True)):
        now = whole(one, found_units(checked(one.cases, one.parcels, one.holds), is_planned=True))
        assert len(now) >= len(earlier), number
        more += len(now) > len(earlier)
    assert more > PROBLEMS // 100
