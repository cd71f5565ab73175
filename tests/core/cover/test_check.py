"""Who gets which unit, in list order: nothing is counted twice and no gap looks like cover."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.core.catalogue import ItemFacts
from service.core.constructs.kit_lines import KitLine, by_kind, near_line
from service.core.cover.check import check_cases
from service.core.cover.results import CaseCheck, CaseToCheck
from service.core.cover.units import Claim, StockUnits
from tests.core.planner_catalogue import DAY, at, case, line, parcel, set_line

NEXT_DAY = DAY + timedelta(days=1)


def check(
    cases: Sequence[CaseToCheck],
    parcels: Sequence[StockUnits],
    turnarounds: dict[str, int] | None = None,
    **given_: object,
) -> dict[str, CaseCheck]:
    checked = check_cases(cases, parcels, turnarounds or {}, UTC, **given_)  # type: ignore[arg-type] # holds
    return {one.case.case: one for one in checked}


def lots(checked: CaseCheck, construct: int = 0) -> list[tuple[str, int]]:
    return [
        (pick.parcel.lot, pick.quantity)
        for one in checked.constructs[construct].lines
        for pick in one.picks
    ]


def states(checked: CaseCheck) -> list[str]:
    return [construct.state for construct in checked.constructs]


def test_the_lot_that_expires_first_goes_first_and_ties_go_by_lot_then_shelf() -> None:
    parcels = [
        parcel("L", lot="late", use_by=date(2032, 1, 1)),
        parcel("L", lot="never"),
        parcel("L", lot="b-early", use_by=date(2031, 6, 1)),
        parcel("L", lot="a-early", use_by=date(2031, 6, 1)),
    ]
    wanted = (line("L", quantity=4),)
    assert [lot for lot, _ in lots(check([case("K1", wanted)], parcels)["K1"])] == [
        "a-early",
        "b-early",
        "late",
        "never",
    ]
    shelves = [
        StockUnits("x", "L", 1, lot="A", shelf="S2"),
        StockUnits("y", "L", 1, lot="A", shelf="S1"),
    ]
    checked = check([case("K1", (line("L"),))], shelves)["K1"]
    assert checked.constructs[0].lines[0].picks[0].parcel.shelf == "S1"


@pytest.mark.parametrize(
    ("facts", "counts"),
    [
        ({"use_by": DAY}, True),
        ({"use_by": DAY - timedelta(days=1)}, False),
        ({"return_by": DAY + timedelta(days=1)}, True),
        ({"return_by": DAY}, False),
        ({"blocked": ("quarantined",)}, False),
        ({"blocked": ("unsterile",)}, False),
        ({"usable_from": at(7)}, False),
        ({"usable_from": at(12)}, False),
    ],
)
def test_a_pack_counts_on_its_last_day_and_before_its_return_and_only_when_it_is_there(
    facts: dict[str, Any], counts: bool
) -> None:
    checked = check([case("K1", (line("L"),))], [parcel("L", **facts)])["K1"]
    assert states(checked) == ["covered" if counts else "not covered"]
    assert (checked.constructs[0].gaps == ()) == counts


def test_the_earlier_case_has_the_only_unit_and_the_later_is_told_who_has_it() -> None:
    wanted = (line("L"),)
    later, earlier = case("K1", wanted, starts=at(11)), case("K2", wanted, starts=at(9))
    checked = check([later, earlier], [parcel("L")])
    assert list(checked) == ["K2", "K1"]
    assert states(checked["K2"]) == ["covered"]
    (gap,) = checked["K1"].constructs[0].gaps
    assert (gap.because, gap.missing) == ("promised", 1)
    assert gap.sentence == "lag screw 95 mm: the last one is reserved for K2."


def test_cases_that_start_together_go_by_their_reference() -> None:
    wanted = (line("L"),)
    checked = check([case("K2", wanted), case("K1", wanted, theatre="T2")], [parcel("L")])
    assert states(checked["K1"]) == ["covered"]
    assert states(checked["K2"]) == ["not covered"]


def test_an_implanted_unit_is_gone_the_next_day_and_an_unopened_backup_is_back() -> None:
    today, tomorrow = at(9), at(9, day=NEXT_DAY)
    primary, backup = (line("L"),), (line("M", first=False),)
    cases = [
        case("K1", (*primary, *backup), starts=today),
        case("K2", (*primary, *backup), starts=tomorrow),
    ]
    checked = check(cases, [parcel("L"), parcel("M")])
    found = {one.line.refs[0]: one.found for one in checked["K2"].constructs[0].lines}
    assert found == {"L": 0, "M": 1}


def test_a_backup_does_not_serve_another_theatre_on_the_same_day() -> None:
    backup = (line("M", first=False),)
    cases = [case("K1", backup), case("K2", backup, starts=at(11), theatre="T2")]
    checked = check(cases, [parcel("M")])
    (gap,) = checked["K2"].constructs[0].gaps
    assert gap.sentence == "lag screw 95 mm: the last one is reserved for K1."


def test_the_constructs_of_a_case_share_packs_because_one_of_them_is_implanted() -> None:
    primary = (line("L", quantity=2),)
    alternate = (line("L", quantity=3, first=False),)
    checked = check([case("K1", primary, alternate)], [parcel("L", 3)])["K1"]
    assert states(checked) == ["covered", "covered"]
    assert (lots(checked, 0), lots(checked, 1)) == ([("A", 2)], [("A", 3)])
    # The larger of the two, not their sum: 3 and not 5.
    assert sum(claim.quantity for claim in checked.claims) == 3


def test_two_lines_of_one_construct_never_share_a_pack() -> None:
    wanted = (line("L"), line("L", role="second", label="second", first=False))
    checked = check([case("K1", wanted)], [parcel("L")])["K1"]
    (gap,) = checked.constructs[0].gaps
    assert (gap.because, gap.sentence) == ("none_in_stock", "second: no more in stock.")


def test_a_line_that_is_found_in_part_says_how_many() -> None:
    wanted = (line("L", quantity=3),)
    checked = check([case("K1", wanted)], [parcel("L", 2)])["K1"]
    (gap,) = checked.constructs[0].gaps
    assert gap.missing == 1
    assert gap.sentence == "lag screw 95 mm: short by 1 of 3; no more in stock."


@pytest.mark.parametrize(
    ("stock", "state"),
    [
        (["L90", "L95", "N"], "covered"),
        (["L90", "N"], "partly covered"),
        (["L95", "N"], "partly covered"),
        (["L90", "L95"], "not covered"),
        (["N"], "not covered"),
    ],
)
def test_a_construct_is_partly_covered_while_every_role_has_some_size(
    stock: list[str], state: str
) -> None:
    wanted = (line("L90"), line("L95", first=False, why="one size longer"), line("N", role="nail"))
    checked = check([case("K1", wanted)], [parcel(ref) for ref in stock])["K1"]
    assert states(checked) == [state]


def test_one_parts_screw_does_not_fill_the_other_parts_role_of_the_same_name() -> None:
    wanted = (
        line("P", role="cancellous screw", part="partly-threaded-screws"),
        line("F", role="cancellous screw", part="fully-threaded-screws"),
    )
    checked = check([case("K1", wanted)], [parcel("P")])["K1"]
    assert states(checked) == ["not covered"]


def test_one_set_serves_every_role_and_construct_of_a_case() -> None:
    wanted = (set_line("S"), set_line("S", role="second set"))
    checked = check([case("K1", wanted, (set_line("S"),))], [parcel("S")], {"S": 240})["K1"]
    assert states(checked) == ["covered", "covered"]


def test_a_role_that_takes_two_copies_is_not_covered_by_one() -> None:
    wanted = (set_line("S", quantity=2),)
    checked = check([case("K1", wanted)], [parcel("S")], {"S": 240})["K1"]
    (gap,) = checked.constructs[0].gaps
    assert gap.sentence == "nail instrument set: short by 1 of 2; no more in stock."
    assert states(check([case("K1", wanted)], [parcel("S", 2)], {"S": 240})["K1"]) == ["covered"]


def test_with_two_copies_the_third_case_waits_for_the_first_turnaround() -> None:
    # 9:00 to 10:00 and four hours of turnaround: the first copy is back at 14:00.
    wanted = (set_line("S"),)
    cases = [
        case(f"K{place}", wanted, starts=at(hour, minute), theatre=f"T{place}")
        for place, (hour, minute) in enumerate([(9, 0), (9, 30), (13, 59)])
    ]
    checked = check(cases, [parcel("S", 2)], {"S": 240})
    assert states(checked["K1"]) == ["covered"]
    (gap,) = checked["K2"].constructs[0].gaps
    assert gap.because == "instrument_set_in_use"
    assert gap.sentence == (
        "nail instrument set: in use or in turnaround until 2031-03-04 14:00, for K0, K1."
    )
    cases[2] = case("K2", wanted, starts=at(14), theatre="T2")
    assert states(check(cases, [parcel("S", 2)], {"S": 240})["K2"]) == ["covered if"]


def test_a_set_that_only_stands_by_is_back_when_the_case_ends() -> None:
    cases = [
        case("K1", (line("L"),), (set_line("S"),)),
        case("K2", (set_line("S"),), starts=at(10)),
    ]
    assert states(check(cases, [parcel("L"), parcel("S")], {"S": 240})["K2"]) == ["covered"]


def test_a_turnaround_over_midnight_names_the_day_the_set_is_back() -> None:
    late = case("K1", (set_line("S"),), starts=at(21), ends=at(22, 30))
    early = at(2, 29, day=NEXT_DAY)
    checked = check([late, case("K2", (set_line("S"),), starts=early)], [parcel("S")], {"S": 240})
    (gap,) = checked["K2"].constructs[0].gaps
    assert "until 2031-03-05 02:30, for K1" in gap.sentence
    on_time = case("K2", (set_line("S"),), starts=early + timedelta(minutes=1))
    assert states(check([late, on_time], [parcel("S")], {"S": 240})["K2"]) == ["covered if"]


def test_a_turnaround_over_the_change_to_summer_time_takes_its_full_minutes() -> None:
    # London goes from 01:00 GMT to 02:00 BST on 30 March 2031, the last Sunday of March.
    london = ZoneInfo("Europe/London")

    def moment(text: str) -> datetime:
        return datetime.fromisoformat(text).replace(tzinfo=london).astimezone(UTC)

    late = case(
        "K1",
        (set_line("S"),),
        starts=moment("2031-03-29 21:00"),
        ends=moment("2031-03-29 22:00"),
    )

    def second(text: str) -> CaseCheck:
        starts = moment(text)
        next_ = case("K2", (set_line("S"),), starts=starts, ends=starts + timedelta(hours=1))
        return check_cases([late, next_], [parcel("S")], {"S": 240}, london)[1]

    # Four hours after 22:00 GMT is 02:00 GMT, which London calls 03:00.
    (gap,) = second("2031-03-30 02:59").constructs[0].gaps
    assert "until 2031-03-30 03:00, for K1" in gap.sentence
    assert states(second("2031-03-30 03:00")) == ["covered if"]


def test_a_set_that_would_not_be_back_for_a_case_it_is_promised_to_names_that_case() -> None:
    wanted = (set_line("S"),)
    booked = check([case("K9", wanted, starts=at(12))], [parcel("S")], {"S": 240})["K9"].claims
    checked = check([case("K1", wanted)], [parcel("S")], {"S": 240}, holds=booked)["K1"]
    (gap,) = checked.constructs[0].gaps
    assert gap.sentence == "nail instrument set: the last one is reserved for K9."


def near(kind: str) -> KitLine:
    return near_line(kind, "a reason", by_kind([ItemFacts(kind, kind)]))


def test_a_near_pack_comes_on_top_of_what_a_construct_takes() -> None:
    one = case("K1", (line("washer"),), near=(near("washer"),))
    (checked,) = check([one], [parcel("washer")])["K1"].near
    assert checked.gap is not None
    assert checked.gap.sentence == "washer: no more in stock."
    (checked,) = check([one], [parcel("washer", 2)])["K1"].near
    assert checked.gap is None


def test_a_near_pack_that_an_earlier_case_has_used_up_is_a_gap() -> None:
    cases = [
        case("K1", (line("washer"),)),
        case("K2", (line("L"),), near=(near("washer"),), starts=at(11)),
    ]
    (checked,) = check(cases, [parcel("washer"), parcel("L")])["K2"].near
    assert checked.gap is not None
    assert checked.gap.because == "promised"


def test_a_near_set_may_be_the_one_the_case_has_already() -> None:
    one = case("K1", (set_line("extraction_set"),), near=(near("extraction_set"),))
    (checked,) = check([one], [parcel("extraction_set")], {"extraction_set": 60})["K1"].near
    assert checked.gap is None


def test_a_unit_held_for_another_case_never_counts() -> None:
    wanted = (line("L"),)
    held = check([case("K9", wanted, starts=at(15))], [parcel("L")])["K9"].claims
    checked = check([case("K1", wanted)], [parcel("L")], holds=held)["K1"]
    (gap,) = checked.constructs[0].gaps
    assert gap.sentence == "lag screw 95 mm: the last one is reserved for K9."


@pytest.mark.parametrize("others", [(), (line("N", "O"),)])
def test_nobody_waits_for_a_pack_on_another_tray_while_one_is_free(
    others: tuple[KitLine, ...],
) -> None:
    """Alone, and beside a line that may take the same or another; by hand."""
    on_tray = StockUnits("N@tray", "N", 1, lot="A", tray_of="K0")
    free = [StockUnits("N@shelf", "N", 1, lot="B"), *(parcel("O") for _ in others)]
    brought = Claim("K0", "N@tray", 1, DAY, "L1", stays=False, on_tray=True)
    brought = replace(brought, starts=at(6), until=at(7))
    waits = Claim("K1", "N@tray", 1, DAY, "T1", stays=True, starts=at(9), until=at(10))
    wanted = case("K1", (line("N"), *others))
    checked = check([wanted], [on_tray, *free], holds=[brought, waits])["K1"]
    assert [lot for lot, _ in lots(checked)] == ["B", *("A" for _ in others)]
    assert {pick.parcel.key for one in checked.constructs[0].lines for pick in one.picks} == {
        one.key for one in free
    }
    assert states(checked) == ["covered"]
    alone = check([case("K1", (line("N"),))], [on_tray], holds=[brought, waits])["K1"]
    assert states(alone) == ["covered if"]
