"""A flow of units to needs, against networkx's flows and brute force of the groups."""

from collections import Counter
from itertools import combinations

import networkx as nx
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.cover.unit_flow import UnitFlow, serve_whole

COSTS = st.dictionaries(st.tuples(st.integers(0, 5), st.integers(0, 5)), st.integers(0, 9))
ROOM = st.lists(st.integers(0, 3), min_size=6, max_size=6)
WANTED = st.lists(st.integers(1, 3), min_size=6, max_size=6)


def flow_of(costs: dict[tuple[int, int], int], room: list[int]) -> UnitFlow[int, str]:
    flow = UnitFlow[int, str]()
    for (need, supply), price in costs.items():
        flow.offer(need, f"u{supply}", room[supply], price)
    return flow


def network(
    costs: dict[tuple[int, int], int], room: list[int], wanted: dict[int, int]
) -> nx.DiGraph:
    graph = nx.DiGraph()
    graph.add_nodes_from(["source", "sink"])
    for (need, supply), price in costs.items():
        if need in wanted:
            graph.add_edge("source", f"n{need}", capacity=wanted[need], weight=0)
            graph.add_edge(f"n{need}", f"u{supply}", capacity=wanted[need], weight=price)
            graph.add_edge(f"u{supply}", "sink", capacity=room[supply], weight=0)
    return graph


def most(costs: dict[tuple[int, int], int], room: list[int], wanted: dict[int, int]) -> int:
    return int(nx.maximum_flow_value(network(costs, room, wanted), "source", "sink"))


@settings(max_examples=300, deadline=None)
@given(COSTS, ROOM, WANTED)
def test_as_many_are_served_as_can_be_the_first_first_and_at_the_least_cost(
    costs: dict[tuple[int, int], int], room: list[int], wanted: list[int]
) -> None:
    flow = flow_of(costs, room)
    served: dict[int, int] = {}
    for need in range(6):
        served[need] = flow.serve(need, wanted[need])
        # Beside those before it: what all of them can have together.
        among = {one: served.get(one, 0) for one in range(need)} | {need: wanted[need]}
        assert sum(served.values()) == most(costs, room, among)
    given_ = Counter[int]()
    used = Counter[str]()
    for need, supply, units in flow.given():
        given_[need] += units
        used[supply] += units
        assert units > 0
        assert (need, int(supply[1:])) in costs
    assert given_ == Counter(served)
    assert all(used[f"u{place}"] <= room[place] for place in range(6))
    cheapest = nx.max_flow_min_cost(network(costs, room, served), "source", "sink")
    paid = sum(costs[need, int(supply[1:])] * units for need, supply, units in flow.given())
    assert paid == nx.cost_of_flow(network(costs, room, served), cheapest)


def test_ways_without_cost_are_not_lost() -> None:
    flow = flow_of({(0, 0): 0}, [1])
    assert flow.serve(0, 1) == 1
    assert list(flow.given()) == [(0, "u0", 1)]


def test_a_need_with_a_choice_leaves_the_only_unit_to_one_without() -> None:
    flow = flow_of({(0, 0): 0, (0, 1): 900, (1, 0): 900}, [1, 1])
    assert [flow.serve(0, 1), flow.serve(1, 1)] == [1, 1]
    assert sorted(flow.given()) == [(0, "u1", 1), (1, "u0", 1)]


def test_what_is_taken_back_is_as_if_it_had_never_been() -> None:
    flow = flow_of({(0, 0): 0, (0, 1): 9, (1, 0): 9}, [1, 1])
    flow.serve(0, 1)
    before = sorted(flow.given())
    assert not flow.serve_all({1: 2})
    assert sorted(flow.given()) == before
    flow.undo()
    assert (list(flow.given()), flow.room) == ([], {"u0": 1, "u1": 1})


@settings(max_examples=300, deadline=None)
@given(
    COSTS,
    ROOM,
    st.lists(
        st.dictionaries(st.integers(0, 5), st.integers(1, 3), min_size=1, max_size=3),
        min_size=1,
        max_size=5,
    ),
)
def test_as_many_groups_are_served_whole_as_can_be_and_of_equally_many_the_earliest(
    costs: dict[tuple[int, int], int], room: list[int], drawn: list[dict[int, int]]
) -> None:
    # A need stands in one group only.
    seen: set[int] = set()
    groups = []
    for group in drawn:
        groups.append({need: wanted for need, wanted in group.items() if need not in seen})
        seen |= set(group)
    groups = [group for group in groups if group]

    def can_all_be(places: tuple[int, ...]) -> bool:
        wanted = {need: units for place in places for need, units in groups[place].items()}
        return most(costs, room, wanted) == sum(wanted.values())

    expected = next(
        places
        for size in range(len(groups), -1, -1)
        for places in combinations(range(len(groups)), size)
        if can_all_be(places)
    )
    flow = flow_of(costs, room)
    serve_whole(flow, groups)
    got = Counter[int]()
    for need, _, units in flow.given():
        got[need] += units
    assert got == Counter(
        {need: units for place in expected for need, units in groups[place].items()}
    )


def test_two_groups_go_before_one_that_takes_what_both_need() -> None:
    flow = flow_of({(0, 0): 0, (1, 1): 0, (2, 0): 0, (3, 1): 0}, [1, 1])
    serve_whole(flow, [{0: 1, 1: 1}, {2: 1}, {3: 1}])
    assert sorted(need for need, _, _ in flow.given()) == [2, 3]
