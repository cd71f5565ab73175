"""How probable each size is, alone and linked to others."""

import math
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from service.core.sizing import (
    LengthEstimate,
    SizeBand,
    SizedRole,
    SizeRule,
    SizingError,
    cover_probability,
    joint_outcomes,
    size_distribution,
    sizes_to_bring,
)
from tests.core.sizing.size_cases import (
    ANTIROTATION,
    BARREL,
    LAG,
    LAGS,
    plainly_chosen,
    rules,
    sizes_made,
)

NAN, INF = math.nan, math.inf


estimates = st.builds(
    LengthEstimate,
    mean_mm=st.floats(0, 160),
    sd_mm=st.just(0.0) | st.floats(0.01, 40),
    calibrated=st.booleans(),
)


@given(estimates, rules, rules, sizes_made, sizes_made)
def test_probabilities_sum_to_one_and_stretches_join(
    estimate: LengthEstimate,
    first: SizeRule,
    second: SizeRule,
    some: list[float],
    more: list[float],
) -> None:
    roles = [
        SizedRole("lag", first, tuple(some)),
        SizedRole("nail", second, tuple(more)),
        SizedRole("anti", second, tuple(more), follows="lag"),
    ]
    outcomes = joint_outcomes(estimate, roles)
    assert math.fsum(o.probability for o in outcomes) == pytest.approx(1, abs=1e-12)
    assert all(0 <= o.probability <= 1 for o in outcomes)
    assert all(left.high_mm == right.low_mm for left, right in pairwise(outcomes))
    assert all(left.sizes != right.sizes for left, right in pairwise(outcomes))
    if estimate.sd_mm > 0:
        assert (outcomes[0].low_mm, outcomes[-1].high_mm) == (-INF, INF)
    total = math.fsum(p for _, p in size_distribution(estimate, first, some))
    assert total == pytest.approx(1, abs=1e-12)


@given(estimates, rules, sizes_made)
def test_the_order_of_sizes_and_roles_does_not_change_the_outcomes(
    estimate: LengthEstimate, rule: SizeRule, sizes: list[float]
) -> None:
    lead = SizedRole("lag", rule, tuple(sizes))
    anti = SizedRole("anti", ANTIROTATION, (75.0, 80.0, 85.0), follows="lag")
    turned = SizedRole("lag", rule, tuple(reversed(sizes)))
    assert joint_outcomes(estimate, [lead, anti]) == joint_outcomes(estimate, [anti, turned])


def test_one_role_has_the_probabilities_of_the_normal_distribution() -> None:
    found = dict(size_distribution(LengthEstimate(97, 4.5, calibrated=True), LAG, LAGS))
    normal = NormalDist(92, 4.5)
    for size in (85.0, 90.0, 95.0, 100.0):
        exact = normal.cdf(size + 2.5) - normal.cdf(size - 2.5)
        assert found[size] == pytest.approx(exact, abs=1e-13)


def test_small_probabilities_far_above_the_mean_keep_their_digits() -> None:
    outcomes = joint_outcomes(
        LengthEstimate(70, 5, calibrated=True), [SizedRole("lag", SizeRule(), LAGS)]
    )
    last = outcomes[-1]
    assert last.sizes["lag"] is None
    assert last.probability == pytest.approx(float(norm.sf(125, 70, 5)), rel=1e-9)
    assert 0 < last.probability < 1e-20


def test_a_known_length_gives_one_certain_outcome() -> None:
    lag = SizedRole("lag", LAG, LAGS)
    (outcome,) = joint_outcomes(LengthEstimate(97.5, 0, calibrated=True), [lag])
    assert (outcome.probability, outcome.low_mm, outcome.high_mm) == (1.0, 97.5, 97.5)
    assert outcome.sizes == {"lag": 90.0}


def test_linked_sizes_are_what_drawing_the_length_gives() -> None:
    estimate = LengthEstimate(91, 7, calibrated=True)
    # Too few antirotation screws on purpose, so that the link leaves gaps.
    shorts = (60.0, 65.0, 75.0, 85.0, 90.0)
    roles = [
        SizedRole("barrel", BARREL, (25.0, 38.0), follows="lag"),
        SizedRole("anti", ANTIROTATION, shorts, follows="lag"),
        SizedRole("lag", LAG, LAGS),
        SizedRole("cancellous", SizeRule(offset_mm=-10, fit="at_most"), (70.0, 80.0, 90.0)),
    ]
    draws = 200_000
    counts: dict[tuple[float | None, ...], int] = {}
    for dimension in np.random.default_rng(11).normal(91, 7, draws).tolist():
        lag = plainly_chosen(dimension, -5, "nearest", None, LAGS)
        anti = barrel = None
        if lag is not None:
            barrel = 25.0 if lag <= 80 else 38.0
            near = [size for size in shorts if 10 <= lag - size <= 20]
            anti = min(near, key=lambda size: (abs(size - lag + 15), size), default=None)
        cancellous = plainly_chosen(dimension, -10, "at_most", None, (70.0, 80.0, 90.0))
        drawn = (lag, anti, barrel, cancellous)
        counts[drawn] = counts.get(drawn, 0) + 1
    exact: dict[tuple[float | None, ...], float] = {}
    for outcome in joint_outcomes(estimate, roles):
        key = tuple(outcome.sizes[role] for role in ("lag", "anti", "barrel", "cancellous"))
        exact[key] = exact.get(key, 0) + outcome.probability
    assert counts.keys() <= exact.keys()
    for key, probability in exact.items():
        error = math.sqrt(probability * (1 - probability) / draws)
        assert counts.get(key, 0) / draws == pytest.approx(probability, abs=5 * error + 1e-5)


def test_linked_roles_are_not_independent() -> None:
    estimate = LengthEstimate(95, 5, calibrated=True)
    lag = SizedRole("lag", SizeRule(), LAGS)
    anti = SizedRole("anti", ANTIROTATION, tuple(size - 15 for size in LAGS), follows="lag")
    outcomes = joint_outcomes(estimate, [lag, anti])
    together = [o.probability for o in outcomes if o.sizes == {"lag": 95.0, "anti": 80.0}]
    alone = dict(size_distribution(estimate, SizeRule(), LAGS))[95.0]
    assert together == [pytest.approx(alone)]
    assert alone > alone**2


@pytest.mark.parametrize(
    ("roles", "says"),
    [
        ([("a", "b"), ("b", "a")], "circle"),
        ([("a", "a")], "circle"),
        ([("a", "lag")], "not a role"),
        ([("a", None), ("a", None)], "same name"),
    ],
)
def test_rings_strangers_and_namesakes_are_refused(
    roles: list[tuple[str, str | None]], says: str
) -> None:
    made = [SizedRole(name, SizeRule(), (80.0, 85.0), follows=leader) for name, leader in roles]
    with pytest.raises(SizingError, match=says):
        joint_outcomes(LengthEstimate(80, 5, calibrated=True), made)


def test_a_chain_of_followers_is_followed_to_its_end() -> None:
    roles = [
        SizedRole("c", SizeRule(offset_mm=-5), (70.0, 75.0), follows="b"),
        SizedRole("b", SizeRule(offset_mm=-5), (75.0, 80.0), follows="a"),
        SizedRole("a", SizeRule(), (80.0, 85.0)),
    ]
    (outcome,) = joint_outcomes(LengthEstimate(84, 0, calibrated=True), roles)
    assert outcome.sizes == {"a": 85.0, "b": 80.0, "c": 75.0}


def test_two_break_points_a_rounding_apart_leave_no_empty_stretch_between() -> None:
    hair = SizeBand(math.nextafter(92.5, INF), 25)
    roles = [
        SizedRole("lag", SizeRule(), (90.0, 95.0)),
        SizedRole("barrel", SizeRule(bands=(hair, SizeBand(None, 38))), (25.0, 38.0)),
    ]
    outcomes = joint_outcomes(LengthEstimate(92.5, 4, calibrated=True), roles)
    assert all(left.sizes != right.sizes for left, right in pairwise(outcomes))
    assert len(outcomes) == 4


def test_cover_stops_at_the_ends_of_the_range() -> None:
    assert sizes_to_bring(70, LAGS, 2) == (70.0, 75.0, 80.0)
    assert sizes_to_bring(120, reversed(LAGS), 1) == (115.0, 120.0)
    assert sizes_to_bring(95, LAGS, 0) == (95.0,)
    with pytest.raises(SizingError, match="not among"):
        sizes_to_bring(92, LAGS, 1)
    with pytest.raises(SizingError, match="0 or more"):
        sizes_to_bring(95, LAGS, -1)


def test_a_size_not_made_is_never_covered() -> None:
    likely = size_distribution(LengthEstimate(120, 10, calibrated=True), SizeRule(), LAGS)
    assert cover_probability(likely, LAGS) == pytest.approx(NormalDist(120, 10).cdf(125), abs=1e-6)
