"""Allocation against networkx's matchings and flows, general-purpose references."""

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.cover.check import least_cost_match

COSTS = st.dictionaries(st.tuples(st.integers(0, 5), st.integers(0, 5)), st.integers(0, 9))


def _least_cost(costs: dict[tuple[int, int], int]) -> tuple[int, int]:
    """Return number and cost of the cheapest maximum matching, as a minimum-cost flow."""
    graph = nx.DiGraph()
    graph.add_nodes_from(["source", "sink"])
    for (demand, unit), price in costs.items():
        graph.add_edge("source", f"d{demand}", capacity=1, weight=0)
        graph.add_edge(f"d{demand}", f"u{unit}", capacity=1, weight=price)
        graph.add_edge(f"u{unit}", "sink", capacity=1, weight=0)
    flow = nx.max_flow_min_cost(graph, "source", "sink")
    return sum(flow["source"].values()), nx.cost_of_flow(graph, flow)


@settings(max_examples=200, deadline=None)
@given(COSTS)
def test_a_match_serves_as_many_as_possible_at_the_least_cost(
    costs: dict[tuple[int, int], int],
) -> None:
    named = {(f"d{demand}", f"u{unit}"): price for (demand, unit), price in costs.items()}
    demands, units = [f"d{n}" for n in range(6)], [f"u{n}" for n in range(6)]
    found = least_cost_match(demands, units, named)
    assert (len(found.served), found.cost) == _least_cost(costs)
    assert found.cost == sum(named[pair] for pair in found.served)
    assert len({unit for _, unit in found.served}) == len(found.served)
    assert [*sorted([d for d, _ in found.served] + list(found.short))] == demands


def test_pairs_without_cost_are_not_lost() -> None:
    found = least_cost_match(["K1"], ["a"], {("K1", "a"): 0})
    assert (found.served, found.cost) == ((("K1", "a"),), 0)


def test_a_demand_with_a_choice_leaves_the_only_unit_to_one_without() -> None:
    # First come, first served would give a to K1 and leave K2 short.
    found = least_cost_match(
        ["K1", "K2"], ["a", "b"], {("K1", "a"): 0, ("K1", "b"): 900, ("K2", "a"): 900}
    )
    assert found.served == (("K1", "b"), ("K2", "a"))


def test_nothing_to_allocate_is_an_empty_allocation() -> None:
    assert least_cost_match([], ["a"], {}).served == ()
    assert least_cost_match(["K1"], [], {}).short == ("K1",)


@pytest.mark.parametrize(
    ("demands", "units", "cost"),
    [
        (["K1", "K1"], ["a"], {}),
        (["K1"], ["a", "a"], {}),
        (["K1"], ["a"], {("K1", "b"): 1}),
        (["K1"], ["a"], {("K1", "a"): -1}),
        (["K1"], ["a"], {("K1", "a"): 2**53}),
    ],
)
def test_a_match_that_makes_no_sense_is_refused(
    demands: list[str], units: list[str], cost: dict[tuple[str, str], int]
) -> None:
    with pytest.raises(ValueError, match=r"\.$"):
        least_cost_match(demands, units, cost)
