"""Sizes of representative cases, tilted until they are used as often as the cases on record did.

Plans know a few films; the usage knows hundreds of cases. The chances of each factor's outcomes
are multiplied by one figure for each size until the sizes of a family are taken in the shares that
were seen (iterative proportional fitting). The plans count as some uses, so that a family nobody
used yet keeps the sizes of the plans.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.core.constructs.templates import DIMENSIONS

#: How many uses the sizes of the plans are worth: an assumption, no source.
PLANS_WORTH = 10.0


ROUNDS = 60


CLOSE = 1e-6


@dataclass(frozen=True, slots=True)
class SizeUse:
    """How often one size of a family was used.

    Parameters
    ----------
    family
        The sizes it is one of.
    uses
        Uses, smoothed over neighbouring sizes; 0 or more.
    """

    family: str
    uses: float


@dataclass(slots=True)
class _FactorItems:
    """A factor of a case and the item that each of its outcomes asks for."""

    case: int
    factor: int
    weight: float
    items: tuple[str | None, ...]


def with_seen_sizes(
    cases: Sequence[tuple[float, Mapping[str, Any]]], seen: Mapping[str, SizeUse]
) -> list[dict[str, Any]]:
    """Return the cases with the chances of their sizes as the usage shows them.

    Parameters
    ----------
    cases
        Weight and case, in the form of a readiness problem.
    seen
        What was used, by the name of the item in the cases; other items are left as they are.

    Returns
    -------
    list of dict
        The cases in their order, changed in the probabilities of factors only. A factor is tilted
        by the first sized item of the first construct that hangs on it alone; a nail chosen by two
        dimensions at once is left as planned.

    Notes
    -----
    Source: iterative proportional fitting, W. E. Deming and F. F. Stephan 1940 (from memory).

    Examples
    --------
    >>> take = {"factors": ["neck"], "items": [{"a": 1}, {"b": 1}]}
    >>> case = {"case": "K", "factors": [{"name": "neck", "probabilities": [0.5, 0.5]}],
    ...         "needs": [{"need": "fix", "probability": 1.0, "constructs": ["c"]}],
    ...         "constructs": [{"construct": "c", "takes": [take]}]}
    >>> seen = {"a": SizeUse("lag", 70.0), "b": SizeUse("lag", 20.0)}
    >>> (tilted,) = with_seen_sizes([(1.0, case)], seen)
    >>> [round(p, 3) for p in tilted["factors"][0]["probabilities"]]
    [0.75, 0.25]
    """
    chances = [
        [list(factor["probabilities"]) for factor in case.get("factors", ())] for _, case in cases
    ]
    links = [
        link
        for number, (weight, case) in enumerate(cases)
        for link in _links(number, weight, case, seen)
    ]
    planned = _taken(links, chances)
    wanted = _wanted(planned, seen)
    for _ in range(ROUNDS):
        ratios = _ratios(_taken(links, chances), wanted, seen)
        for link in links:
            _tilt(chances[link.case][link.factor], link.items, ratios)
        if all(abs(ratio - 1.0) < CLOSE for ratio in ratios.values()):
            break
    return [
        {**case, "factors": _named(case, own)}
        for (_, case), own in zip(cases, chances, strict=True)
    ]


def _named(case: Mapping[str, Any], chances: Sequence[list[float]]) -> list[dict[str, Any]]:
    return [
        {"name": factor["name"], "probabilities": own}
        for factor, own in zip(case.get("factors", ()), chances, strict=True)
    ]


def _links(
    number: int, weight: float, case: Mapping[str, Any], seen: Mapping[str, SizeUse]
) -> list[_FactorItems]:
    first = next((need["constructs"][0] for need in case["needs"] if need["constructs"]), None)
    names = [factor["name"] for factor in case.get("factors", ())]
    found: dict[int, _FactorItems] = {}
    for construct in case["constructs"]:
        if construct["construct"] != first:
            continue
        for take in construct["takes"]:
            sized = [name for name in take.get("factors", ()) if name in DIMENSIONS]
            if len(sized) == 1 and names.index(sized[0]) not in found:
                place = names.index(sized[0])
                items = _items_of(case, take, sized[0], seen)
                if any(items):
                    found[place] = _FactorItems(number, place, weight, items)
    return list(found.values())


def _items_of(
    case: Mapping[str, Any], take: Mapping[str, Any], sized: str, seen: Mapping[str, SizeUse]
) -> tuple[str | None, ...]:
    """Return the item each outcome of a factor asks for, whatever the other factors of the take."""
    counts = {factor["name"]: len(factor["probabilities"]) for factor in case["factors"]}
    place = take["factors"].index(sized)
    inner = math.prod(counts[name] for name in take["factors"][place + 1 :])
    items: list[str | None] = [None] * counts[sized]
    for cell, entry in enumerate(take["items"]):
        outcome = cell // inner % counts[sized]
        if entry and items[outcome] is None:
            items[outcome] = next((name for name in entry if name in seen), None)
    return tuple(items)


def _taken(
    links: Sequence[_FactorItems], chances: Sequence[Sequence[Sequence[float]]]
) -> dict[str, float]:
    """Return how often each item is taken, by weight."""
    taken: dict[str, float] = {}
    for link in links:
        for item, chance in zip(link.items, chances[link.case][link.factor], strict=True):
            if item is not None:
                taken[item] = taken.get(item, 0.0) + link.weight * chance
    return taken


def _totals(amounts: Mapping[str, float], seen: Mapping[str, SizeUse]) -> dict[str, float]:
    totals: dict[str, float] = {}
    for item, amount in amounts.items():
        family = seen[item].family
        totals[family] = totals.get(family, 0.0) + amount
    return totals


def _wanted(planned: Mapping[str, float], seen: Mapping[str, SizeUse]) -> dict[str, float]:
    """Return the share of each item in its family: what was seen, and the plans as some uses."""
    plans = _totals(planned, seen)
    uses = _totals({item: seen[item].uses for item in planned}, seen)
    return {
        item: (seen[item].uses + PLANS_WORTH * amount / plans[seen[item].family])
        / (uses[seen[item].family] + PLANS_WORTH)
        for item, amount in planned.items()
        if plans[seen[item].family] > 0.0
    }


def _ratios(
    taken: Mapping[str, float], wanted: Mapping[str, float], seen: Mapping[str, SizeUse]
) -> dict[str, float]:
    totals = _totals(taken, seen)
    return {
        item: share * totals[seen[item].family] / taken[item]
        for item, share in wanted.items()
        if taken[item] > 0.0
    }


def _tilt(chances: list[float], items: Sequence[str | None], ratios: Mapping[str, float]) -> None:
    moved = [
        chance * (1.0 if item is None else ratios.get(item, 1.0))
        for chance, item in zip(chances, items, strict=True)
    ]
    total = math.fsum(moved)
    if total > 0.0:
        chances[:] = [chance / total for chance in moved]
