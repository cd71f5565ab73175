"""The probability that the size needed is in the room, against other ways to work it out."""

import math
from collections.abc import Sequence
from itertools import product
from random import Random
from statistics import NormalDist

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from service.core.sizing import (
    LengthEstimate,
    LinkedLengths,
    SizeBand,
    SizedImplant,
    SizedLength,
    SizedRole,
    SizeRule,
    SizesNeeded,
    SizingError,
    held_probability,
)
from service.core.sizing.rules import FITS, Fit
from service.core.sizing.sizes_held import Packs
from tests.core.sizing.size_cases import ANTIROTATION, BARREL, LAG, LAGS, plainly_chosen

#: What is drawn for one length: mean, SD, offset, fit, step and the sizes made.
Drawn = tuple[float, float, float, Fit, float | None, tuple[float, ...]]


def _drawn(chance: Random) -> Drawn:
    made = tuple(sorted(chance.sample(range(60, 130), chance.randint(2, 6))))
    return (
        chance.uniform(60, 130),
        chance.uniform(1, 20),
        chance.uniform(-10, 10),
        chance.choice(FITS),
        chance.choice([None, 1.0, 5.0]),
        tuple(float(size) for size in made),
    )


def _length(name: str, drawn: Drawn) -> SizedLength:
    mean, sd, offset, fit, step, made = drawn
    size = SizedRole(name, SizeRule(offset, fit, step), made)
    return SizedLength(name, LengthEstimate(mean, sd, calibrated=True), (size,))


def _interval(drawn: Drawn, size: float) -> tuple[float, float]:
    """Return the lengths that call for a size, by the rule written down a second time."""
    _, _, offset, fit, step, made = drawn
    place = made.index(size)
    below = made[1] - made[0] if step is None else step
    above = made[-1] - made[-2] if step is None else step
    ends = {"nearest": (0.5, 0.5), "at_least": (1.0, 0.0)}.get(fit, (0.0, 1.0))
    low = size - ends[0] * (size - made[place - 1]) if place else made[0] - below
    last = place == len(made) - 1
    beyond = math.inf if fit == "passes" else made[-1] + above
    high = beyond if last else size + ends[1] * (made[place + 1] - size)
    # A fit that rounds one way still takes the smallest or largest size within one step beyond.
    return low - offset, high - offset


def _by_boxes(
    drawn: Sequence[Drawn], packs: Sequence[Sequence[float]], correlation: float
) -> float:
    """Sum the boxes of the packs held, each from the multivariate normal distribution itself."""
    spreads = [one[1] for one in drawn]
    covariance = np.diag([sd**2 for sd in spreads])
    covariance[0, 1] = covariance[1, 0] = correlation * spreads[0] * spreads[1]
    normal = multivariate_normal([one[0] for one in drawn], covariance)
    total = 0.0
    for pack in packs:
        ends = [_interval(one, size) for one, size in zip(drawn, pack, strict=True)]
        low, high = zip(*ends, strict=True)
        total += float(normal.cdf(np.array(high), lower_limit=np.array(low)))
    return total


@pytest.mark.parametrize("seed", range(500))
def test_a_set_of_packs_is_the_sum_of_its_boxes_under_the_bivariate_normal(seed: int) -> None:
    chance = Random(seed)  # noqa: S311 - a test's dice, not a secret
    drawn = [_drawn(chance), _drawn(chance)]
    correlation = chance.choice([0.0, chance.uniform(-0.95, 0.95)])
    made = list(product(drawn[0][5], drawn[1][5]))
    packs = chance.sample(made, chance.randint(0, len(made)))
    links = (LinkedLengths("a", "b", correlation),) if correlation else ()
    lengths = tuple(_length(name, one) for name, one in zip("ab", drawn, strict=True))
    needed = SizesNeeded(lengths, (SizedImplant("nail", ("a", "b")),), links)
    # Source: scipy.stats.multivariate_normal over each box; 1e-5 is what it promises itself.
    assert held_probability(needed, {"nail": packs}) == pytest.approx(
        _by_boxes(drawn, packs, correlation), abs=1e-5
    )


@pytest.mark.parametrize("seed", range(100))
def test_linked_lengths_of_two_implants_and_a_free_one_make_one_probability(seed: int) -> None:
    chance = Random(seed)  # noqa: S311 - a test's dice, not a secret
    drawn = [_drawn(chance) for _ in range(3)]
    correlation = chance.uniform(-0.95, 0.95)
    lengths = tuple(_length(name, one) for name, one in zip("abc", drawn, strict=True))
    implants = (SizedImplant("lag screw", ("a",)), SizedImplant("nail", ("b", "c")))
    lags = chance.sample(drawn[0][5], chance.randint(0, len(drawn[0][5])))
    made = list(product(drawn[1][5], drawn[2][5]))
    nails = chance.sample(made, chance.randint(0, min(len(made), 8)))
    needed = SizesNeeded(lengths, implants, (LinkedLengths("a", "b", correlation),))
    held: Packs = {"lag screw": [(size,) for size in lags], "nail": nails}
    boxes = [(lag, *nail) for lag in lags for nail in nails]
    # Source: scipy.stats.multivariate_normal in three dimensions, integrated to about 1e-4.
    assert held_probability(needed, held) == pytest.approx(
        _by_boxes(drawn, boxes, correlation), abs=1e-3
    )


@pytest.mark.parametrize("seed", range(20))
def test_drawn_patients_are_served_as_often_as_is_said(seed: int) -> None:
    chance = Random(seed)  # noqa: S311 - a test's dice, not a secret
    drawn = [_drawn(chance) for _ in range(3)]
    correlation = chance.uniform(-0.9, 0.9)
    lengths = tuple(_length(name, one) for name, one in zip("abc", drawn, strict=True))
    made = list(product(drawn[1][5], drawn[2][5]))
    held: Packs = {
        "lag screw": [(size,) for size in drawn[0][5][1:]],
        "nail": chance.sample(made, max(1, 3 * len(made) // 4)),
    }
    implants = (SizedImplant("lag screw", ("a",)), SizedImplant("nail", ("b", "c")))
    needed = SizesNeeded(lengths, implants, (LinkedLengths("a", "b", correlation),))
    number = 20_000
    rng = np.random.default_rng(seed)
    errors = rng.standard_normal((3, number))
    errors[1] = correlation * errors[0] + math.sqrt(1 - correlation**2) * errors[1]
    served = 0
    for patient in errors.T:
        sizes = [
            plainly_chosen(one[0] + one[1] * error, one[2], one[3], one[4], one[5])
            for one, error in zip(drawn, patient, strict=True)
        ]
        served += (sizes[0],) in held["lag screw"] and tuple(sizes[1:]) in held["nail"]
    said = held_probability(needed, held)
    # Five standard errors of a share of so many draws.
    assert served / number == pytest.approx(said, abs=5 * 0.5 / math.sqrt(number))


def _of(name: str, mean: float, sd: float, *sized: SizedRole) -> SizedLength:
    return SizedLength(name, LengthEstimate(mean, sd, calibrated=True), sized)


def test_one_size_either_side_of_a_lag_screw_holds_as_the_normal_distribution_says() -> None:
    # Source: SD 4.5, step 5, centred: P(|Z| < 7.5 / 4.5) = 0.9044 and P(|Z| < 12.5 / 4.5) = 0.9945.
    lag = _of("neck", 100, 4.5, SizedRole("length", LAG, LAGS))
    needed = SizesNeeded((lag,), (SizedImplant("lag screw", ("length",)),))
    near = {"lag screw": [(90.0,), (95.0,), (100.0,)]}
    far = {"lag screw": [(size,) for size in (85.0, 90.0, 95.0, 100.0, 105.0)]}
    phi = NormalDist().cdf
    assert held_probability(needed, near) == pytest.approx(1 - 2 * phi(-7.5 / 4.5), abs=1e-12)
    assert held_probability(needed, far) == pytest.approx(1 - 2 * phi(-12.5 / 4.5), abs=1e-12)


@pytest.mark.parametrize("correlation", [-0.9, -0.5, 0.0, 0.5, 0.9])
def test_both_lengths_above_their_means_is_the_quadrant_of_sheppard(correlation: float) -> None:
    # Source: Sheppard 1899: P(X > 0, Y > 0) = 1/4 + arcsin(r) / (2 pi).
    halves = SizeRule(bands=(SizeBand(0, 1), SizeBand(None, 2)))
    lengths = tuple(_of(name, 0, 1, SizedRole(name, halves, (1.0, 2.0))) for name in "xy")
    links = (LinkedLengths("x", "y", correlation),)
    needed = SizesNeeded(lengths, (SizedImplant("nail", ("x", "y")),), links)
    quadrant = 0.25 + math.asin(correlation) / (2 * math.pi)
    assert held_probability(needed, {"nail": [(2.0, 2.0)]}) == pytest.approx(quadrant, abs=1e-9)


def _hip_screw() -> SizesNeeded:
    lag = SizedRole("lag", LAG, LAGS)
    barrel = SizedRole("barrel", BARREL, (25.0, 38.0), follows="lag")
    implants = (SizedImplant("lag screw", ("lag",)), SizedImplant("side plate", ("barrel",)))
    return SizesNeeded((_of("neck", 87.5, 5, lag, barrel),), implants)


def test_a_lag_screw_without_the_plate_of_its_barrel_is_not_there() -> None:
    # The lag screw is 80 below a neck of 87.5 mm (half of all) and 85 above it; up to 80 mm it
    # takes the short barrel (textbook).
    lags = [(75.0,), (80.0,), (85.0,), (90.0,)]
    only_long = {"lag screw": lags, "side plate": [(38.0,)]}
    both = {"lag screw": lags, "side plate": [(25.0,), (38.0,)]}
    upper = NormalDist().cdf(2) - NormalDist().cdf(0)
    assert held_probability(_hip_screw(), only_long) == pytest.approx(upper, abs=1e-12)
    assert held_probability(_hip_screw(), both) == pytest.approx(2 * upper, abs=1e-12)


def test_screws_that_follow_one_another_are_not_multiplied() -> None:
    lag = SizedRole("lag", LAG, LAGS)
    anti = SizedRole("anti", ANTIROTATION, tuple(size - 15 for size in LAGS), follows="lag")
    implants = (SizedImplant("lag screw", ("lag",)), SizedImplant("antirotation", ("anti",)))
    needed = SizesNeeded((_of("neck", 100, 4.5, lag, anti),), implants)
    held = {"lag screw": [(95.0,)], "antirotation": [(80.0,)]}
    middle = 1 - 2 * NormalDist().cdf(-2.5 / 4.5)
    assert held_probability(needed, held) == pytest.approx(middle, abs=1e-12)


def test_only_the_implants_asked_about_count() -> None:
    held = {"lag screw": [(size,) for size in LAGS], "side plate": []}
    assert held_probability(_hip_screw(), held) == 0
    asked = held_probability(_hip_screw(), held, ["lag screw"])
    # All lag screws made, 70 to 120 mm, serve a neck of 70 to 130 mm: from -3.5 SD on.
    assert asked == pytest.approx(NormalDist().cdf(3.5), abs=1e-12)
    assert held_probability(_hip_screw(), held, []) == 1


def test_a_length_that_is_known_needs_its_own_size_only() -> None:
    known = _of("neck", 100, 0, SizedRole("length", LAG, LAGS))
    nail = _of("canal", 12, 1, SizedRole("width", SizeRule(step_mm=1), (11.0, 12.0)))
    implants = (SizedImplant("lag screw", ("length",)), SizedImplant("nail", ("width",)))
    needed = SizesNeeded((known, nail), implants, (LinkedLengths("neck", "canal", 0.5),))
    held = {"lag screw": [(95.0,)], "nail": [(12.0,)]}
    phi = NormalDist().cdf
    assert held_probability(needed, held) == pytest.approx(phi(1) - phi(-0.5), abs=1e-12)
    assert held_probability(needed, {**held, "lag screw": [(100.0,)]}) == 0


@pytest.mark.parametrize("seed", range(50))
def test_one_more_pack_never_makes_it_less_sure_and_all_sizes_are_what_is_made(seed: int) -> None:
    chance = Random(seed)  # noqa: S311 - a test's dice, not a secret
    drawn = [_drawn(chance), _drawn(chance)]
    lengths = tuple(_length(name, one) for name, one in zip("ab", drawn, strict=True))
    needed = SizesNeeded(
        lengths, (SizedImplant("nail", ("a", "b")),), (LinkedLengths("a", "b", 0.4),)
    )
    made = list(product(drawn[0][5], drawn[1][5]))
    chance.shuffle(made)
    said = [held_probability(needed, {"nail": made[:number]}) for number in range(len(made) + 1)]
    assert said[0] == 0
    assert said == sorted(said)
    assert said[-1] <= 1


def test_sizes_of_no_length_and_links_that_cannot_be_are_refused() -> None:
    neck, canal, femur = (
        _of(name, 100, 5, SizedRole(name, LAG, LAGS)) for name in ("neck", "canal", "femur")
    )
    lengths = (neck, canal, femur)
    lag = (SizedImplant("lag screw", ("neck",)),)
    with pytest.raises(SizingError):
        SizesNeeded(lengths, (SizedImplant("plate", ("barrel",)),))
    with pytest.raises(SizingError):
        SizesNeeded(lengths, (SizedImplant("plate", ()),))
    twice = (LinkedLengths("neck", "canal", 0.1), LinkedLengths("canal", "femur", 0.1))
    for links in (
        twice,
        (LinkedLengths("neck", "neck", 0.1),),
        (LinkedLengths("neck", "tibia", 0.1),),
        (LinkedLengths("neck", "canal", 1.0),),
        (LinkedLengths("neck", "canal", math.nan),),
    ):
        with pytest.raises(SizingError):
            SizesNeeded(lengths, lag, links)
