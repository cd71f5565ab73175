"""Parts the case mix is made of: kinds of case, families of sizes, sizes tilted to the usage."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.catalogue import ItemFacts
from service.core.demand.size_shares import curves, size_families
from service.core.demand.usage import case_kind
from service.core.par import ParTooLarge, plan_par
from service.core.par.case_mix import PLANS_WORTH, SizeUse, with_seen_sizes
from service.schemas.par_problem import par_problem_from


def nail(ref: str, length: float, diameter: float = 11.0, side: str = "either") -> ItemFacts:
    return ItemFacts(
        ref,
        "single_lag_screw_nail",
        system="Demo",
        length_mm=length,
        diameter_mm=diameter,
        angle_deg=130.0,
        side=side,
    )


def test_a_case_is_named_after_its_frame_and_not_after_its_screws() -> None:
    screw = ItemFacts("L", "lag_screw", system="Demo", length_mm=95)
    wire = ItemFacts("W", "cerclage_wire", diameter_mm=1.25)
    assert case_kind([nail("S", 180), screw]) == "short single lag screw nail, Demo"
    assert case_kind([screw, nail("A", 380, side="left"), nail("B", 400, side="right"), wire]) == (
        "cerclage wire + long single lag screw nail, Demo"
    )
    assert case_kind([screw]) == "lag screw, Demo"
    assert case_kind([ItemFacts("G", "guide_wire")]) is None
    assert case_kind([]) is None


def test_every_item_is_in_one_family_and_its_members_differ_in_one_size() -> None:
    short = [nail(f"S{d}", 180, d) for d in (10, 11, 12)]
    long = [
        nail(f"{side}{d}{mm}", mm, d, side)
        for side in ("left", "right")
        for d in (10, 11)
        for mm in (320, 340, 360)
    ]
    families = size_families([*short, *long, ItemFacts("C", "set_screw", system="Demo")])
    members = [ref for family in families for ref, _ in family.members]
    facts = {item.ref: item for item in [*short, *long]}
    for family in families:
        own = [facts[ref] for ref, _ in family.members if ref in facts]
        assert len({item.side for item in own}) <= 1
        varying = [
            name
            for name in ("length_mm", "diameter_mm")
            if len({getattr(item, name) for item in own}) > 1
        ]
        assert varying in ([], [family.axis])
    assert len(members) == len(set(members)) == len(short) + len(long) + 1


def test_shares_of_a_family_sum_to_one_and_lean_on_neighbours() -> None:
    screws = [
        ItemFacts(f"L{mm}", "lag_screw", system="Demo", length_mm=mm)
        for mm in (85, 90, 95, 100, 105)
    ]
    found = curves(size_families(screws), {"L90": 20, "L100": 20})
    shares = {ref: share.share for ref, (_, share) in found.items()}
    assert sum(shares.values()) == pytest.approx(1.0)
    # Nobody used 95 yet, but both its neighbours.
    assert shares["L95"] > shares["L85"] > 0.0


def one_case(name: str, chances: list[float]) -> dict[str, Any]:
    entries = [{f"size-{n}": 1} for n in range(len(chances))]
    return {
        "case": name,
        "factors": [{"name": "neck", "probabilities": chances}],
        "needs": [{"need": "fix", "probability": 1.0, "constructs": ["c"]}],
        "constructs": [{"construct": "c", "takes": [{"factors": ["neck"], "items": entries}]}],
    }


def shares_of(weighted: list[tuple[float, dict[str, Any]]]) -> list[float]:
    total = sum(weight for weight, _ in weighted)
    sizes = len(weighted[0][1]["factors"][0]["probabilities"])
    return [
        sum(w * case["factors"][0]["probabilities"][n] for w, case in weighted) / total
        for n in range(sizes)
    ]


chances = st.lists(st.floats(0.05, 1.0), min_size=4, max_size=4).map(
    lambda drawn: [one / sum(drawn) for one in drawn]
)


# Source: what the method is for, its margins. The wanted share is worked out here on its own.
@settings(max_examples=40)
@given(
    cases=st.lists(st.tuples(st.floats(0.1, 2.0), chances), min_size=1, max_size=4),
    uses=st.lists(st.integers(0, 200), min_size=4, max_size=4),
)
def test_tilted_cases_take_each_size_as_often_as_usage_and_plans_say_together(
    cases: list[tuple[float, list[float]]], uses: list[int]
) -> None:
    weighted = [(w, one_case(f"K{n}", own)) for n, (w, own) in enumerate(cases)]
    before = shares_of(weighted)
    seen = {f"size-{n}": SizeUse("lag", float(count)) for n, count in enumerate(uses)}
    done = with_seen_sizes(weighted, seen)
    after = shares_of(list(zip([w for w, _ in weighted], done, strict=True)))
    wanted = [
        (count + PLANS_WORTH * share) / (sum(uses) + PLANS_WORTH)
        for count, share in zip(uses, before, strict=True)
    ]
    assert after == pytest.approx(wanted, abs=1e-4)
    for case in done:
        assert sum(case["factors"][0]["probabilities"]) == pytest.approx(1.0, abs=1e-12)


def test_sizes_nobody_has_seen_used_stay_as_planned() -> None:
    weighted = [(1.0, one_case("K", [0.1, 0.6, 0.3]))]
    unused = {f"size-{n}": SizeUse("lag", 0.0) for n in range(3)}
    for seen in ({}, unused):
        (case,) = with_seen_sizes(weighted, seen)
        assert case["factors"][0]["probabilities"] == pytest.approx([0.1, 0.6, 0.3])


def test_a_problem_that_would_take_minutes_is_refused_with_its_size() -> None:
    """Thirty kinds of case with a thousand outcomes each, and 19,600 units to look at."""
    mix = []
    for kind in range(30):
        share = 1.0 / 1000
        entries = [
            {f"i{(outcome * step + kind) % 400}": 1 for step in (1, 3, 7, 11)}
            for outcome in range(1000)
        ]
        case = one_case(f"K{kind}", [share] * 999 + [1.0 - 999 * share])
        case["constructs"][0]["takes"][0]["items"] = entries
        mix.append({"weight": 1, "case": case})
    problem = {
        "arrivals_per_day": 1,
        "case_mix": mix,
        "items": [{"item": f"i{n}", "unit_cost": 1, "lead_time_days": 5} for n in range(400)],
        "levels": {f"i{n}": 49 for n in range(400)},
    }
    with pytest.raises(ParTooLarge) as refused:
        plan_par(par_problem_from(problem))
    assert refused.value.faults[0][0] == "/levels"
