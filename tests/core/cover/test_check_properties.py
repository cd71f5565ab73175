"""What holds of every check, over random cases and stock."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, date, timedelta

import networkx as nx
from hypothesis import given
from hypothesis import strategies as st

from service.core.cover.check import check_cases
from service.core.cover.results import CaseCheck, CaseToCheck
from service.core.cover.units import StockUnits
from tests.core.cover.cover_problems import any_cases, any_parcels, days
from tests.core.planner_catalogue import DAY, at, case, line, parcel, set_line


def units_on(checked: Sequence[CaseCheck], key: str, day: date) -> int:
    """Count what is claimed of a parcel on a day, from the meaning of a claim alone."""
    alone, groups = 0, defaultdict[str, dict[str, int]](lambda: defaultdict(int))
    for claim in (claim for one in checked for claim in one.claims if claim.key == key):
        if claim.list_date != day and not (claim.stays and claim.list_date < day):
            continue
        if claim.share_group is None:
            alone += claim.quantity
        else:
            groups[claim.share_group][claim.case] += claim.quantity
    return alone + sum(max(members.values()) for members in groups.values())


@given(any_cases, any_parcels)
def test_no_parcel_is_ever_claimed_beyond_its_quantity(
    cases: list[CaseToCheck], parcels: list[StockUnits]
) -> None:
    checked = check_cases(cases, parcels, {}, UTC)
    for one in parcels:
        for ahead in range(4):
            assert units_on(checked, one.key, DAY + timedelta(days=ahead)) <= one.quantity
    for result in checked:
        for construct in result.constructs:
            taken: dict[str, int] = defaultdict(int)
            for found in construct.lines:
                for pick in found.picks:
                    taken[pick.parcel.key] += pick.quantity
            assert all(taken[one.key] <= one.quantity for one in parcels)


@given(any_cases, any_parcels, st.randoms(use_true_random=False))
def test_the_order_in_which_parcels_and_cases_come_never_matters(
    cases: list[CaseToCheck], parcels: list[StockUnits], random: object
) -> None:
    first = check_cases(cases, parcels, {}, UTC)
    random.shuffle(parcels)  # type: ignore[attr-defined] # hypothesis gives a random.Random
    random.shuffle(cases)  # type: ignore[attr-defined] # as above
    assert check_cases(cases, parcels, {}, UTC) == first


@given(any_cases, any_parcels)
def test_a_line_without_a_gap_has_all_it_asks_for_and_one_with_a_gap_says_what_is_missing(
    cases: list[CaseToCheck], parcels: list[StockUnits]
) -> None:
    for result in check_cases(cases, parcels, {}, UTC):
        found = [one for construct in result.constructs for one in construct.lines]
        for one in (*found, *result.near):
            missing = one.gap.missing if one.gap else 0
            assert one.found + missing == one.line.quantity
            assert (one.gap is None) == (missing == 0)


@given(any_cases, any_parcels)
def test_what_is_held_after_a_check_is_found_again_by_the_next_check(
    cases: list[CaseToCheck], parcels: list[StockUnits]
) -> None:
    first = check_cases(cases, parcels, {}, UTC)
    holds = [claim for one in first for claim in one.claims]
    again = check_cases(cases, parcels, {}, UTC, holds)
    for before, after in zip(first, again, strict=True):
        assert [one.state for one in after.constructs] == [one.state for one in before.constructs]
        assert [one.gap is None for one in after.near] == [one.gap is None for one in before.near]


@given(any_cases, any_parcels, any_parcels)
def test_one_more_parcel_never_uncovers_the_only_case(
    cases: list[CaseToCheck], parcels: list[StockUnits], more: list[StockUnits]
) -> None:
    alone = cases[:1]
    new = [StockUnits(f"new {one.key}", one.ref, one.quantity, use_by=one.use_by) for one in more]
    (before,) = check_cases(alone, parcels, {}, UTC)
    (after,) = check_cases(alone, [*parcels, *new], {}, UTC)
    for old, now in zip(before.constructs, after.constructs, strict=True):
        assert old.state != "covered" or now.state == "covered"


dated = st.lists(st.tuples(days, st.booleans()), max_size=6)


@given(st.lists(st.tuples(days, st.integers(8, 16)), min_size=1, max_size=6), dated)
def test_units_of_one_item_go_to_the_cases_a_matching_in_list_order_would_serve(
    starts: list[tuple[date, int]], units: list[tuple[date, bool]]
) -> None:
    """A case in list order is served exactly if it can be beside all served before it."""
    cases = [
        case(f"K{place}", (line("L"),), starts=at(hour, day=day))
        for place, (day, hour) in enumerate(starts)
    ]
    parcels = [
        parcel("L", lot=f"u{place}", use_by=use_by, blocked=("unsterile",) if blocked else ())
        for place, (use_by, blocked) in enumerate(units)
    ]
    served: list[CaseToCheck] = []
    for one in sorted(cases, key=lambda one: (one.starts, one.case)):
        graph = nx.Graph()
        wanted = [*served, one]
        graph.add_nodes_from(other.case for other in wanted)
        graph.add_edges_from(
            (other.case, place)
            for other in wanted
            for place, (use_by, blocked) in enumerate(units)
            if not blocked and use_by >= other.list_date
        )
        matching = nx.bipartite.maximum_matching(graph, top_nodes={o.case for o in wanted})
        if sum(1 for other in wanted if other.case in matching) == len(wanted):
            served.append(one)
    checked = check_cases(cases, parcels, {}, UTC)
    covered = {one.case.case for one in checked if one.constructs[0].state == "covered"}
    assert covered == {one.case for one in served}


@given(
    st.lists(st.tuples(st.integers(0, 47), st.integers(1, 3)), min_size=1, max_size=6),
    st.integers(1, 3),
    st.integers(0, 8),
)
def test_at_no_minute_are_more_copies_of_a_set_away_than_there_are(
    starts: list[tuple[int, int]], copies: int, turnaround_hours: int
) -> None:
    """Counted hour by hour, independently of how the check keeps its spans."""
    begin = at(0)
    cases = [
        case(
            f"K{place}",
            (set_line("S"),),
            starts=begin + timedelta(hours=hour),
            ends=begin + timedelta(hours=hour + length),
        )
        for place, (hour, length) in enumerate(starts)
    ]
    checked = check_cases(cases, [parcel("S", copies)], {"S": 60 * turnaround_hours}, UTC)
    away: dict[int, int] = defaultdict(int)
    for one in checked:
        hour, length = starts[int(one.case.case[1:])]
        span = range(hour, hour + length + turnaround_hours)
        has_it = one.constructs[0].state in {"covered", "covered if"}
        # A case goes without only if a copy could not be spared at some hour of its span.
        assert has_it == (max(away[at_] for at_ in span) < copies)
        for at_ in span if has_it else ():
            away[at_] += 1
