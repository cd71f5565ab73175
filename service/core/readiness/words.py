"""Arithmetic on words of guarded fields, for many columns (samples or states) at once."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from service.core.readiness.layout import Words

Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]
Reals = NDArray[np.float64]

_MULTIPLIER = np.uint64(0x9E3779B97F4A7C15)
_SHIFT = np.uint64(29)


def fits(left: Sequence[Words], guards: Sequence[np.uint64], count: int) -> Flags:
    """Tell for which columns no field fell below zero.

    Parameters
    ----------
    left : sequence of Words
        One row per word: what is left after a demand was subtracted, shape (count,).
    guards : sequence of numpy.uint64
        Guard bits of each row's word.
    count : int
        Number of columns.

    Returns
    -------
    Flags
        Shape (count,); all True where there are no rows.

    Examples
    --------
    >>> fits([np.array([0b100, 0b011], np.uint64)], [np.uint64(0b100)], 2).tolist()
    [True, False]
    """
    together: dict[int, Words] = {}
    for row, guard in zip(left, guards, strict=True):
        known = together.get(int(guard))
        together[int(guard)] = row if known is None else known & row
    found = np.ones(count, dtype=np.bool_)
    for guard_bits, row in together.items():
        guard = np.uint64(guard_bits)
        found &= (row & guard) == guard
    return found


def lone_shortages(
    left: Sequence[Words], guards: Sequence[np.uint64], bits: Sequence[int], count: int
) -> tuple[Indices, Words]:
    """Find the columns where one more unit of a single field would make the demand fit.

    Parameters
    ----------
    left, guards, count
        As in `fits`.
    bits : sequence of int
        Field width of each row's word.

    Returns
    -------
    rows : Indices
        Position of the word that is short, or -1 where no single unit helps; shape (count,).
    units : Words
        One unit of the short field, shape (count,); 0 where `rows` is -1.

    Examples
    --------
    >>> short = np.array([0b011, 0b010, 0b100], np.uint64)
    >>> rows, units = lone_shortages([short], [np.uint64(0b100)], [3], 3)
    >>> rows.tolist(), units.tolist()
    ([0, -1, -1], [1, 0, 0])
    """
    rows = np.full(count, -1, dtype=np.intp)
    units = np.zeros(count, dtype=np.uint64)
    short_words = np.zeros(count, dtype=np.int64)
    for index, (row, guard, width) in enumerate(zip(left, guards, bits, strict=True)):
        missing = ~row & guard
        short = missing != 0
        short_words += short
        unit = missing >> np.uint64(width - 1)
        lone = short & ((missing & (missing - np.uint64(1))) == 0)
        lone &= ((row + unit) & missing) == missing
        rows[lone] = index
        units[lone] = unit[lone]
    unhelped = short_words != 1
    rows[unhelped] = -1
    units[rows < 0] = 0
    return rows, units


def unique_columns(matrix: Words) -> tuple[Indices, Indices]:
    """Group equal columns.

    Parameters
    ----------
    matrix : Words
        Shape (rows, n).

    Returns
    -------
    chosen : Indices
        One column of each group.
    inverse : Indices
        For each column, the position of its group in `chosen`; shape (n,).

    Examples
    --------
    >>> chosen, inverse = unique_columns(np.array([[5, 6, 5]], np.uint64))
    >>> len(chosen), bool(inverse[0] == inverse[2] != inverse[1])
    (2, True)
    """
    count = matrix.shape[1]
    key = np.zeros(count, dtype=np.uint64)
    for row in matrix:
        key = (key ^ row) * _MULTIPLIER
        key ^= key >> _SHIFT
    values, inverse = np.unique(key, return_inverse=True)
    chosen = np.zeros(len(values), dtype=np.intp)
    chosen[inverse] = np.arange(count)
    if not np.array_equal(matrix[:, chosen][:, inverse], matrix):
        # Two different columns met in one key: group by the columns themselves.
        _, chosen, inverse = np.unique(matrix, axis=1, return_index=True, return_inverse=True)
        inverse = inverse.reshape(-1)
    return chosen, inverse
