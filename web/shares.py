"""Probabilities in words: never said to be more than they are."""

import math

__all__ = ["in_hundred"]

#: Far below what is said, and far above what floating point adds or takes away.
_NOISE = 1e-9
#: Between these, in tenths of a hundredth, whole hundredths tell enough.
_FEW, _NEARLY_ALL = 10, 990


def in_hundred(probability: float) -> str:
    """Say a probability in whole hundredths, rounded down; near 0 and near 1 in tenths of them.

    Parameters
    ----------
    probability
        0 to 1.

    Returns
    -------
    str
        A number out of 100; ``100`` for certain only.

    Examples
    --------
    >>> [in_hundred(value) for value in (1.0, 0.9999, 0.996, 0.987, 0.005, 0.0)]
    ['100', '99.9', '99.6', '98', '0.5', '0.0']
    """
    if probability >= 1 - _NOISE:
        return "100"
    tenths = math.floor(1000 * (probability + _NOISE))
    return str(tenths // 10) if _FEW <= tenths < _NEARLY_ALL else f"{tenths / 10:.1f}"
