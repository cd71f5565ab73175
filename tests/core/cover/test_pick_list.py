"""The pick list: each pack once, where it goes and every reason."""

from datetime import UTC

from hypothesis import given

from service.core.catalogue import ItemFacts
from service.core.constructs.kit_lines import IN_ROOM, ON_SHELF, KitLine, by_kind, near_line
from service.core.cover.check import check_cases
from service.core.cover.pick_list import PLACES, PickRow, pick_rows
from service.core.cover.results import CaseCheck, CaseToCheck
from service.core.cover.units import StockUnits
from tests.core.cover.cover_problems import any_cases, any_parcels
from tests.core.planner_catalogue import case, line, parcel, set_line


def checked(one: CaseToCheck, *parcels: StockUnits) -> CaseCheck:
    (result,) = check_cases([one], parcels, {}, UTC)
    return result


def rows(one: CaseToCheck, *parcels: StockUnits) -> dict[str, PickRow]:
    return {row.parcel.ref: row for row in pick_rows(checked(one, *parcels))}


def on_shelf(ref: str) -> KitLine:
    return KitLine("lag screw", ref, (ref,), 1, "one size longer", ON_SHELF, part="t")


def test_a_pack_that_three_constructs_name_is_one_row_with_every_why() -> None:
    one = case(
        "K1",
        (line("L"),),
        (line("L", first=False, why="nominal"),),
        (line("L", first=False, why="one size shorter"),),
    )
    row = rows(one, parcel("L", 4))["L"]
    assert row.quantity == 1
    assert row.whys == ((0, "nominal"), (1, "nominal"), (2, "one size shorter"))


def test_a_row_takes_the_most_one_construct_needs() -> None:
    one = case("K1", (line("L", quantity=2),), (line("L", quantity=3, first=False),))
    assert rows(one, parcel("L", 9))["L"].quantity == 3


def test_two_lines_of_one_construct_add_up() -> None:
    one = case("K1", (line("L", quantity=2), line("L", first=False, why="up to 3 may be needed")))
    row = rows(one, parcel("L", 9))["L"]
    assert (row.quantity, [why for _, why in row.whys]) == (
        3,
        ["nominal", "up to 3 may be needed"],
    )


def test_a_pack_goes_to_the_most_urgent_place_that_names_it() -> None:
    shelf_first = case("K1", (on_shelf("L"),), (line("L", first=False),))
    assert rows(shelf_first, parcel("L"))["L"].place == IN_ROOM
    assert rows(case("K1", (on_shelf("L"),)), parcel("L"))["L"].place == ON_SHELF


def test_rows_go_by_place_then_store_then_shelf_then_name_then_lot() -> None:
    one = case(
        "K1",
        (
            on_shelf("S"),
            line("M", label="m", first=False),
            line("B", label="b"),
            line("A", label="a", quantity=2),
        ),
    )
    stock = [
        StockUnits("1", "S", 1, store="Main", shelf="1"),
        StockUnits("2", "M", 1, store="Main", shelf="1"),
        StockUnits("3", "A", 1, lot="2", store="Main", shelf="2"),
        StockUnits("4", "A", 1, lot="1", store="Main", shelf="2"),
        StockUnits("5", "B", 1, store="Annexe", shelf="9"),
    ]
    assert [row.parcel.key for row in pick_rows(checked(one, *stock))] == ["5", "4", "3", "2", "1"]


def test_a_set_that_serves_two_roles_is_one_set() -> None:
    one = case("K1", (set_line("S"), set_line("S", "T", role="other set")))
    row = rows(one, parcel("S"))["S"]
    assert row.quantity == 1


def test_what_must_be_near_comes_on_top_and_a_near_set_does_not() -> None:
    catalogue = by_kind([ItemFacts("W", "washer"), ItemFacts("S", "extraction_set")])
    near = tuple(near_line(kind, "r", catalogue) for kind in ("washer", "extraction_set"))
    found = rows(case("K1", (line("W"), set_line("S")), near=near), parcel("W", 5), parcel("S", 5))
    assert (found["W"].quantity, found["S"].quantity) == (2, 1)
    assert found["W"].whys == ((0, "nominal"), (-1, "have available: r"))


def test_what_was_not_found_is_not_on_the_list() -> None:
    assert rows(case("K1", (line("L"), line("M"))), parcel("M")).keys() == {"M"}


@given(any_cases, any_parcels)
def test_every_pack_is_one_row_and_never_more_than_the_parcel_holds(
    cases: list[CaseToCheck], parcels: list[StockUnits]
) -> None:
    for result in check_cases(cases, parcels, {}, UTC):
        picked = pick_rows(result)
        assert len({row.parcel.key for row in picked}) == len(picked)
        found = [
            (place, one.line, pick)
            for place, construct in enumerate(result.constructs)
            for one in construct.lines
            for pick in one.picks
        ]
        found += [(-1, one.line, pick) for one in result.near for pick in one.picks]
        assert {row.parcel.key for row in picked} == {pick.parcel.key for *_, pick in found}
        for row in picked:
            own = [one for one in found if one[2].parcel == row.parcel]
            assert 0 < row.quantity <= row.parcel.quantity
            assert set(row.whys) == {(place, wanted.why) for place, wanted, _ in own}
            places = [PLACES.index(wanted.place) for _, wanted, _ in own]
            assert PLACES.index(row.place) == min(places)
