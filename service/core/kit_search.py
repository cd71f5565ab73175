"""Search for the packs of a kit: all kits compared, or packs given up one at a time."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

TOLERANCE = 1e-12
LACKING = 30_000

Demands = NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class Choice:
    """Outcomes of a case as options, and the packs worth bringing.

    Attributes
    ----------
    items : tuple of str
        Items that some option asks for.
    most : NDArray
        The most of each that an option asks for.
    options : tuple of NDArray
        Per rank: demand by outcome and item; LACKING where there is no such option.
    chances : NDArray
        Probability of each outcome.
    """

    items: tuple[str, ...]
    most: NDArray[np.int64]
    options: tuple[Demands, ...]
    chances: NDArray[np.float64]
    costs: NDArray[np.int64]


def kit_readiness(choice: Choice, counts: NDArray[np.int64]) -> float:
    """Return the probability that the case is served from so many packs of each item.

    Parameters
    ----------
    choice : Choice
        The case as options.
    counts : NDArray
        Packs of each item, shape (items,).

    Returns
    -------
    float
        From 0 to 1.

    Examples
    --------
    >>> options = (np.array([[1, 0], [0, 1]], dtype=np.int16),)
    >>> ones = np.ones(2, dtype=np.int64)
    >>> choice = Choice(("a", "b"), ones, options, np.array([0.6, 0.4]), ones)
    >>> kit_readiness(choice, np.array([1, 0]))
    0.6
    """
    fit = np.zeros(len(choice.chances), dtype=np.bool_)
    for option in choice.options:
        fit |= (option <= (counts if len(counts) else 0)).all(axis=1)
    return min(1.0, float(choice.chances[fit].sum()))


def cheapest(choice: Choice, goal: float) -> NDArray[np.int64]:
    """Compare all kits: entry x of the lattice sums the terms of all demands within x.

    Parameters
    ----------
    choice : Choice
        The case as options; the lattice has the product of `most + 1` entries.
    goal : float
        Readiness to reach.

    Returns
    -------
    NDArray
        Packs of each item: least cost, then fewest packs, then first in the lattice.

    Examples
    --------
    >>> options = (np.array([[1, 0], [0, 1]], dtype=np.int16),)
    >>> ones = np.ones(2, dtype=np.int64)
    >>> choice = Choice(("a", "b"), ones, options, np.array([0.6, 0.4]), ones)
    >>> cheapest(choice, 0.5).tolist()
    [1, 0]
    """
    if not choice.items:
        return choice.most
    shape = tuple((choice.most + 1).tolist())
    lattice = np.zeros(shape)
    ranks = range(len(choice.options))
    for size in range(1, len(choice.options) + 1):
        for subset in combinations(ranks, size):
            joint = np.maximum.reduce([choice.options[rank] for rank in subset])
            whole = (joint < LACKING).all(axis=1)
            terms = choice.chances[whole] if size % 2 else -choice.chances[whole]
            np.add.at(lattice, tuple(joint[whole].T.astype(np.intp)), terms)
    for axis in range(lattice.ndim):
        np.cumsum(lattice, axis=axis, out=lattice)
    best: NDArray[np.intp] = np.flatnonzero(lattice.reshape(-1) >= goal)
    for worth in (_totals(shape, choice.costs), _totals(shape, np.ones_like(choice.costs))):
        best = best[worth[best] == worth[best].min()]
    return np.array(np.unravel_index(best[0], shape), dtype=np.int64)


def _totals(shape: tuple[int, ...], weights: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the weighted number of packs of every kit of the lattice, flat."""
    total = np.zeros(1, dtype=np.int64)
    for size, weight in zip(shape, weights, strict=True):
        total = np.add.outer(total, np.arange(size) * weight).reshape(-1)
    return total


def given_up(choice: Choice, goal: float) -> NDArray[np.int64]:
    """Give up packs one at a time, least loss per cost first, while the goal is held.

    Parameters
    ----------
    choice : Choice
        The case as options.
    goal : float
        Readiness to reach.

    Returns
    -------
    NDArray
        Packs of each item; of equal losses the dearer pack goes first, then by item.

    Examples
    --------
    >>> options = (np.array([[1, 0], [0, 1]], dtype=np.int16),)
    >>> ones = np.ones(2, dtype=np.int64)
    >>> choice = Choice(("a", "b"), ones, options, np.array([0.6, 0.4]), ones)
    >>> given_up(choice, 0.5).tolist()
    [1, 0]
    """
    counts = choice.most.copy()
    while True:
        readiness, losses = _losses(choice, counts)
        allowed = (counts > 0) & (readiness - losses >= goal)
        if not allowed.any():
            return counts
        worth = losses / np.maximum(choice.costs, TOLERANCE)
        order = np.lexsort((np.arange(len(counts)), -choice.costs, worth.round(15), ~allowed))
        counts[order[0]] -= 1


def _losses(choice: Choice, counts: NDArray[np.int64]) -> tuple[float, NDArray[np.float64]]:
    """Return the readiness of a kit and what giving up one pack of each item would lose.

    An outcome is lost where every option that fits uses the last pack of the item.
    """
    tight: NDArray[np.bool_] = np.ones((len(choice.chances), len(counts)), dtype=np.bool_)
    fit = np.zeros(len(choice.chances), dtype=np.bool_)
    for option in choice.options:
        fits: NDArray[np.bool_] = np.all(option <= counts, axis=1)
        last = np.logical_and(option == counts, option > 0)
        tight &= np.logical_or(last, ~fits[:, np.newaxis])
        fit |= fits
    chances = np.where(fit, choice.chances, 0.0)
    return float(chances.sum()), np.asarray(chances @ tight, dtype=np.float64)
