"""A probability as it is said to people."""

import math

#: Far below what is said, and far above what floating point adds or takes away.
_NOISE = 1e-9


_ALMOST = 99


def percent(probability: float) -> str:
    """Say a chance in whole per cent, rounded down; the one way every page and answer says it.

    Parameters
    ----------
    probability
        0 to 1.

    Returns
    -------
    str
        ``0 %`` and ``100 %`` for what is certain only.

    Examples
    --------
    >>> [percent(value) for value in (1.0, 0.9999, 0.99, 0.987, 0.005, 0.0)]
    ['100 %', 'more than 99 %', '99 %', '98 %', 'less than 1 %', '0 %']
    """
    if probability >= 1 - _NOISE:
        return "100 %"
    if _NOISE < probability < 0.01 - _NOISE:
        return "less than 1 %"
    if probability > _ALMOST / 100 + _NOISE:
        return f"more than {_ALMOST} %"
    return f"{math.floor(100 * (probability + _NOISE))} %"
