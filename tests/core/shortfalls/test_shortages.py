"""How many units are short: against the check itself, with units added one by one."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.constructs.kit_lines import FIRST_USE, IN_ROOM, INSTRUMENT_SET, KitLine
from service.core.cover.check import check_cases
from service.core.cover.results import CaseToCheck, ConstructToCheck
from service.core.cover.units import StockUnits
from service.core.shortfalls.shortages import NEAR, CheckInput, Shortage, shortages

MONDAY = date(2031, 3, 3)


AWAY: Mapping[str, int] = {"set": 240}


def line(ref: str, quantity: int = 1, *, first_use: bool = False, role: str = "") -> KitLine:
    what = INSTRUMENT_SET if ref == "set" else "implant"
    place = FIRST_USE if first_use else IN_ROOM
    return KitLine(role or ref, ref, (ref,), quantity, "nominal", place, what, is_nominal=first_use)


def case(
    name: str, day: int, hour: int, *constructs: Sequence[KitLine], near: Sequence[KitLine] = ()
) -> CaseToCheck:
    on = MONDAY + timedelta(days=day)
    starts = datetime.combine(on, datetime.min.time(), tzinfo=UTC) + timedelta(hours=hour)
    made = tuple(
        ConstructToCheck(f"c{place}", tuple(lines)) for place, lines in enumerate(constructs)
    )
    ends = starts + timedelta(hours=1)
    return CaseToCheck(name, on, starts, ends, made, tuple(near), f"T1 {on}")


def short(cases: Sequence[CaseToCheck], stock: Sequence[StockUnits] = ()) -> tuple[Shortage, ...]:
    given = CheckInput(tuple(cases), tuple(stock), AWAY, UTC)
    return shortages(given, given.check(), {})


def has_gap(cases: Sequence[CaseToCheck], stock: Sequence[StockUnits]) -> bool:
    checks = check_cases(cases, stock, AWAY, UTC)
    lines = [line for check in checks for one in check.constructs for line in one.lines]
    return any(line.gap for line in [*lines, *(line for one in checks for line in one.near)])


def counted(cases: Sequence[CaseToCheck], stock: Sequence[StockUnits] = ()) -> dict[str, int]:
    return {one.refs[0]: one.quantity for one in short(cases, stock)}


def first_that_closes(cases: Sequence[CaseToCheck], stock: Sequence[StockUnits], ref: str) -> int:
    """Add units until the check of everything finds no gap: brute force."""
    for more in range(1, 30):
        if not has_gap(cases, [*stock, StockUnits("further", ref, more)]):
            return more
    message = "thirty units do not close the gap"
    raise AssertionError(message)


def test_what_is_implanted_is_needed_for_every_case() -> None:
    cases = [case(f"K{day}", day, 9, [line("nail", first_use=True)]) for day in range(3)]
    assert counted(cases) == {"nail": 3}
    (one,) = short(cases)
    assert [each.case.case for each in one.missing] == ["K0", "K1", "K2"]
    assert one.first.list_starts == cases[0].starts


def test_a_backup_missing_on_two_days_is_one_unit() -> None:
    assert counted([case("K1", 0, 9, [line("cap")]), case("K2", 1, 9, [line("cap")])]) == {"cap": 1}


def test_backups_missing_on_one_list_may_be_the_same_unit() -> None:
    assert counted([case("K1", 0, 9, [line("cap")]), case("K2", 0, 11, [line("cap", 2)])]) == {
        "cap": 2
    }


def test_a_backup_before_what_is_implanted_is_a_unit_of_its_own_on_one_day_only() -> None:
    backup, used = [line("nail")], [line("nail", first_use=True)]
    assert counted([case("K1", 0, 9, backup), case("K2", 0, 11, used)]) == {"nail": 2}
    assert counted([case("K1", 0, 9, backup), case("K2", 1, 11, used)]) == {"nail": 1}
    assert counted([case("K1", 0, 9, used), case("K2", 1, 11, backup)]) == {"nail": 2}


def test_constructs_of_a_case_share_a_unit_and_what_is_near_comes_on_top() -> None:
    one = case("K1", 0, 9, [line("nail", first_use=True)], [line("nail")], near=[line("nail")])
    assert counted([one]) == {"nail": 2}
    (found,) = short([one])
    assert [each.place for each in found.missing] == [0, 1, NEAR]


def test_copies_of_a_set_are_counted_when_most_are_away() -> None:
    # Each is away for an hour and four more: 9 to 14, 12 to 17, 14 to 19.
    cases = [case(f"K{hour}", 0, hour, [line("set", first_use=True)]) for hour in (9, 12, 14)]
    assert counted(cases) == {"set": 2}


def test_what_is_found_in_part_is_missing_in_part() -> None:
    stock = [StockUnits("p", "screw", 3)]
    cases = [case("K1", 0, 9, [line("screw", 4, first_use=True)])]
    assert counted(cases, stock) == {"screw": 1}


def test_a_list_starts_with_its_first_case_though_that_one_lacks_nothing() -> None:
    cases = (case("K1", 0, 9), case("K2", 0, 11, [line("nail")]))
    given = CheckInput(cases, (), AWAY, UTC)
    found = shortages(given, given.check(), {"K2": cases[0].starts})
    assert found[0].first.list_starts == cases[0].starts


def test_items_needed_first_stand_first_and_ties_go_by_case_and_reference() -> None:
    cases = [
        case("K2", 0, 9, [line("b"), line("a")]),
        case("K1", 0, 9, [line("z")]),
        case("K3", 1, 9, [line("0"), line("a")]),
    ]
    assert [one.refs[0] for one in short(cases)] == ["z", "a", "b", "0"]
    assert [one.refs[0] for one in short(cases[::-1])] == ["z", "a", "b", "0"]


def test_what_is_not_made_is_put_together_by_name() -> None:
    def nothing(label: str) -> KitLine:
        return KitLine("blade", label, (), 1, "nominal", IN_ROOM, is_sized=True)

    cases = [
        case("K1", 0, 9, [nothing("blade 110 mm")]),
        case("K2", 1, 9, [nothing("blade 110 mm"), nothing("blade 115 mm")]),
    ]
    found = [(one.label, one.refs, len(one.missing)) for one in short(cases)]
    assert found == [("blade 110 mm", (), 2), ("blade 115 mm", (), 1)]


_LINES = st.builds(
    lambda quantity, first_use, role: line("nail", quantity, first_use=first_use, role=role),
    st.integers(1, 2),
    st.booleans(),
    st.sampled_from("ab"),
)


@st.composite
def lists(draw: st.DrawFn) -> list[CaseToCheck]:
    """Some cases on some days, all of one item; only a primary has lines of first use."""
    cases = []
    for number in range(draw(st.integers(1, 5))):
        primary = draw(st.lists(_LINES, min_size=1, max_size=2))
        alternate = [line("nail", draw(st.integers(1, 3))) for _ in range(draw(st.integers(0, 1)))]
        near = [line("nail")] * draw(st.integers(0, 1))
        at = draw(st.integers(0, 2)), draw(st.sampled_from((9, 11, 13)))
        cases.append(case(f"K{number}", *at, primary, alternate, near=near))
    return cases


# One example may check the same lists twenty times.
@settings(deadline=None)
@given(lists())
def test_so_many_units_close_every_gap_and_one_fewer_does_not(cases: list[CaseToCheck]) -> None:
    # The check is asked again with one more unit at a time: it is the meaning of the number.
    assert counted(cases)["nail"] == first_that_closes(cases, [], "nail")


# One example may check the same lists twenty times.
@settings(deadline=None)
@given(lists(), st.integers(0, 2))
def test_with_some_in_stock_so_many_more_close_every_gap(
    cases: list[CaseToCheck], there: int
) -> None:
    stock = [StockUnits("there", "nail", there, use_by=date(2035, 1, 1))]
    short_of = counted(cases, stock)
    if "nail" in short_of:
        assert short_of["nail"] == first_that_closes(cases, stock, "nail")


@given(
    st.lists(
        st.tuples(st.integers(0, 1), st.integers(7, 18), st.booleans()), min_size=1, max_size=6
    )
)
def test_so_many_copies_of_a_set_close_every_gap_and_one_fewer_does_not(
    plan: list[tuple[int, int, bool]],
) -> None:
    cases = [
        case(f"K{number}", day, hour, *([[line("set")]] if first else [[], [line("set")]]))
        for number, (day, hour, first) in enumerate(plan)
    ]
    assert counted(cases)["set"] == first_that_closes(cases, [], "set")


def test_a_unit_that_only_moves_a_gap_to_another_case_is_not_enough() -> None:
    # By hand: three nails are wanted and one is there. K1 has it; with one more K0, which is
    # earlier, would have both and K1 none.
    cases = [
        case("K0", 0, 9, [line("nail", first_use=True), line("nail", first_use=True, role="b")]),
        case("K1", 0, 11, [line("nail", first_use=True)]),
    ]
    assert counted(cases, [StockUnits("there", "nail", 1)]) == {"nail": 2}


@settings(max_examples=40, deadline=None)
@given(lists(), st.integers(0, 2))
def test_items_that_have_nothing_in_common_do_not_disturb_each_other(
    cases: list[CaseToCheck], there: int
) -> None:
    # The number is worked out on the lines of one item alone; the whole check must agree.
    also = [
        replace(
            one,
            case=f"{one.case}x",
            constructs=tuple(
                replace(each, lines=(*each.lines, line("cap"), line("set")))
                for each in one.constructs
            ),
        )
        for one in cases
    ]
    stock = [StockUnits("there", "nail", there)]
    (alone,) = [one for one in short(also, stock) if one.refs == ("cap",)]
    every = {one.refs[0]: one.quantity for one in short(also, stock)}
    added = [StockUnits(f"more {ref}", ref, number) for ref, number in every.items()]
    assert not has_gap(also, [*stock, *added])
    fewer = [replace(one, quantity=one.quantity - (one.ref == "cap")) for one in added]
    assert alone.quantity == every["cap"]
    assert has_gap(also, [*stock, *fewer])


def either(*refs: str) -> KitLine:
    return KitLine("screw", "/".join(refs), refs, 1, "nominal", FIRST_USE, is_nominal=True)


def test_a_unit_that_could_close_either_of_two_gaps_is_asked_for_once() -> None:
    # By hand: one B is there. Three lines want a unit each, so two more are needed in all.
    cases = [case("K1", 0, 9, [either("A"), either("A", "B"), either("B", "C")])]
    found = {one.refs: one.quantity for one in short(cases, [StockUnits("b", "B", 1)])}
    assert found[("A",)] == 1
    assert sum(found.values()) == 2


def test_what_is_asked_for_under_another_shortage_may_close_this_one_too() -> None:
    # By hand: the first case takes an A though a B would do; with two A both are served.
    cases = [case("K1", 0, 9, [either("A", "B")]), case("K2", 1, 9, [either("A")])]
    found = {one.refs: one.quantity for one in short(cases)}
    assert found == {("A",): 2, ("A", "B"): 0}


@pytest.mark.parametrize("cases", [[], [case("K1", 0, 9)]])
def test_where_nothing_is_missing_nothing_is_short(cases: list[CaseToCheck]) -> None:
    assert short(cases) == ()
