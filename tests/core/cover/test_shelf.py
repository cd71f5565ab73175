"""What is left on a shelf, against brute force written here.

Brute force: every claim is laid on single units, one day at a time, by trying every unit; nothing
of the shelf's own counting is used. Interval colouring is checked against networkx's graph
algorithms: claims are intervals of days, and a set of intervals that pairwise overlap is a clique
(interval graphs are perfect, so the largest clique is the fewest units; any textbook).
"""

from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import product

import networkx as nx
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.cover.shelf import ClaimedStock, assign_units, most_away
from service.core.cover.units import Claim, StockUnits, most_needed, units_needed
from tests.core.planner_catalogue import at

FIRST = date(2031, 3, 4)


DAYS = [FIRST + timedelta(days=number) for number in range(4)]


KEY = "L95@A"


def backup(case: str, day: date, quantity: int = 1, theatre: str = "T1") -> Claim:
    """Cases come one after the other in the order of their numbers, an hour each."""
    starts = at(8 + int(case[-1]) if case[-1].isdigit() else 20, day=day)
    until = starts + timedelta(hours=1)
    name = f"{day} {theatre}"
    return Claim(case, KEY, quantity, day, name, stays=False, starts=starts, until=until)


def first_use(case: str, day: date, quantity: int = 1, theatre: str = "T1") -> Claim:
    return replace(backup(case, day, quantity, theatre), stays=True)


claims_alone = st.builds(
    Claim,
    st.sampled_from(["K1", "K2", "K3", "K4"]),
    st.just(KEY),
    st.integers(1, 3),
    st.sampled_from(DAYS),
    st.just("T1"),
    st.booleans(),
)


def is_in_use(claim: Claim, day: date) -> bool:
    """First use from the day on, a backup on the day: the rule as the trade says it."""
    return claim.list_date <= day if claim.stays else claim.list_date == day


def needed_by_hand(claims: list[Claim], day: date) -> int:
    """Count units one by one; of a share group, those of the case that counts on most."""
    groups: dict[object, dict[str, int]] = {}
    for number, claim in enumerate(claims):
        if is_in_use(claim, day):
            group = groups.setdefault(claim.share_group or number, {})
            group[claim.case] = group.get(claim.case, 0) + claim.quantity
    return sum(max(group.values()) for group in groups.values())


def fewest_units(claims: list[Claim]) -> int:
    """Give the largest clique of single units that are in use together."""
    graph = nx.Graph()
    single = [(place, copy) for place, one in enumerate(claims) for copy in range(one.quantity)]
    graph.add_nodes_from(single)
    for one, other in product(single, single):
        if one < other and any(
            is_in_use(claims[one[0]], day) and is_in_use(claims[other[0]], day) for day in DAYS
        ):
            graph.add_edge(one, other)
    return max((len(clique) for clique in nx.find_cliques(graph)), default=0)


@st.composite
def shared_claims(draw: st.DrawFn) -> list[Claim]:
    """Claims of which some backups of one list lie on the same units."""
    found = draw(st.lists(claims_alone, max_size=6))
    group = draw(st.lists(st.integers(1, 2), max_size=3))
    return found + [
        replace(backup(f"G{place}", FIRST, quantity), share_group="g")
        for place, quantity in enumerate(group)
    ]


@given(shared_claims(), st.sampled_from(DAYS))
def test_the_units_needed_on_a_day_are_those_counted_one_by_one(
    claims: list[Claim], day: date
) -> None:
    assert units_needed(claims, day) == needed_by_hand(claims, day)


@given(st.lists(claims_alone, max_size=5))
@settings(max_examples=60)
def test_what_is_needed_at_most_is_the_largest_clique_of_overlapping_claims(
    claims: list[Claim],
) -> None:
    assert most_needed(claims) == fewest_units(claims)


@given(shared_claims())
def test_every_claim_is_laid_on_units_of_its_own_and_no_more_units_than_needed(
    claims: list[Claim],
) -> None:
    units = assign_units(claims, most_needed(claims))
    laid = [place for unit in units for place in unit]
    assert all(laid.count(place) == one.quantity for place, one in enumerate(claims))
    for unit in units:
        for one, other in product(unit, unit):
            together = any(is_in_use(claims[one], d) and is_in_use(claims[other], d) for d in DAYS)
            same_group = claims[one].share_group is not None and (
                claims[one].share_group == claims[other].share_group
            )
            assert one == other or not together or same_group
    assert all(len(unit) == len(set(unit)) for unit in units)


@given(shared_claims(), st.integers(0, 6))
def test_with_too_few_units_some_claims_lie_on_none_and_none_on_the_same(
    claims: list[Claim], units: int
) -> None:
    found = assign_units(claims, units)
    assert len(found) == units
    for unit in found:
        alone = [claims[place] for place in unit if claims[place].share_group is None]
        for day in DAYS:
            assert sum(is_in_use(claim, day) for claim in alone) <= 1


def test_many_units_are_assigned_without_going_through_all_of_them_for_each() -> None:
    """Quantities go to a million; 50,000 units took minutes when every slot tried every unit."""
    claims = [backup("K1", FIRST, 50_000), first_use("K2", DAYS[1], 50_000)]
    assert set(assign_units(claims, 50_000)) == {(0, 1)}


@given(shared_claims(), st.sampled_from(DAYS), st.booleans(), st.integers(0, 12))
def test_what_is_free_can_be_claimed_and_one_more_cannot(
    claims: list[Claim], day: date, stays: bool, spare: int
) -> None:
    """Exact both ways: no unit is kept back and none is promised twice."""
    parcel = StockUnits(KEY, "L95", max(most_needed(claims), spare))
    shelf = ClaimedStock.of([parcel], claims)
    free = shelf.free(parcel, day, stays=stays)
    new = replace(backup("NEW", day), stays=stays)
    assert free >= 0
    all_of_it = [*claims, replace(new, quantity=free)] if free else claims
    assert max((needed_by_hand(all_of_it, d) for d in DAYS), default=0) <= parcel.quantity
    one_more = [*claims, replace(new, quantity=free + 1)]
    assert max(needed_by_hand(one_more, d) for d in DAYS) > parcel.quantity


def test_a_backup_of_the_same_list_is_shared_and_named_for_both() -> None:
    parcel = StockUnits(KEY, "L95", 1)
    shelf = ClaimedStock.of([parcel], [backup("K1", FIRST)])
    (made,) = shelf.share(parcel, 1, backup("K2", FIRST))
    assert shelf.sharers(made) == ("K1",)
    assert most_needed(shelf.claims[KEY]) == 1


def test_a_first_use_another_list_and_another_day_are_never_shared() -> None:
    parcel = StockUnits(KEY, "L95", 1)
    for claim in (first_use("K1", FIRST), backup("K1", FIRST, theatre="T2"), backup("K1", DAYS[1])):
        shelf = ClaimedStock.of([parcel], [claim])
        assert shelf.share(parcel, 1, backup("K2", FIRST)) == ()


def test_cases_that_overlap_never_share_and_an_end_nobody_knows_is_after_all_later_starts() -> None:
    parcel = StockUnits(KEY, "L95", 1)
    early, late = backup("K1", FIRST), backup("K3", FIRST)
    long = replace(late, until=at(13), starts=at(9, 30))
    for donor, claim, is_shared in (
        (early, late, True),
        (late, early, True),
        (early, long, False),
        (long, early, False),
        (early, replace(late, starts=early.until), True),
        (replace(early, until=None), late, False),
        (replace(late, until=None), early, True),
        (replace(early, starts=None, until=None), late, False),
    ):
        shelf = ClaimedStock.of([parcel], [donor])
        assert bool(shelf.share(parcel, 1, claim)) == is_shared


def test_a_guest_shares_with_everybody_on_the_units_or_not_at_all() -> None:
    parcel = StockUnits(KEY, "L95", 1)
    shelf = ClaimedStock.of([parcel], [backup("K1", FIRST)])
    assert shelf.share(parcel, 1, backup("K2", FIRST))
    with_first = replace(backup("K3", FIRST), starts=at(9), until=at(10))
    assert shelf.share(parcel, 1, with_first) == ()


def test_of_claims_on_one_unit_that_have_come_to_overlap_the_earlier_is_left() -> None:
    parcel = StockUnits(KEY, "L95", 1)
    first, second, third = (
        replace(backup(case, FIRST), share_group="g") for case in ("K1", "K2", "K3")
    )
    late = replace(first, until=None)
    shelf = ClaimedStock.of([parcel], [third, second, late])
    assert shelf.claims[KEY] == [late]
    longer = replace(second, until=at(13))
    shelf = ClaimedStock.of([parcel], [third, longer, first])
    assert shelf.claims[KEY] == [longer, first]


def test_who_first_had_a_shared_backup_may_have_it_again_after_letting_go() -> None:
    """Planning the first case again must not cost it the pack that its neighbour shares."""
    parcel = StockUnits(KEY, "L95", 1)
    shelf = ClaimedStock.of([parcel], [backup("K1", FIRST)])
    shelf.share(parcel, 1, backup("K2", FIRST))
    left = [claim for claim in shelf.claims[KEY] if claim.case == "K2"]
    again = ClaimedStock.of([parcel], left)
    (made,) = again.share(parcel, 1, backup("K1", FIRST))
    assert again.sharers(made) == ("K2",)
    assert most_needed(again.claims[KEY]) == 1


@given(
    st.integers(1, 3),
    st.lists(st.tuples(st.sampled_from(["K1", "K2", "K3", "K4"]), st.integers(1, 3)), max_size=8),
)
def test_however_often_backups_are_shared_they_never_need_more_units(
    quantity: int, asked: list[tuple[str, int]]
) -> None:
    parcel = StockUnits(KEY, "L95", quantity)
    shelf = ClaimedStock.of([parcel], [backup("K0", FIRST, quantity)])
    for case, wanted in asked:
        made = shelf.share(parcel, wanted, backup(case, FIRST))
        assert sum(claim.quantity for claim in made) <= wanted
        own = sum(claim.quantity for claim in shelf.claims[KEY] if claim.case == case)
        assert own <= quantity
        assert needed_by_hand(shelf.claims[KEY], FIRST) == quantity


spans = st.tuples(st.integers(0, 8), st.integers(1, 6)).map(
    lambda pair: (at(6) + timedelta(minutes=30 * pair[0]), timedelta(minutes=30 * pair[1]))
)


def away(case: str, span: tuple[datetime, timedelta]) -> Claim:
    start, length = span
    return replace(backup(case, FIRST), is_set=True, starts=start, until=start + length)


def largest_clique(claims: list[Claim]) -> int:
    """Copies needed: the largest set of spans that pairwise overlap, by networkx."""
    graph = nx.Graph()
    graph.add_nodes_from(range(len(claims)))
    for one, other in product(range(len(claims)), repeat=2):
        a, b = claims[one], claims[other]
        assert a.starts is not None
        assert a.until is not None
        assert b.starts is not None
        assert b.until is not None
        if one < other and a.starts < b.until and b.starts < a.until:
            graph.add_edge(one, other)
    return max((len(clique) for clique in nx.find_cliques(graph)), default=0)


@given(st.lists(spans, max_size=7))
def test_the_copies_of_a_set_away_at_once_are_the_largest_clique_of_spans(
    found: list[tuple[datetime, timedelta]],
) -> None:
    claims = [away(f"K{place}", span) for place, span in enumerate(found)]
    assert most_away(claims) == largest_clique(claims)


@given(st.lists(spans, max_size=6), spans, st.integers(1, 3))
def test_a_copy_is_back_exactly_when_the_copies_suffice_for_one_more_span(
    found: list[tuple[datetime, timedelta]], new: tuple[datetime, timedelta], copies: int
) -> None:
    claims: list[Claim] = []
    for place, span in enumerate(found):
        one = away(f"K{place}", span)
        if largest_clique([*claims, one]) <= copies:
            claims.append(one)
    parcel = StockUnits(KEY, "IS", copies)
    shelf = ClaimedStock.of([parcel], claims)
    more = away("NEW", new)
    assert more.starts is not None
    assert more.until is not None
    fits = largest_clique([*claims, more]) <= copies
    assert shelf.is_back(parcel, more.starts, more.until) == fits
