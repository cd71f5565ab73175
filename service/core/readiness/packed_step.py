"""Run one case on many columns at once: samples when simulating, states when exact."""

from dataclasses import dataclass

import numpy as np

from service.core.readiness.packed_state import (
    CaseRows,
    Flags,
    Indices,
    StateLayout,
    Words,
    fits,
    lone_shortages,
)


@dataclass(frozen=True, slots=True)
class Rank:
    """Demand of the first, second, … construct of a case's need.

    Attributes
    ----------
    rows : tuple of int
        Words that it can touch.
    tables : tuple of Words
        One per group of factors: shape (rows, outcomes of the group), needs folded in.
    """

    rows: tuple[int, ...]
    tables: tuple[Words, ...]

    def demand(self, picks: list[Indices]) -> list[Words]:
        """Return the demand of each column, a row per word, from the outcome of each group."""
        found = []
        for row in range(len(self.rows)):
            total = self.tables[0][row].take(picks[0], mode="clip")
            for table, pick in zip(self.tables[1:], picks[1:], strict=True):
                total += table[row].take(pick, mode="clip")
            found.append(total)
        return found


@dataclass(frozen=True, slots=True)
class PackedCase:
    """One case of a part, ready to be run: its rows and its ranks."""

    layout: StateLayout
    rows: CaseRows
    ranks: tuple[Rank, ...]


@dataclass(slots=True)
class GainBranch:
    """Columns that go another way because one more unit of an item was there.

    Attributes
    ----------
    columns : Indices
        Column each comes from.
    items : Indices
        Index of the item of which one more was there.
    state : Words
        State after the case, the extra unit taken; shape (rows, branches).
    """

    columns: Indices
    items: Indices
    state: Words


class GainWatch:
    """Notes where one more unit of an item would first change what a case takes.

    Kept from case to case, it finds the first change of each column and item only.

    Parameters
    ----------
    layout : StateLayout
        StateLayout of the part.
    columns : int
        Number of columns watched, from the first on.
    """

    def __init__(self, layout: StateLayout, columns: int) -> None:
        self.columns = columns
        self._branches: list[GainBranch] = []
        self._diverged = np.zeros((layout.words, columns), dtype=np.uint64)
        self._item_at = np.full((layout.words, 64), -1, dtype=np.intp)
        for index, item in enumerate(layout.items):
            field = layout.fields[item]
            self._item_at[field.row, field.shift] = index

    def collect(self) -> list[GainBranch]:
        """Return the branches found since the last call."""
        found, self._branches = self._branches, []
        return found

    def look(self, turn: PackedCase, state: Words, trial: "RankTrial") -> None:
        """GainBranch off the columns of a failed trial that a single unit would serve."""
        places, units = lone_shortages(
            _excused(turn, trial),
            [turn.layout.guards[row] for row in trial.rank.rows],
            [turn.layout.bits[row] for row in trial.rank.rows],
            len(trial.columns),
        )
        lone = np.flatnonzero(places >= 0)
        words = np.array(trial.rank.rows, dtype=np.intp)[places[lone]]
        items = self._item_at[words, np.log2(units[lone]).astype(np.intp)]
        before = self._diverged[words, trial.columns[lone]] & units[lone]
        fresh = (before == 0) & (items >= 0)
        lone, words, items = lone[fresh], words[fresh], items[fresh]
        if not len(lone):
            return
        origin = trial.columns[lone]
        self._diverged[words, origin] |= units[lone]
        branched = state[:, origin]
        every = np.arange(len(lone))
        mine = trial.only(lone, every)
        for row, left in zip(mine.rank.rows, mine.left, strict=True):
            branched[row] = left
        branched[words, every] += units[lone]
        _settle(turn, branched, mine, every)
        self._branches.append(GainBranch(origin, items, branched))


@dataclass(frozen=True, slots=True)
class RankTrial:
    """A rank tried on some columns: per word of the rank what it takes and what that leaves."""

    rank: Rank
    columns: Indices
    demand: list[Words]
    left: list[Words]

    def only(self, chosen: Indices, columns: Indices) -> "RankTrial":
        """Return the trial of the chosen columns, which stand at `columns` of another state."""
        demand = [row[chosen] for row in self.demand]
        return RankTrial(self.rank, columns, demand, [row[chosen] for row in self.left])


def run_moves(turn: PackedCase, state: Words) -> None:
    """Bring returned sets, arrivals and expiries into the state before a case.

    Parameters
    ----------
    turn : PackedCase
        The case.
    state : Words
        Shape (rows, columns); changed in place.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> from service.core.readiness.exact import joint_outcomes
    >>> turn = joint_outcomes(part, layout, 0, gains=False, states=1).turn
    >>> state = layout.start[:, None].copy()
    >>> run_moves(turn, state)
    >>> bool((state[:, 0] == layout.start).all())
    True
    """
    for move in turn.rows.moves:
        held = state[move.source]
        held = held & np.uint64(move.mask) if move.mask else held << np.uint64(move.shift)
        if move.back:
            state[move.target] += held
        else:
            state[move.target] -= held


def run_case(
    turn: PackedCase, state: Words, picks: list[Indices], watch: GainWatch | None = None
) -> Flags:
    """Let each column take the first construct of its need that is wholly usable.

    Parameters
    ----------
    turn : PackedCase
        The case.
    state : Words
        Shape (rows, columns), after `run_moves`; changed in place.
    picks : list of Indices
        Outcome of each group of factors for each column.
    watch : GainWatch, optional
        Collects the branches that one more unit would open.

    Returns
    -------
    Flags
        True for the columns where the case is served.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> from service.core.readiness.exact import joint_outcomes
    >>> turn = joint_outcomes(part, layout, 0, gains=False, states=1).turn
    >>> state = layout.start[:, None].copy()
    >>> [run_case(turn, state, [np.array([size])]).tolist() for size in (0, 0, 1)]
    [[True], [False], [True]]
    """
    waiting = np.arange(state.shape[1])
    served = np.zeros(len(waiting), dtype=np.bool_)
    for rank in turn.ranks:
        trial = _try(rank, state, picks, waiting)
        guards = [turn.layout.guards[row] for row in rank.rows]
        fit = fits(_excused(turn, trial), guards, len(waiting))
        short = np.flatnonzero(~fit)
        if watch is not None:
            watched = short[waiting[short] < watch.columns]
            watch.look(turn, state, trial.only(watched, waiting[watched]))
        _take(turn, state, trial, fit)
        served[waiting[fit] if len(waiting) < len(served) else fit] = True
        waiting = waiting[short]
        if not len(waiting):
            break
    return served


def _try(rank: Rank, state: Words, picks: list[Indices], waiting: Indices) -> RankTrial:
    if len(waiting) == state.shape[1]:
        demand = rank.demand(picks)
        left = [state[row] - asked for row, asked in zip(rank.rows, demand, strict=True)]
    else:
        demand = rank.demand([pick[waiting] for pick in picks])
        left = [state[row, waiting] - asked for row, asked in zip(rank.rows, demand, strict=True)]
    return RankTrial(rank, waiting, demand, left)


def _excused(turn: PackedCase, trial: RankTrial) -> list[Words]:
    """Return what is left, fields below zero passed over where nothing is asked of them."""
    checked = trial.left
    for field in turn.layout.overdrawn:
        if field.row in trial.rank.rows:
            place = trial.rank.rows.index(field.row)
            idle = (trial.demand[place] & np.uint64(field.mask)) == 0
            checked = checked.copy()
            checked[place] = checked[place] | np.where(idle, np.uint64(field.guard), np.uint64(0))
    return checked


def _take(turn: PackedCase, state: Words, trial: RankTrial, fit: Flags) -> None:
    """Write back what is left where the trial fits."""
    rows = zip(trial.rank.rows, trial.left, strict=True)
    if len(fit) == state.shape[1]:
        for row, left in rows:
            np.copyto(state[row], left, where=fit)
    else:
        for row, left in rows:
            state[row, trial.columns[fit]] = left[fit]
    if turn.rows.kept or turn.rows.dated:
        _settle(turn, state, trial, np.flatnonzero(fit))


def _settle(turn: PackedCase, state: Words, trial: RankTrial, chosen: Indices) -> None:
    """Keep what is taken of sets until they return, and draw dated parcels, first expired first.

    Parameters
    ----------
    turn : PackedCase
        The case.
    state : Words
        Shape (rows, columns); changed in place.
    trial : RankTrial
        The rank at which the columns take.
    chosen : Indices
        Which of the trial's columns take.
    """
    places = {row: index for index, row in enumerate(trial.rank.rows)}
    columns = trial.columns[chosen]
    for target, word, mask in turn.rows.kept:
        if word in places:
            state[target, columns] = trial.demand[places[word]][chosen] & np.uint64(mask)
    for field, parcels in turn.rows.dated:
        if field.row not in places:
            continue
        wanted = trial.demand[places[field.row]][chosen] & np.uint64(field.mask)
        wanted >>= np.uint64(field.shift)
        for parcel in parcels:
            given = np.minimum(wanted, state[parcel, columns])
            state[parcel, columns] -= given
            wanted -= given


def servable_untouched(turn: PackedCase, picks: list[Indices]) -> Flags:
    """Tell for which columns the stock could serve the case if no case came before it.

    Parameters
    ----------
    turn : PackedCase
        The case.
    picks : list of Indices
        Outcome of each group of factors for each column.

    Returns
    -------
    Flags
        One per column.

    Examples
    --------
    >>> from tests.core.readiness_example import small_part
    >>> from service.core.readiness.packed_state import state_layout
    >>> part = small_part()
    >>> layout = state_layout(part)
    >>> from service.core.readiness.exact import joint_outcomes
    >>> turn = joint_outcomes(part, layout, 0, gains=False, states=1).turn
    >>> servable_untouched(turn, [np.array([0, 1])]).tolist()
    [True, True]
    """
    found = np.zeros(len(picks[0]), dtype=np.bool_)
    for rank in turn.ranks:
        guards = [turn.layout.guards[row] for row in rank.rows]
        demand = rank.demand(picks)
        left = [turn.rows.fresh[r] - d for r, d in zip(rank.rows, demand, strict=True)]
        found |= fits(left, guards, len(found))
    return found
