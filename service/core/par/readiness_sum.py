"""Readiness as a sum of products over the shelf, with the exact effect of changing one level.

The sum is Σ_t c_t Π_{g in t} Σ_{o in g} p_o Π_{(i, q) in o} P(shelf of i >= q): terms t, groups g,
outcomes o. An item stands at most once in any product, so the sum is linear in the probabilities
of one item: one pass backwards gives the exact effect of every change of one item's level.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from service.core.par.terms import Group

Floats = NDArray[np.float64]


Ints = NDArray[np.int64]


Key = TypeVar("Key")


MOST_STRIDES = 8


BATCH_CELLS = 4_000_000


@dataclass(frozen=True, slots=True)
class Steps:
    """What a few units more and a few units less of each item would do, one item at a time.

    Parameters
    ----------
    value
        Readiness at the levels asked about.
    gains
        Readiness added by one stride more of each item (to its top at most); shape
        (strides, items).
    losses
        Readiness lost by one stride less of each item (to 0 at most); shape (strides, items).
    """

    value: float
    gains: Floats
    losses: Floats


@dataclass(frozen=True, slots=True)
class ReadinessSum:
    """The sum of products, laid out in flat arrays; build it with :func:`build_sum`.

    Parameters
    ----------
    constant
        The part that no level changes.
    item_of, pair_quantity
        Item and quantity of each pair that stands in a product; the last item is a dummy without
        a quantity.
    table, table_start
        P(shelf of the pair's item >= quantity) at each level, laid end to end, and where each
        pair's run starts.
    outcome_pairs, outcome_start, outcome_chance
        Pairs of each outcome, laid end to end; where each outcome starts; its probability.
    group_start
        Where the outcomes of each group start.
    term_groups, term_start, term_weight
        Groups of each term, laid end to end; where each term starts; its coefficient.
    tops
        Largest level tabled of each item; a higher level counts as this one.
    strides
        Changes of a level worth looking at: 1, and the quantities that are taken at once, since
        with two taken at once the first unit of a pair alone does nothing.
    """

    constant: float
    item_of: Ints
    pair_quantity: Ints
    table: Floats
    table_start: Ints
    outcome_pairs: Ints
    outcome_start: Ints
    outcome_chance: Floats
    group_start: Ints
    term_groups: Ints
    term_start: Ints
    term_weight: Floats
    tops: Ints
    strides: tuple[int, ...]

    @property
    def size(self) -> int:
        """Number of factors in all products: the work of one evaluation."""
        return len(self.outcome_pairs) + len(self.term_groups)

    def values(self, levels: Ints) -> Floats:
        """Return the readiness of many levels; `levels` has shape (rows, items)."""
        rows = max(1, BATCH_CELLS // max(1, self.size))
        parts = [
            self._values(levels[start : start + rows]) for start in range(0, len(levels), rows)
        ]
        return np.concatenate(parts) if parts else np.zeros(0)

    def value(self, levels: Ints) -> float:
        """Return the readiness of one level of each item; shape (items,)."""
        return float(self._values(levels[np.newaxis, :])[0])

    def steps(self, levels: Ints) -> Steps:
        """Return the readiness and what one stride more or less of each item would do."""
        here = self.table[self._at(levels)]
        value, slopes = self._slopes(here)
        gains = [slopes * (self.table[self._at(levels + by)] - here) for by in self.strides]
        losses = [
            slopes * (here - self.table[self._at(np.maximum(levels - by, 0))])
            for by in self.strides
        ]
        return Steps(value, self._by_item(gains), self._by_item(losses))

    def along(self, levels: Ints) -> list[Floats]:
        """Return, for each item, the readiness at each of its levels, the others as they are."""
        at = self._at(levels)
        value, slopes = self._slopes(self.table[at])
        curves = [np.full(top + 1, value) for top in self.tops]
        for pair, item in enumerate(self.item_of[:-1]):
            start = self.table_start[pair]
            run = self.table[start : start + self.tops[item] + 1]
            curves[item] += slopes[pair] * (run - self.table[at[pair]])
        return curves

    def _by_item(self, changes: list[Floats]) -> Floats:
        known = len(self.tops)
        return np.stack([_totals(self.item_of, change, known + 1)[:known] for change in changes])

    def _padded(self, levels: Ints) -> Ints:
        """Return the levels within the table, with a level for the dummy pair's item."""
        capped = np.minimum(levels, self.tops)
        return np.concatenate([capped, np.zeros((*levels.shape[:-1], 1), dtype=np.int64)], axis=-1)

    def _at(self, levels: Ints) -> Ints:
        at: Ints = self.table_start + self._padded(levels)[..., self.item_of]
        return at

    def _values(self, levels: Ints) -> Floats:
        there = self.table[self._at(levels)]
        outcomes = np.multiply.reduceat(there[:, self.outcome_pairs], self.outcome_start, axis=1)
        outcomes *= self.outcome_chance
        groups = np.add.reduceat(outcomes, self.group_start, axis=1)
        terms = np.multiply.reduceat(groups[:, self.term_groups], self.term_start, axis=1)
        values: Floats = self.constant + terms @ self.term_weight
        return values

    def _slopes(self, there: Floats) -> tuple[float, Floats]:
        """Return the sum and its partial derivative by each pair's probability."""
        products, per_pair = _products(there[self.outcome_pairs], self.outcome_start)
        outcomes = products * self.outcome_chance
        groups = np.add.reduceat(outcomes, self.group_start)
        terms, per_group = _products(groups[self.term_groups], self.term_start)
        value = self.constant + float(terms @ self.term_weight)
        weights = np.repeat(self.term_weight, _lengths(self.term_start, len(self.term_groups)))
        by_group = _totals(self.term_groups, weights * per_group, len(self.group_start))
        by_outcome = self.outcome_chance * np.repeat(
            by_group, _lengths(self.group_start, len(self.outcome_start))
        )
        spread = np.repeat(by_outcome, _lengths(self.outcome_start, len(self.outcome_pairs)))
        return value, _totals(self.outcome_pairs, spread * per_pair, len(self.item_of))


def _totals(places: Ints, weights: Floats, count: int) -> Floats:
    """Return the sum of the weights at each place from 0 to `count` - 1."""
    return np.bincount(places, weights, count).astype(np.float64, copy=False)


def _lengths(starts: Ints, total: int) -> Ints:
    return np.diff(starts, append=total)


def _products(factors: Floats, starts: Ints) -> tuple[Floats, Floats]:
    """Return the product of each run and, for each factor, the product of the others in its run."""
    zero = factors == 0.0
    nonzero = np.where(zero, 1.0, factors)
    lengths = _lengths(starts, len(factors))
    products = np.multiply.reduceat(nonzero, starts)
    zeros = np.add.reduceat(zero.astype(np.int64), starts)
    others = np.repeat(products, lengths) / nonzero
    others[np.repeat(zeros, lengths) - zero > 0] = 0.0
    return np.where(zeros > 0, 0.0, products), others


def build_sum(
    terms: Mapping[tuple[Group, ...], float], shelves: Sequence[Floats], tops: Sequence[int]
) -> ReadinessSum:
    """Lay a sum of products out for evaluation.

    Parameters
    ----------
    terms
        Coefficient of each product of groups; the empty product is the constant part.
    shelves
        P(units on order <= n) of each item for n from 0 to the item's top.
    tops
        Largest level tabled of each item.

    Returns
    -------
    ReadinessSum
        The same sum as flat arrays.

    Examples
    --------
    >>> group = ((1.0, ((0, 1),)),)
    >>> shelf = np.array([0.25, 0.75, 1.0])
    >>> total = build_sum({(group,): 0.5, (): 0.5}, [shelf], [2])
    >>> total.value(np.array([0])), total.value(np.array([1])), total.value(np.array([2]))
    (0.5, 0.625, 0.875)
    """
    products = {groups: weight for groups, weight in terms.items() if groups}
    numbers = {group: number for number, group in enumerate(_distinct(chain(*products)))}
    outcomes = [outcome for group in numbers for outcome in group]
    pairs = {
        pair: number for number, pair in enumerate(_distinct(chain(*(o[1] for o in outcomes))))
    }
    dummy_pair = len(pairs)
    outcome_pairs, outcome_start = _end_to_end(
        [[pairs[pair] for pair in needed] or [dummy_pair] for _, needed in outcomes]
        + [[dummy_pair]]
    )
    term_groups, term_start = _end_to_end(
        [[numbers[group] for group in groups] for groups in products] + [[len(numbers)]]
    )
    runs = [_run(shelves[item], tops[item], quantity) for item, quantity in pairs]
    runs.append(np.ones(1))
    quantities = sorted({1, *(quantity for _, quantity in pairs)})
    return ReadinessSum(
        constant=terms.get((), 0.0),
        item_of=np.array([*(item for item, _ in pairs), len(tops)], dtype=np.int64),
        pair_quantity=np.array([quantity for _, quantity in pairs], dtype=np.int64),
        table=np.concatenate(runs),
        table_start=_starts([len(run) for run in runs]),
        outcome_pairs=outcome_pairs,
        outcome_start=outcome_start,
        outcome_chance=np.array([*(chance for chance, _ in outcomes), 1.0]),
        group_start=_starts([*(len(group) for group in numbers), 1]),
        term_groups=term_groups,
        term_start=term_start,
        term_weight=np.array([*products.values(), 0.0]),
        tops=np.array(tops, dtype=np.int64),
        strides=tuple(quantities[:MOST_STRIDES]),
    )


def _distinct(members: Iterable[Key]) -> list[Key]:
    return list(dict.fromkeys(members))


def _end_to_end(runs: list[list[int]]) -> tuple[Ints, Ints]:
    return np.array(list(chain(*runs)), dtype=np.int64), _starts([len(run) for run in runs])


def _starts(lengths: list[int]) -> Ints:
    return np.concatenate([[0], np.cumsum(lengths)[:-1]]).astype(np.int64)


def _run(shelf: Floats, top: int, quantity: int) -> Floats:
    """Return P(shelf >= quantity) at levels 0 to top."""
    run = np.zeros(top + 1)
    run[quantity:] = shelf[: max(0, top + 1 - quantity)]
    return run
