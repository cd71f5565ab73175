"""From plans to a readiness problem, against normal probabilities worked by hand.

Every probability here is scipy.stats.norm between break points that the comments work out.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import product
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from scipy.stats import norm

from service.core.catalogue import ItemFacts
from service.core.constructs.planned import read_planned
from service.core.constructs.roles import Catalogue
from service.core.constructs.templates import Role, RoleSize, Template
from service.core.cover.results import Expectation
from service.core.cover.units import StockUnits
from service.core.readiness import solve
from service.core.readiness.from_plans import DROPPED, CasePlan, problem_of, waiting_items
from service.core.sizing import LengthEstimate, SizeRule
from service.core.sizing.figures import DELIVERY_IN_TIME, SET_IN_TIME
from service.core.sizing.film import Dimension
from service.schemas.readiness_problem import problem_from

Json = dict[str, Any]


LONDON = ZoneInfo("Europe/London")


NAIL = Role(
    "nail",
    ("single_lag_screw_nail",),
    match=frozenset({"system"}),
    sizes=(RoleSize("diameter_mm", "canal", None, SizeRule(-1.0, "at_most", 1.0)),),
)


LAG = Role(
    "lag screw",
    ("lag_screw",),
    match=frozenset({"system"}),
    sizes=(RoleSize("length_mm", "neck", None, SizeRule(-5.0, "nearest", 5.0)),),
)


ANTIROTATION = Role(
    "antirotation screw",
    ("antirotation_screw",),
    sizes=(RoleSize("length_mm", None, "lag screw", SizeRule(-15.0, "nearest", 5.0)),),
)


NAIL_SET = Role("nail instrument set", ("nail_instrument_set",), match=frozenset({"system"}))


WIRE = Role("cerclage wire", ("cerclage_wire",), quantity=((1, 0.4), (2, 0.4), (3, 0.2)))


CERCLAGE_SET = Role("cerclage instrument set", ("cerclage_instrument_set",))


GUIDE_WIRE = Role("guide wire", ("guide_wire",), quantity=((2, 1.0),))


TEMPLATES = {
    "nail": Template("nail", "Nail", "base", (NAIL, LAG)),
    "two": Template("two", "Two screws", "base", (LAG, ANTIROTATION)),
    "lag": Template("lag", "Lag screw", "base", (LAG,)),
    "set": Template("set", "With a set", "base", (LAG, NAIL_SET, GUIDE_WIRE)),
    "more": Template("more", "With the same set", "add_on", (NAIL_SET, GUIDE_WIRE)),
    "wire": Template("wire", "Wire", "base", (WIRE, CERCLAGE_SET)),
}


ITEMS = [
    *(
        ItemFacts(f"N{mm}", "single_lag_screw_nail", system="Demo", diameter_mm=mm)
        for mm in (10, 11, 12)
    ),
    *(ItemFacts(f"L{mm}", "lag_screw", system="Demo", length_mm=mm) for mm in (90, 95, 100)),
    *(ItemFacts(f"M{mm}", "lag_screw", system="More", length_mm=mm) for mm in (92, 96, 100, 104)),
    *(ItemFacts(f"A{mm}", "antirotation_screw", length_mm=mm) for mm in (75, 80, 85)),
    ItemFacts("IS", "nail_instrument_set", system="Demo", reusable=True),
    ItemFacts("W", "cerclage_wire"),
    ItemFacts("CS", "cerclage_instrument_set", reusable=True),
    ItemFacts("G", "guide_wire"),
]


NECK, CANAL = norm(101.0, 4.5), norm(12.4, 1.0)


DIMENSIONS = {
    "neck": Dimension(LengthEstimate(101.0, 4.5, True), "film", 1),
    "canal": Dimension(LengthEstimate(12.4, 1.0, True), "film", 1),
}


def plan(*constructs: str, name: str = "K1", hour: int = 9, day: int = 4) -> CasePlan:
    starts = datetime(2031, 3, day, hour, tzinfo=UTC)
    needs = (("as planned", 1.0, constructs),)
    planned = tuple(read_planned(text) for text in constructs)
    ends = starts.replace(hour=hour + 1)
    return CasePlan(name, starts, ends, "left", planned, needs, DIMENSIONS)


def problem(
    *plans: CasePlan,
    parcels: Iterable[StockUnits] = (),
    values: Mapping[str, float] | None = None,
    turnarounds: Mapping[str, int] | None = None,
    items: Iterable[ItemFacts] = ITEMS,
) -> Json:
    return problem_of(
        plans,
        templates=TEMPLATES,
        catalogue=Catalogue(items),
        values=values or {},
        parcels=parcels,
        turnarounds=turnarounds or {"IS": 240, "CS": 180},
        zone=LONDON,
    )


def only_case(found: Json) -> Json:
    (case,) = found["cases"]
    return dict(case)


def demands(case: Json, place: int = 0) -> dict[tuple[tuple[str, int], ...] | None, float]:
    """Sum the probability of every whole demand of a construct; None where a size is not made.

    Written from the contract: entries are row-major over the factors of the take.
    """
    factors = [(one["name"], one["probabilities"]) for one in case["factors"]]
    likely: dict[tuple[tuple[str, int], ...] | None, float] = defaultdict(float)
    for cells in product(*(range(len(chances)) for _, chances in factors)):
        chance = math.prod(chances[cell] for (_, chances), cell in zip(factors, cells, strict=True))
        at = {name: cell for (name, _), cell in zip(factors, cells, strict=True)}
        sizes = {name: len(chances) for name, chances in factors}
        total: dict[str, int] | None = defaultdict(int)
        for take in case["constructs"][place]["takes"]:
            index = 0
            for name in take["factors"]:
                index = index * sizes[name] + at[name]
            entry = take["items"][index]
            if entry is None or total is None:
                total = None
                continue
            for item, number in entry.items():
                total[item] += number
        likely[None if total is None else tuple(sorted(total.items()))] += chance
    return {demand: chance for demand, chance in likely.items() if chance}


#: Lag screw: neck − 5 mm to the nearest of 90, 95, 100, made from 85 to 105 mm of target; so the
#: neck's breaks are 90, 97.5, 102.5 and 110 mm.
P_LAG = {
    90: NECK.cdf(97.5) - NECK.cdf(90),
    95: NECK.cdf(102.5) - NECK.cdf(97.5),
    100: NECK.cdf(110) - NECK.cdf(102.5),
    None: NECK.cdf(90) + NECK.sf(110),
}


#: Nail: canal − 1 mm, at most that, from one step below 10 to one step above 12 mm; so the canal's
#: breaks are 10, 12, 13 and 14 mm.
P_NAIL = {
    10: CANAL.cdf(12) - CANAL.cdf(10),
    11: CANAL.cdf(13) - CANAL.cdf(12),
    12: CANAL.cdf(14) - CANAL.cdf(13),
    None: CANAL.cdf(10) + CANAL.sf(14),
}


def test_a_nail_and_its_lag_screw_are_as_probable_as_canal_and_neck_make_them() -> None:
    case = only_case(problem(plan("nail@Demo")))
    expected = {
        ((f"L{lag}", 1), (f"N{nail}", 1)): P_LAG[lag] * P_NAIL[nail]
        for lag in (90, 95, 100)
        for nail in (10, 11, 12)
    }
    not_made = 1 - (1 - P_LAG[None]) * (1 - P_NAIL[None])
    assert demands(case) == pytest.approx({**expected, None: not_made}, abs=1e-12)
    assert {factor["name"] for factor in case["factors"]} == {"neck", "canal"}


def test_an_antirotation_screw_goes_with_its_lag_screw_and_needs_no_factor_of_its_own() -> None:
    # 15 mm shorter than the lag screw chosen: 75 with 90, 80 with 95, 85 with 100.
    case = only_case(problem(plan("two@Demo")))
    assert [factor["name"] for factor in case["factors"]] == ["neck"]
    expected = {((f"A{lag - 15}", 1), (f"L{lag}", 1)): P_LAG[lag] for lag in (90, 95, 100)}
    assert demands(case) == pytest.approx({**expected, None: P_LAG[None]}, abs=1e-12)


def test_alternates_share_the_neck_so_a_long_neck_is_long_for_all_of_them() -> None:
    # The other system: neck − 5 to the nearest of 92, 96, 100, 104, made from 87 to 109 mm of
    # target; breaks of the neck at 92, 99, 103, 107 and 114 mm.
    case = only_case(problem(plan("lag@Demo", "lag@More")))
    (neck,) = case["factors"]
    other = {
        (("M92", 1),): NECK.cdf(99) - NECK.cdf(92),
        (("M96", 1),): NECK.cdf(103) - NECK.cdf(99),
        (("M100", 1),): NECK.cdf(107) - NECK.cdf(103),
        (("M104", 1),): NECK.cdf(114) - NECK.cdf(107),
        None: NECK.cdf(92) + NECK.sf(114),
    }
    assert demands(case, 1) == pytest.approx(other, abs=1e-12)
    # Together: L100 and M100 for a neck of 103 to 107 mm, and never L90 with M104.
    pairs: dict[tuple[str, ...], float] = defaultdict(float)
    entries = [one["takes"][0]["items"] for one in case["constructs"]]
    for chance, first, second in zip(neck["probabilities"], *entries, strict=True):
        if first is not None and second is not None:
            pairs[*first, *second] += chance
    assert pairs["L100", "M100"] == pytest.approx(NECK.cdf(107) - NECK.cdf(103), abs=1e-12)
    assert ("L90", "M104") not in pairs


def test_a_number_that_is_not_known_is_a_factor() -> None:
    case = only_case(problem(plan("wire")))
    (factor,) = case["factors"]
    assert factor["probabilities"] == [0.4, 0.4, 0.2]
    expected = {
        (("CS", 1), ("W", number)): share for number, share in ((1, 0.4), (2, 0.4), (3, 0.2))
    }
    assert demands(case) == pytest.approx(expected, abs=1e-12)


def test_a_number_of_none_needs_no_size_and_takes_nothing() -> None:
    none_or_one = Role("washer", ("washer",), quantity=((0, 0.3), (1, 0.7)))
    templates = {"w": Template("w", "Washer", "base", (none_or_one,))}
    found = problem_of(
        [plan("w")],
        templates=templates,
        catalogue=Catalogue([]),
        values={},
        parcels=[],
        turnarounds={},
        zone=LONDON,
    )
    assert demands(only_case(found)) == pytest.approx({(): 0.3, None: 0.7}, abs=1e-12)


def test_a_dropped_pack_asks_for_a_second_one_of_the_same_size() -> None:
    case = only_case(problem(plan("lag@Demo"), values={DROPPED: 0.03}))
    expected = {
        ((f"L{lag}", 1 + more),): P_LAG[lag] * share
        for lag in (90, 95, 100)
        for more, share in ((0, 0.97), (1, 0.03))
    }
    assert demands(case) == pytest.approx({**expected, None: P_LAG[None]}, abs=1e-12)


def test_constructs_that_take_more_or_fewer_of_a_role_each_keep_their_number() -> None:
    four = Role("screw", ("cortical_screw",), quantity=((4, 1.0),), sizes=LAG.sizes)
    one = Role("screw", ("cortical_screw",), sizes=LAG.sizes)
    templates = {
        "many": Template("many", "Four", "base", (four,)),
        "few": Template("few", "One", "base", (one,)),
    }
    found = problem_of(
        [plan("many", "few")],
        templates=templates,
        catalogue=Catalogue([ItemFacts("S96", "cortical_screw", length_mm=96)]),
        values={DROPPED: 0.1},
        parcels=[],
        turnarounds={},
        zone=LONDON,
    )
    case = only_case(found)
    numbers = [
        sorted({demand[0][1] for demand in demands(case, place) if demand}) for place in (0, 1)
    ]
    assert numbers == [[4, 5], [1, 2]]


def test_two_parts_bring_a_set_they_share_once_and_what_is_used_up_twice() -> None:
    case = only_case(problem(plan("set@Demo+more@Demo")))
    made = {demand for demand in demands(case) if demand is not None}
    assert made == {(("G", 4), ("IS", 1), (f"L{lag}", 1)) for lag in (90, 95, 100)}


def test_a_shared_set_is_asked_for_as_often_as_the_part_that_takes_most() -> None:
    pair = Role("nail instrument set", NAIL_SET.kinds, NAIL_SET.where, NAIL_SET.match, ((2, 1.0),))
    templates = {**TEMPLATES, "pair": Template("pair", "Two sets", "add_on", (pair,))}
    for text in ("more@Demo+pair@Demo", "pair@Demo+more@Demo"):
        found = problem_of(
            [plan(text)],
            templates=templates,
            catalogue=Catalogue(ITEMS),
            values={},
            parcels=[],
            turnarounds={"IS": 240},
            zone=LONDON,
        )
        assert demands(only_case(found)) == {(("G", 2), ("IS", 2)): 1.0}


def test_a_pack_counts_to_the_midnight_at_the_site_that_ends_its_last_day() -> None:
    # In 2031 British Summer Time begins on Sunday 30 March (last Sunday of March): midnight at the
    # end of the 29th is 00:00 UTC, at the end of the 30th it is 23:00 UTC.
    parcels = [
        StockUnits("a", "L90", 1, use_by=date(2031, 3, 29)),
        StockUnits("b", "L95", 1, use_by=date(2031, 3, 30)),
        StockUnits(
            "c", "L100", 1, use_by=date(2032, 1, 1), ownership="loan", return_by=date(2031, 7, 1)
        ),
        StockUnits("d", "L100", 2, use_by=date.max),
    ]
    stock = problem(plan("lag@Demo"), parcels=parcels)["stock"]
    ends = {(line["item"], line["quantity"]): line.get("until") for line in stock}
    assert ends == {
        ("L90", 1): "2031-03-30T00:00:00+00:00",
        ("L95", 1): "2031-03-30T23:00:00+00:00",
        ("L100", 1): "2031-06-30T23:00:00+00:00",
        ("L100", 2): None,
    }


def test_a_delivery_counts_from_when_it_can_be_used() -> None:
    due = datetime(2031, 3, 5, 14, tzinfo=LONDON)
    parcels = [StockUnits("due 1", "L95", 2, lot="delivery PO-1", due_at=due, usable_from=due)]
    found = problem(
        plan("lag@Demo"),
        plan("lag@Demo", name="K2", day=6),
        parcels=parcels,
        values={DELIVERY_IN_TIME: 0.9},
    )
    assert found["stock"] == [
        {"item": "L95", "quantity": 2, "from": "2031-03-05T14:00:00+00:00", "with": "delivery PO-1"}
    ]
    assert found["arrivals"] == [{"arrival": "delivery PO-1", "probability": 0.9}]
    values = [case.readiness.value for case in solve(problem_from(found)).cases]
    assert values == pytest.approx([0.0, 0.9 * P_LAG[95]], abs=1e-9)


@pytest.mark.parametrize("why", ["quarantined", "recalled", "unsterile"])
def test_what_is_blocked_is_not_in_the_problem(why: str) -> None:
    parcels = [
        StockUnits("a", "L95", 5, blocked=(why,)),
        StockUnits("b", "IS", 1, blocked=(why,)),
        StockUnits("c", "L95", 1),
    ]
    found = problem(plan("set@Demo"), parcels=parcels)
    assert found["stock"] == [{"item": "L95", "quantity": 1}]
    assert found["sets"] == []


def test_copies_of_a_set_that_come_or_go_back_count_from_then_and_until_then() -> None:
    soon = datetime(2031, 3, 4, 6, tzinfo=UTC)
    first, last = plan("set@Demo", day=4), plan("set@Demo", name="K2", day=6)
    parcels = [
        StockUnits("here", "IS", 1),
        StockUnits("due 1", "IS", 1, lot="delivery PO-1", due_at=soon, usable_from=soon),
        StockUnits("away", "IS", 1, away_with="K0", back_at=soon),
        StockUnits("nobody knows", "IS", 1, away_with="K0"),
        StockUnits("on its tray", "IS", 1, away_with="K2"),
        StockUnits("opened and sent off", "IS", 1, away_with="K2", in_reprocessing=True),
        StockUnits("goes", "IS", 1, ownership="loan", return_by=date(2031, 3, 6)),
        StockUnits("stays", "IS", 1, ownership="loan", return_by=date(2031, 3, 7)),
    ]
    (line,) = problem(first, last, parcels=parcels)["sets"]
    assert (line["item"], line["quantity"], line["turnaround_minutes"]) == ("IS", 1, 240)
    since = "2031-03-04T06:00:00+00:00"
    expected = [
        {"quantity": 1, "from": since, "with": "delivery PO-1"},
        {"quantity": 1, "from": since},
        {"quantity": 1, "from": "2031-03-06T09:00:00+00:00"},
        {"quantity": 1, "until": "2031-03-06T00:00:00+00:00"},
        {"quantity": 1, "until": "2031-03-07T00:00:00+00:00"},
    ]
    assert sorted(line["coming"], key=str) == sorted(expected, key=str)


def test_a_case_that_waits_for_a_set_is_as_sure_as_the_set_is_to_come_back() -> None:
    # K1 has the only copy; K2 and K3 wait for the same return, and both go without or neither.
    noon = datetime(2031, 3, 4, 12, tzinfo=UTC)
    back = Expectation("IS", "IS-1", noon, noon.replace(hour=13), "K1")
    waiting = replace(plan("set@Demo", name="K2", hour=13), expected=((back,),))
    later = replace(plan("set@Demo", name="K3", day=5), expected=((back,),))
    parcels = [
        StockUnits("here", "IS", 1),
        *(StockUnits(ref, ref, 9) for ref in ("L90", "L95", "L100", "G")),
    ]
    found = problem(
        plan("set@Demo", hour=7),
        waiting,
        later,
        parcels=parcels,
        turnarounds={"IS": 240},
        values={SET_IN_TIME: 0.8},
    )
    answer = solve(problem_from({**found, "method": "exact"}))
    made = 1 - P_LAG[None]
    values = [case.readiness.value for case in answer.cases]
    assert values == pytest.approx([made, 0.8 * made, 0.8 * made], abs=1e-9)
    assert answer.list_readiness.value == pytest.approx(0.8 * made**3, abs=1e-9)
    assert list(waiting_items([waiting, later]).values()) == ["IS"]


def test_more_units_than_a_problem_may_have_do_not_make_it_unreadable() -> None:
    found = problem(plan("set@Demo"), parcels=[StockUnits("a", "G", 25_000)])
    assert problem_from(found).stock[0].quantity == 10_000


def test_cases_come_in_order_of_start_whatever_order_they_are_given_in() -> None:
    late, early = plan("lag@Demo", name="A", hour=13), plan("lag@Demo", name="B", hour=8)
    assert [case["case"] for case in problem(late, early)["cases"]] == ["B", "A"]


def test_readiness_of_one_nail_is_the_product_of_what_is_there() -> None:
    # Canal and neck are independent; the 12 mm nail and the 90 mm lag screw are not there.
    parcels = [StockUnits(ref, ref, 1) for ref in ("N10", "N11", "L95", "L100")]
    answer = solve(problem_from(problem(plan("nail@Demo"), parcels=parcels)))
    expected = (P_NAIL[10] + P_NAIL[11]) * (P_LAG[95] + P_LAG[100])
    assert answer.cases[0].readiness.value == pytest.approx(expected, abs=1e-9)
