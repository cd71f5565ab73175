"""A second way to write the size rules, and values to draw for them."""

from collections.abc import Sequence

from hypothesis import strategies as st

from service.core.sizing import SizeBand, SizeRule
from service.core.sizing.rules import FITS, Fit

LAGS = tuple(float(size) for size in range(70, 125, 5))


LAG = SizeRule(offset_mm=-5)


BARREL = SizeRule(bands=(SizeBand(80, 25), SizeBand(None, 38)))


ANTIROTATION = SizeRule(offset_mm=-15, within_mm=5)


def plainly_chosen(
    dimension_mm: float, offset_mm: float, fit: Fit, step_mm: float | None, sizes: Sequence[float]
) -> float | None:
    """Write the rule a second time, by comparing every size."""
    made = sorted(set(sizes))
    target = dimension_mm + offset_mm
    below = made[1] - made[0] if step_mm is None else step_mm
    above = made[-1] - made[-2] if step_mm is None else step_mm
    if made[0] - target > below or (target - made[-1] > above and fit != "passes"):
        return None
    if fit == "nearest":
        return min(made, key=lambda size: (abs(size - target), size))
    if fit in {"at_most", "passes"}:
        return max((size for size in made if size <= target), default=made[0])
    return min((size for size in made if size >= target), default=made[-1])


# Quarters of a millimetre are exact in binary, so the two ways of writing cannot round apart.
quarters = st.integers(-100, 700).map(lambda count: count / 4)


sizes_made = st.lists(st.integers(4, 480).map(lambda n: n / 4), min_size=2, max_size=9, unique=True)


rules = st.builds(
    SizeRule,
    offset_mm=st.integers(-60, 60).map(lambda count: count / 4),
    fit=st.sampled_from(FITS),
    step_mm=st.none() | st.integers(1, 80).map(lambda count: count / 4),
)
