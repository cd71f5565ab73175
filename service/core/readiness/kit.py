"""The kit for one case: the fewest packs to bring into the room for a wanted readiness."""

from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.core.readiness.coverage import ItemLimits, item_limits, joint_demands
from service.core.readiness.problem import Case, DatedStock, Demand, InstrumentSet, ProblemError

MAX_EXACT_PACKS = 20


MAX_CELLS = 50_000_000


MAX_COST = 10**12


@dataclass(frozen=True, slots=True)
class KitProblem:
    """One case, what there is for it, the readiness wanted, and what each pack costs to bring."""

    case: Case
    stock: tuple[DatedStock, ...]
    sets: tuple[InstrumentSet, ...]
    target: float
    costs: dict[str, int]


@dataclass(frozen=True, slots=True)
class Kit:
    """A kit: how it was found, what to bring, and what it reaches.

    Attributes
    ----------
    method : str
        `exact`: no cheaper kit reaches as much. `heuristic`: packs were given up one at a
        time, least loss per cost first; a cheaper kit may exist.
    packs : tuple of (str, int)
        Items and how many of each, by item.
    cost : int
        Sum of the packs' costs; the number of packs where no costs were given.
    readiness, reachable, target : float
        Of this kit; of all the stock; as asked for.
    """

    method: Literal["exact", "heuristic"]
    packs: tuple[tuple[str, int], ...]
    cost: int
    readiness: float
    reachable: float
    target: float


def choose_kit(problem: KitProblem) -> Kit:
    """Choose the packs to bring for one case.

    The kit reaches min(target, what all the stock could reach) at the least cost; of equals the
    one with fewest packs, then the one that leaves out the item whose name comes first. With up
    to MAX_EXACT_PACKS packs worth bringing every kit is compared: the readiness of all kits at
    once is a sum over sub-kits of inclusion-exclusion terms. Beyond that packs are given up one
    at a time from all that could be of use, least loss per cost first, as long as the goal is
    held.

    Parameters
    ----------
    problem : KitProblem
        Case, stock, target and costs.

    Returns
    -------
    Kit
        What to bring and what it reaches.

    Raises
    ------
    ProblemError
        Where the case has too many different demands.

    Examples
    --------
    >>> from service.core.readiness.problem import Construct, Need, Take
    >>> either = tuple(Construct(name, (Take((), (((name, 1),),)),)) for name in "ab")
    >>> case = Case("K1", None, None, (), (Need("n", 1.0, (0, 1)),), either)
    >>> stock = (DatedStock("a", 1), DatedStock("b", 1))
    >>> choose_kit(KitProblem(case, stock, (), 0.9, {"a": 3})).packs
    (('b', 1),)
    """
    shelf = item_limits(problem.stock, problem.sets, problem.case.starts_us)
    choice = _choice(problem, shelf)
    reachable = kit_readiness(choice, choice.most)
    goal = min(problem.target, reachable) - TOLERANCE
    exact = int(choice.most.sum()) <= MAX_EXACT_PACKS
    counts = cheapest_kit(choice, goal) if exact else kit_by_removal(choice, goal)
    return Kit(
        method="exact" if exact else "heuristic",
        packs=tuple((i, int(n)) for i, n in zip(choice.items, counts, strict=True) if n),
        cost=int(counts @ choice.costs),
        readiness=kit_readiness(choice, counts),
        reachable=reachable,
        target=problem.target,
    )


def kit_to_json(kit: Kit) -> dict[str, object]:
    """Return a kit as plain JSON values.

    Parameters
    ----------
    kit : Kit
        What `choose_kit` returned.

    Returns
    -------
    dict
        Members `method`, `packs`, `cost`, `readiness`, `reachable` and `target`.

    Examples
    --------
    >>> kit_to_json(Kit("exact", (("b", 1),), 1, 1.0, 1.0, 0.9))["packs"]
    [{'item': 'b', 'quantity': 1}]
    """
    return {
        "method": kit.method,
        "packs": [{"item": item, "quantity": quantity} for item, quantity in kit.packs],
        "cost": kit.cost,
        "readiness": kit.readiness,
        "reachable": kit.reachable,
        "target": kit.target,
    }


Demands = NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class KitOptions:
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


def _choice(problem: KitProblem, shelf: ItemLimits) -> KitOptions:
    case = problem.case
    outcomes: dict[tuple[Demand, ...], float] = defaultdict(float)
    for need in case.needs:
        columns = [list(case.constructs[index].takes) for index in need.constructs]
        for demands, chance in joint_demands(case, columns, shelf).items():
            options = _least([demand for demand in demands if demand is not None])
            if chance * need.probability > 0:
                outcomes[options] += chance * need.probability
    most: dict[str, int] = {}
    for options in outcomes:
        for item, quantity in (pair for option in options for pair in option):
            most[item] = max(most.get(item, 0), quantity)
    items = tuple(sorted(most))
    ranks = max((len(options) for options in outcomes), default=0)
    _refuse_large(len(outcomes) * ranks * len(items), case)
    tables = tuple(_table(list(outcomes), rank, items) for rank in range(ranks))
    costs = np.array([problem.costs.get(item, 1) for item in items], dtype=np.int64)
    limits = np.array([most[item] for item in items], dtype=np.int64)
    return KitOptions(items, limits, tables, np.array(list(outcomes.values())), costs)


def _least(demands: list[Demand]) -> tuple[Demand, ...]:
    """Keep the demands that ask for no more than they must: which one is taken does not matter."""
    kept: list[dict[str, int]] = []
    for demand in sorted(set(demands), key=lambda each: (sum(n for _, n in each), each)):
        mine = dict(demand)
        if not any(all(mine.get(i, 0) >= n for i, n in less.items()) for less in kept):
            kept.append(mine)
    return tuple(sorted(tuple(sorted(each.items())) for each in kept))


def _refuse_large(cells: int, case: Case) -> None:
    if cells > MAX_CELLS:
        sentence = (
            f"Case {case.name!r} has {cells} pairs of outcome and item; "
            f"at most {MAX_CELLS} are allowed."
        )
        raise ProblemError((("/case", sentence),))


def _table(outcomes: list[tuple[Demand, ...]], rank: int, items: tuple[str, ...]) -> Demands:
    place = {item: index for index, item in enumerate(items)}
    table = np.zeros((len(outcomes), len(items)), dtype=np.int16)
    lacking = np.zeros(len(outcomes), dtype=np.bool_)
    for number, options in enumerate(outcomes):
        lacking[number] = rank >= len(options)
        for item, quantity in options[rank] if rank < len(options) else ():
            if item in place:
                table[number, place[item]] = quantity
    if not items:
        return np.where(lacking, LACKING, 0).astype(np.int16)[:, None]
    table[lacking] = LACKING
    return table


TOLERANCE = 1e-12


LACKING = 30_000


def kit_readiness(choice: KitOptions, counts: NDArray[np.int64]) -> float:
    """Return the probability that the case is served from so many packs of each item.

    Parameters
    ----------
    choice : KitOptions
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
    >>> choice = KitOptions(("a", "b"), ones, options, np.array([0.6, 0.4]), ones)
    >>> kit_readiness(choice, np.array([1, 0]))
    0.6
    """
    fit = np.zeros(len(choice.chances), dtype=np.bool_)
    for option in choice.options:
        fit |= (option <= (counts if len(counts) else 0)).all(axis=1)
    return min(1.0, float(choice.chances[fit].sum()))


def cheapest_kit(choice: KitOptions, goal: float) -> NDArray[np.int64]:
    """Compare all kits: entry x of the lattice sums the terms of all demands within x.

    Parameters
    ----------
    choice : KitOptions
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
    >>> choice = KitOptions(("a", "b"), ones, options, np.array([0.6, 0.4]), ones)
    >>> cheapest_kit(choice, 0.5).tolist()
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


def kit_by_removal(choice: KitOptions, goal: float) -> NDArray[np.int64]:
    """Return up packs one at a time, least loss per cost first, while the goal is held.

    Parameters
    ----------
    choice : KitOptions
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
    >>> choice = KitOptions(("a", "b"), ones, options, np.array([0.6, 0.4]), ones)
    >>> kit_by_removal(choice, 0.5).tolist()
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


def _losses(choice: KitOptions, counts: NDArray[np.int64]) -> tuple[float, NDArray[np.float64]]:
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
