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


#: Between these, in tenths of a hundredth, whole hundredths tell enough.
_FEW, _NEARLY_ALL = 10, 990


def in_hundred(probability: float, *, tenths: bool = False) -> str:
    """Say a probability in whole hundredths, rounded down; near 0 and near 1 in tenths of them.

    Parameters
    ----------
    probability
        0 to 1.
    tenths
        Say tenths everywhere, where two probabilities stand side by side and may lie close.

    Returns
    -------
    str
        A number out of 100; ``100`` for certain only.

    Examples
    --------
    >>> [in_hundred(value) for value in (1.0, 0.9999, 0.996, 0.987, 0.005, 0.0)]
    ['100', '99.9', '99.6', '98', '0.5', '0.0']
    >>> in_hundred(0.93699, tenths=True)
    '93.6'
    """
    if probability >= 1 - _NOISE:
        return "100"
    count = math.floor(1000 * (probability + _NOISE))
    is_plain = _FEW <= count < _NEARLY_ALL and not tenths
    return str(count // 10) if is_plain else f"{count / 10:.1f}"
