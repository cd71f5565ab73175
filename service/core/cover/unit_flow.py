"""Bring units to needs: as many as can be, in order of right, at the least cost.

A minimum-cost flow. First come, first served is not enough where units stand in for one another:
a need that has a choice may take the only unit of one that has none.
"""

from collections import defaultdict, deque
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, chain
from typing import Generic, TypeVar

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

Need = TypeVar("Need", bound=Hashable)

Supply = TypeVar("Supply", bound=Hashable)


@dataclass(slots=True)
class UnitFlow(Generic[Need, Supply]):
    """Units on their way to needs, at the least cost for what is served.

    A need that is served takes the cheapest way there is, and may send a need served before it to
    other units; none served before goes short for it. So needs come in order of their right, and
    as many units are served as can be. Source: successive shortest paths for minimum-cost flow,
    any textbook; that needs taken in order of their right are as many as possible: matroids.
    """

    room: dict[Supply, int] = field(default_factory=dict)
    costs: dict[Need, dict[Supply, int]] = field(default_factory=dict)
    taken: dict[Supply, dict[Need, int]] = field(default_factory=lambda: defaultdict(dict))
    moves: list[tuple[Need, Supply, int]] = field(default_factory=list)

    def offer(self, need: Need, supply: Supply, room: int, cost: int) -> None:
        """Let a need take units of a supply, which has this many in all."""
        if room > 0:
            self.room.setdefault(supply, room)
            self.costs.setdefault(need, {})[supply] = cost

    def serve(self, need: Need, wanted: int) -> int:
        """Serve a need beside all served before it; gives how many units it got."""
        served = 0
        while served < wanted and (path := self._cheapest_path(need)):
            back = [self.taken[supply][other] for other, supply, sign in path if sign < 0]
            units = min(wanted - served, self.room[path[-1][1]], *back)
            for other, supply, sign in path:
                self._move(other, supply, sign * units)
                self.moves.append((other, supply, sign * units))
            served += units
        return served

    def serve_all(self, needs: Mapping[Need, int]) -> bool:
        """Serve needs that are of use together only: all of them, or none."""
        mark = len(self.moves)
        if all(self.serve(need, wanted) == wanted for need, wanted in needs.items()):
            return True
        self.undo(mark)
        return False

    def undo(self, mark: int = 0) -> None:
        """Take back every move after the first ones."""
        while len(self.moves) > mark:
            need, supply, units = self.moves.pop()
            self._move(need, supply, -units)

    def given(self) -> Iterator[tuple[Need, Supply, int]]:
        """Return who takes how many units of what."""
        for supply, takers in self.taken.items():
            for need, units in takers.items():
                yield need, supply, units

    def _move(self, need: Need, supply: Supply, units: int) -> None:
        takers = self.taken[supply]
        takers[need] = takers.get(need, 0) + units
        self.room[supply] -= units
        if not takers[need]:
            del takers[need]

    def _cheapest_path(self, need: Need) -> list[tuple[Need, Supply, int]]:
        """Return the moves that bring one more unit to a need, the free supply last; or none."""
        at_need: dict[Need, int] = {need: 0}
        at_supply: dict[Supply, int] = {}
        into: dict[Supply, Need] = {}
        out_of: dict[Need, Supply] = {}
        waiting = deque([need])
        while waiting:
            one = waiting.popleft()
            for supply, cost in self.costs.get(one, {}).items():
                price = at_need[one] + cost
                if price >= at_supply.get(supply, price + 1):
                    continue
                at_supply[supply], into[supply] = price, one
                for other in self.taken.get(supply, ()):
                    freed = price - self.costs[other][supply]
                    if freed < at_need.get(other, freed + 1):
                        at_need[other], out_of[other] = freed, supply
                        waiting.append(other)
        free = [supply for supply in at_supply if self.room[supply] > 0]
        path: list[tuple[Need, Supply, int]] = []
        if free:
            supply = min(free, key=at_supply.__getitem__)
            path.append((into[supply], supply, 1))
            while (one := into[supply]) != need:
                supply = out_of[one]
                path += [(one, supply, -1), (into[supply], supply, 1)]
        return path[::-1]


def serve_whole(flow: UnitFlow[Need, Supply], groups: Sequence[Mapping[Need, int]]) -> None:
    """Serve groups of needs, each whole or not at all: as many as can be, the earlier on ties.

    A group that can be served beside those before it is. That leaves fewer whole than there could
    be where one takes what two others need; groups that compete are then chosen together.
    """
    able = []
    for group in groups:
        if flow.serve_all(group):
            flow.undo()
            able.append(group)
    chosen = set()
    for rivals in _rival_groups(flow, able):
        among = [able[place] for place in rivals]
        served = [place for place, group in enumerate(among) if flow.serve_all(group)]
        flow.undo()
        # Of groups of one unit each, those taken in turn are as many as can be.
        if len(served) < len(among) and any(sum(group.values()) > 1 for group in among):
            served = _most_whole(flow, among, served)
        chosen |= {rivals[place] for place in served}
    for place in sorted(chosen):
        flow.serve_all(able[place])


def _rival_groups(
    flow: UnitFlow[Need, Supply], groups: Sequence[Mapping[Need, int]]
) -> list[list[int]]:
    """Put together the groups that may take units from one another, also through a third."""
    found: list[tuple[list[int], set[Supply]]] = []
    for place, group in enumerate(groups):
        supplies = {supply for need in group for supply in flow.costs.get(need, {})}
        rivals = [one for one in found if not one[1].isdisjoint(supplies)]
        found = [one for one in found if one[1].isdisjoint(supplies)]
        places = sorted([place, *chain.from_iterable(one[0] for one in rivals)])
        found.append((places, supplies.union(*(one[1] for one in rivals))))
    return [places for places, _ in found]


def _most_whole(
    flow: UnitFlow[Need, Supply], groups: Sequence[Mapping[Need, int]], served: list[int]
) -> list[int]:
    """Return the largest choice of groups that can all be served; of equal ones the earliest.

    The choice there is already stands where none is larger.
    """
    if _at_most_whole(flow, groups) <= len(served):
        return served
    solve = _chooser(flow, groups)
    at_least, at_most = np.zeros(len(groups)), np.ones(len(groups))
    best = solve(at_least, at_most)
    if best.sum() <= len(served):
        return served
    for place in range(len(groups)):
        at_least[place] = 1
        if best[place] == 0:
            other = solve(at_least, at_most)
            if other.sum() < best.sum():
                at_least[place] = at_most[place] = 0
                continue
            best = other
    return [place for place, is_chosen in enumerate(best) if is_chosen]


def _at_most_whole(flow: UnitFlow[Need, Supply], groups: Sequence[Mapping[Need, int]]) -> int:
    """Return how many groups the units are enough for, if those that want fewest had them all."""
    units = sum(flow.serve(need, wanted) for group in groups for need, wanted in group.items())
    flow.undo()
    wanted_so_far = accumulate(sorted(sum(group.values()) for group in groups))
    return sum(1 for wanted in wanted_so_far if wanted <= units)


def _chooser(
    flow: UnitFlow[Need, Supply], groups: Sequence[Mapping[Need, int]]
) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """Return what chooses the most groups between bounds; none where the bounds ask too much.

    One column a group, whole or not, and one for each way of units to a need. With the groups
    chosen the rest is a flow, which is whole by itself. Source: integer programming, any textbook.
    """
    ways = [
        (place, need, supply)
        for place, group in enumerate(groups)
        for need in group
        for supply in flow.costs.get(need, {})
    ]
    needs = {need: row for row, need in enumerate(need for group in groups for need in group)}
    supplies = {supply: row for row, supply in enumerate(dict.fromkeys(way[2] for way in ways))}
    size = len(groups) + len(ways)
    into, out_of = np.zeros((len(needs), size)), np.zeros((len(supplies), size))
    for place, group in enumerate(groups):
        for need, wanted in group.items():
            into[needs[need], place] = -wanted
    for column, (_, need, supply) in enumerate(ways, start=len(groups)):
        into[needs[need], column] = out_of[supplies[supply], column] = 1
    room = np.array([_room(flow, supply) for supply in supplies])
    rules = [LinearConstraint(into, 0, 0)]
    if supplies:
        rules.append(LinearConstraint(out_of, 0, room))
    is_choice = (np.arange(size) < len(groups)).astype(int)

    def solve(at_least: np.ndarray, at_most: np.ndarray) -> np.ndarray:
        low, high = np.zeros(size), np.full(size, np.inf)
        low[: len(groups)], high[: len(groups)] = at_least, at_most
        found = milp(-is_choice, integrality=is_choice, bounds=Bounds(low, high), constraints=rules)
        chosen = np.zeros(len(groups)) if found.x is None else found.x[: len(groups)]
        return np.rint(chosen).astype(int)

    return solve


def _room(flow: UnitFlow[Need, Supply], supply: Supply) -> int:
    return flow.room[supply] + sum(flow.taken[supply].values())
