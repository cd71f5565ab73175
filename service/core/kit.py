"""The kit for one case: the fewest packs to bring into the room for a wanted readiness."""

from collections import defaultdict
from dataclasses import dataclass
from typing import Literal

import numpy as np

from service.core.kit_search import (
    LACKING,
    TOLERANCE,
    Choice,
    Demands,
    cheapest,
    given_up,
    kit_readiness,
)
from service.core.readiness.demands import Shelf, joint_demands, shelf_for
from service.core.readiness.problem import Case, Demand, InstrumentSet, Parcel, ProblemError

MAX_EXACT_PACKS = 20
MAX_CELLS = 50_000_000
MAX_COST = 10**12


@dataclass(frozen=True, slots=True)
class KitProblem:
    """One case, what there is for it, the readiness wanted, and what each pack costs to bring."""

    case: Case
    stock: tuple[Parcel, ...]
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
    >>> choose_kit(KitProblem(case, (Parcel("a", 1), Parcel("b", 1)), (), 0.9, {"a": 3})).packs
    (('b', 1),)
    """
    shelf = shelf_for(problem.stock, problem.sets, problem.case.starts_us)
    choice = _choice(problem, shelf)
    reachable = kit_readiness(choice, choice.most)
    goal = min(problem.target, reachable) - TOLERANCE
    exact = int(choice.most.sum()) <= MAX_EXACT_PACKS
    counts = cheapest(choice, goal) if exact else given_up(choice, goal)
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


def _choice(problem: KitProblem, shelf: Shelf) -> Choice:
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
    return Choice(items, limits, tables, np.array(list(outcomes.values())), costs)


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
        sentence = f"Case {case.name!r} has {cells} pairs of outcome and item; {MAX_CELLS} is most."
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
