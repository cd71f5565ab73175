"""A chance in words: one whole percentage, rounded down, that never says more than is so."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.readiness.words import percent


# Worked by hand: the whole part of a hundred times the chance.
@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0, "0 %"),
        (0.0001, "less than 1 %"),
        (0.01, "1 %"),
        (0.125, "12 %"),
        (0.29, "29 %"),
        (0.57, "57 %"),
        (0.99, "99 %"),
        (0.9901, "more than 99 %"),
        (0.9999, "more than 99 %"),
        (1.0, "100 %"),
    ],
)
def test_a_chance_is_said_in_whole_per_cent_rounded_down(value: float, words: str) -> None:
    assert percent(value) == words


@given(st.floats(1e-6, 1 - 1e-6))
def test_only_the_certain_reads_nought_or_a_hundred(value: float) -> None:
    assert percent(value) not in {"0 %", "100 %"}


@given(st.floats(0, 1), st.floats(0, 1))
def test_the_higher_of_two_chances_never_reads_lower(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert _least(percent(low)) <= _least(percent(high))


def _least(words: str) -> float:
    """Return the least chance that the words allow, in per cent."""
    count = float(words.split()[-2])
    return 0.5 if "less" in words else count + 0.5 if "more" in words else count
