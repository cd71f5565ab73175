"""Units are shared out so that as many lines as possible are found; networkx is the reference."""

from collections import Counter

import networkx as nx
from hypothesis import given
from hypothesis import strategies as st

from service.core.constructs.kit_lines import KitLine
from service.core.cover.check import match_units_to_lines, overlapping_lines
from service.core.cover.units import StockUnits

REFS = ("A", "B", "C")


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
        lines, {0: [oldest, other], 1: [oldest]}, lambda _line, _parcel: 1
    )
    assert shares == {0: {"new": 1}, 1: {"old": 1}}


def test_of_equal_matchings_the_one_with_the_oldest_stock_is_taken() -> None:
    lines = {0: line(("A", "B"))}
    oldest, other = StockUnits("old", "A", 1), StockUnits("new", "B", 1)
    assert match_units_to_lines(lines, {0: [oldest, other]}, lambda _line, _parcel: 1) == {
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
    shares = match_units_to_lines(lines, usable, lambda _line, parcel: parcel.quantity)

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
