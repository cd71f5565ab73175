"""The fewest packs that reach a target, against every kit there is."""

from collections.abc import Collection, Iterator
from itertools import combinations, product
from random import Random

import pytest

from service.core.sizing import (
    LengthEstimate,
    SizedImplant,
    SizedLength,
    SizedRole,
    SizeRule,
    SizesNeeded,
    fewest_packs,
    held_probability,
    linked_groups,
)
from service.core.sizing.sizes_listed import Pack
from tests.core.sizing.size_cases import BARREL, LAG, LAGS


def _reached(needed: SizesNeeded, packs: Collection[Pack]) -> float:
    return held_probability(
        needed,
        {one.name: [sizes for name, sizes in packs if name == one.name] for one in needed.implants},
    )


def _every_kit(
    needed: SizesNeeded, least: Collection[Pack], made: Collection[Pack], most: int
) -> Iterator[tuple[int, float]]:
    further = sorted(set(made) - set(least))
    for number in range(min(most, len(further)) + 1):
        for some in combinations(further, number):
            yield number, _reached(needed, [*least, *some])


def _linked(chance: Random) -> tuple[SizesNeeded, list[Pack]]:
    """Draw a lag screw with something that follows it, or a nail of two sizes."""
    estimate = LengthEstimate(chance.uniform(80, 110), chance.uniform(2, 12), calibrated=True)
    lags = tuple(float(size) for size in chance.sample(range(70, 125, 5), chance.randint(2, 5)))
    lag = SizedRole("lag", LAG, lags)
    if chance.random() < 0.5:
        follows = [SizedRole("other", BARREL, (25.0, 38.0), follows="lag")]
        others = follows[0].sizes_made
        if chance.random() < 0.5:
            others = tuple(float(one) for one in chance.sample(range(55, 110, 5), 4))
            rule = SizeRule(offset_mm=-15, within_mm=chance.choice([None, 5.0]), step_mm=10)
            follows = [SizedRole("other", rule, others, follows="lag")]
        implants = (SizedImplant("lag screw", ("lag",)), SizedImplant("other", ("other",)))
        needed = SizesNeeded((SizedLength("neck", estimate, (lag, *follows)),), implants)
        made: list[Pack] = [("lag screw", (size,)) for size in lags]
        return needed, made + [("other", (size,)) for size in others]
    widths = tuple(float(one) for one in chance.sample(range(9, 14), 2))
    canal = LengthEstimate(chance.uniform(9, 13), chance.uniform(0.3, 2), calibrated=True)
    width = SizedRole("width", SizeRule(fit="at_most", step_mm=1), widths)
    lengths = (SizedLength("neck", estimate, (lag,)), SizedLength("canal", canal, (width,)))
    needed = SizesNeeded(lengths, (SizedImplant("nail", ("width", "lag")),))
    return needed, [("nail", sizes) for sizes in product(widths, lags)]


@pytest.mark.parametrize("seed", range(1000))
def test_no_kit_with_fewer_packs_reaches_the_target(seed: int) -> None:
    chance = Random(seed)  # noqa: S311 - a test's dice, not a secret
    needed, made = _linked(chance)
    (group,) = linked_groups(needed)
    made = chance.sample(made, chance.randint(max(1, len(made) - 3), len(made)))
    least = chance.sample(made, min(len(made), chance.randint(0, 2)))
    target, most = chance.choice([0.5, 0.7, 0.9, 0.99]), chance.randint(0, 5)
    chosen = fewest_packs(group, least, made, target=target, most=most)
    further = chosen - set(least)
    probability = _reached(needed, chosen)
    kits = list(_every_kit(needed, least, made, most))
    assert chosen >= set(least)
    assert set(made) >= further
    best = max(reached for _, reached in kits)
    # What differs by a billionth is alike.
    goal = min(best, target) - 1e-9
    assert probability >= goal
    fewest = min(number for number, one in kits if one >= goal)
    assert len(further) == fewest
    surest = max(one for number, one in kits if number == fewest)
    assert probability == pytest.approx(surest, abs=1e-8)


def _hip_screw(mean_mm: float) -> tuple[SizesNeeded, list[Pack]]:
    lag = SizedRole("lag", LAG, LAGS)
    barrel = SizedRole("barrel", BARREL, (25.0, 38.0), follows="lag")
    neck = SizedLength("neck", LengthEstimate(mean_mm, 4.5, calibrated=True), (lag, barrel))
    implants = (SizedImplant("lag screw", ("lag",)), SizedImplant("side plate", ("barrel",)))
    made: list[Pack] = [("lag screw", (size,)) for size in LAGS]
    return SizesNeeded((neck,), implants), [*made, ("side plate", (25.0,)), ("side plate", (38.0,))]


def test_a_shorter_lag_screw_brings_the_plate_with_the_short_barrel() -> None:
    needed, made = _hip_screw(89)
    (group,) = linked_groups(needed)
    least = [("lag screw", (size,)) for size in (80.0, 85.0, 90.0)] + [("side plate", (38.0,))]
    chosen = fewest_packs(group, least, made, target=0.85, most=9)
    # Lag screws up to 80 mm take the short barrel (textbook), and 80 mm is needed once in three.
    assert chosen - set(least) == {("side plate", (25.0,))}


def test_nothing_comes_on_top_of_what_is_sure_enough() -> None:
    needed, made = _hip_screw(105)
    (group,) = linked_groups(needed)
    least = [("lag screw", (size,)) for size in (95.0, 100.0, 105.0)] + [("side plate", (38.0,))]
    assert fewest_packs(group, least, made, target=0.9, most=9) == set(least)


def test_what_no_number_of_packs_reaches_is_brought_as_far_as_it_goes() -> None:
    needed, made = _hip_screw(132)
    (group,) = linked_groups(needed)
    least = [("lag screw", (120.0,)), ("side plate", (38.0,))]
    chosen = fewest_packs(group, least, made, target=0.99, most=2)
    assert chosen - set(least) == {("lag screw", (115.0,)), ("lag screw", (110.0,))}
