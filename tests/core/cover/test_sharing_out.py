"""Units are shared out so that as many lines as possible are found; networkx is the reference."""

from collections import Counter
from datetime import date

import networkx as nx
from hypothesis import given
from hypothesis import strategies as st

from service.core.constructs.kit_lines import KitLine
from service.core.cover.sharing import match_units_to_lines, overlapping_lines
from service.core.cover.units import StockUnits

REFS = ("A", "B", "C")


def test_what_a_case_has_already_is_used_before_what_is_free() -> None:
    lines = {0: line(("A", "B"))}
    oldest, own = StockUnits("old", "A", 1), StockUnits("own", "B", 1)
    shares = match_units_to_lines(
        lines, {0: [oldest, own]}, lambda _line, one: (int(one.key == "own"), int(one.key == "old"))
    )
    assert shares == {0: {"own": 1}}


def test_of_lines_that_may_use_different_numbers_each_keeps_to_its_own() -> None:
    # What another case may count on, too, serves the backup only.
    lines = {0: line(("A",), 2), 1: line(("A", "B"), 2)}
    stock = StockUnits("a", "A", 3)
    shares = match_units_to_lines(
        lines, {0: [stock], 1: [stock]}, lambda one, _parcel: (1, 0) if one is lines[0] else (3, 0)
    )
    assert shares == {0: {"a": 1}, 1: {"a": 2}}


SUBSETS = st.sets(st.sampled_from(REFS), min_size=1).map(lambda refs: tuple(sorted(refs)))


def line(refs: tuple[str, ...], quantity: int = 1) -> KitLine:
    return KitLine("screw", "screw", refs, quantity, "nominal", "first use")


def test_lines_that_want_the_same_or_nothing_in_common_do_not_overlap() -> None:
    assert overlapping_lines([line(("A", "B")), line(("A", "B")), line(("C",))]) == ()


def test_a_line_without_references_never_overlaps() -> None:
    assert overlapping_lines([line(()), line(("A",)), line(("A", "B"))]) == (1, 2)


def test_a_line_with_a_choice_leaves_the_only_unit_to_the_line_that_has_none() -> None:
    lines = {0: line(("A", "B")), 1: line(("A",))}
    oldest, other = StockUnits("old", "A", 1), StockUnits("new", "B", 1)
    shares = match_units_to_lines(
        lines, {0: [oldest, other], 1: [oldest]}, lambda _line, _parcel: (0, 1)
    )
    assert shares == {0: {"new": 1}, 1: {"old": 1}}


def test_of_equal_matchings_the_one_with_the_oldest_stock_is_taken() -> None:
    lines = {0: line(("A", "B"))}
    oldest = StockUnits("old", "A", 1, use_by=date(2031, 6, 1))
    other = StockUnits("new", "B", 1, use_by=date(2032, 6, 1))
    assert match_units_to_lines(lines, {0: [oldest, other]}, lambda _line, _parcel: (0, 1)) == {
        0: {"old": 1}
    }


@given(
    wants=st.lists(st.tuples(SUBSETS, st.integers(1, 3)), min_size=1, max_size=5),
    stock=st.fixed_dictionaries({ref: st.integers(0, 4) for ref in REFS}),
)
def test_as_many_units_are_found_as_a_maximum_flow_finds(
    wants: list[tuple[tuple[str, ...], int]], stock: dict[str, int]
) -> None:
    lines = {place: line(refs, quantity) for place, (refs, quantity) in enumerate(wants)}
    parcels = {ref: StockUnits(ref, ref, quantity) for ref, quantity in stock.items()}
    usable = {place: [parcels[ref] for ref in one.refs] for place, one in lines.items()}
    shares = match_units_to_lines(lines, usable, lambda _line, parcel: (0, parcel.quantity))

    graph = nx.DiGraph()
    graph.add_nodes_from(["source", "sink"])
    for place, one in lines.items():
        graph.add_edge("source", place, capacity=one.quantity)
        for ref in one.refs:
            graph.add_edge(place, ref, capacity=one.quantity)
    for ref, quantity in stock.items():
        graph.add_edge(ref, "sink", capacity=quantity)
    expected = nx.maximum_flow_value(graph, "source", "sink")

    used = Counter[str]()
    for place, share in shares.items():
        used.update(share)
        assert sum(share.values()) <= lines[place].quantity
        assert set(share) <= set(lines[place].refs)
    assert all(used[ref] <= stock[ref] for ref in REFS)
    assert used.total() == expected
