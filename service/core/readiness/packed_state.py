"""Allot the words and rows of a part's state and write down what each case does to them."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from service.core.readiness.parts import BindingSupply, ListPart, UnitClass
from service.core.readiness.problem import Case

_WIDTHS = (2, 3, 4, 6, 8, 16, 32)


Words = NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class ItemField:
    """Where the number usable of one item stands: word (row), lowest bit, width in bits."""

    row: int
    shift: int
    bits: int

    @property
    def guard(self) -> int:
        """Return the guard bit."""
        return 1 << (self.shift + self.bits - 1)

    @property
    def mask(self) -> int:
        """Return all bits of the field."""
        return ((1 << self.bits) - 1) << self.shift


@dataclass(frozen=True, slots=True)
class RowMove:
    """Before a case: add to or take from a word what another row holds of it."""

    target: int
    source: int
    mask: int
    shift: int
    back: bool


@dataclass(frozen=True, slots=True)
class FieldCap:
    """After a case: no more than `most` of a field can matter to the cases that follow."""

    field: ItemField
    most: int


@dataclass(frozen=True, slots=True)
class CaseRows:
    """What a case does to the rows beside checking and subtracting.

    Attributes
    ----------
    moves : tuple of RowMove
        Returns of sets, arrivals and expiries since the case before.
    kept : tuple of (int, int, int)
        Row that keeps what the case takes of a word under a mask, until the sets return.
    dated : tuple of (ItemField, tuple of int)
        Fields drawn from several parcels, and the rows of those usable, first expired first.
    caps : tuple of FieldCap
        What can be forgotten afterwards.
    relevant : Words
        Bits that still matter before the case's moves, per row.
    fresh : Words
        The words at this case if nothing was taken before it.
    """

    moves: tuple[RowMove, ...]
    kept: tuple[tuple[int, int, int], ...]
    dated: tuple[tuple[ItemField, tuple[int, ...]], ...]
    caps: tuple[FieldCap, ...]
    relevant: Words
    fresh: Words


@dataclass(frozen=True, slots=True)
class PackedArrival:
    """An arrival: its probability, and what the state at the start lacks when it fails."""

    probability: float
    missing: Words


@dataclass(frozen=True, slots=True)
class StateLayout:
    """Fields of a part's items, the rows of its state, and what each case does to them.

    `start` is the state in which everything comes that is expected.

    `overdrawn` lists the fields that can fall below zero before a case: sets that one copy can
    owe twice because cases run backwards in time.
    """

    fields: dict[str, ItemField]
    items: tuple[str, ...]
    bits: tuple[int, ...]
    guards: Words
    start: Words
    cases: tuple[CaseRows, ...]
    overdrawn: tuple[ItemField, ...]
    arrivals: tuple[PackedArrival, ...] = ()

    @property
    def words(self) -> int:
        """Return the number of rows that are words of fields."""
        return len(self.guards)

    def never(self, group: int) -> int:
        """Return the demand, in word 0, for what is never there, for a group of factors.

        Groups use several such fields so that their sum cannot leave the field.
        """
        bits = self.bits[0]
        return 1 << (bits * (group // (1 << (bits - 1))))


def state_layout(part: ListPart) -> StateLayout:
    """Lay out the state of a part.

    Parameters
    ----------
    part : ListPart
        Cases and their binding supplies.

    Returns
    -------
    StateLayout
        Words first, then rows for sets that are away, then rows for dated parcels.

    Examples
    --------
    >>> from service.core.readiness.problem import Construct, Take
    >>> from service.core.readiness.parts import UnitClass
    >>> supply = BindingSupply("x", (UnitClass((True,), 1),), None, (2,))
    >>> take = Take((), ((("x", 2),),))
    >>> case = Case("K1", None, None, (), (), (Construct("c", (take,)),))
    >>> layout = state_layout(ListPart((0,), (case,), (supply,)))
    >>> layout.fields["x"], layout.words
    (ItemField(row=1, shift=0, bits=3), 2)
    """
    supplies = {supply.item: supply for supply in part.supplies}
    order = _family_order(part.cases, supplies)
    fields, bits = _place(order, supplies, _never_fields(part.cases))
    guards = np.array([_comb(width) for width in bits], dtype=np.uint64)
    return _RowAllotment(part, supplies, fields, bits, guards).build(order)


def _comb(width: int) -> int:
    return sum(1 << shift for shift in range(width - 1, WORD_BITS // width * width, width))


def _never_fields(cases: tuple[Case, ...]) -> int:
    most_groups = 1 + max(len(case.factors) for case in cases)
    return -(-most_groups // (1 << (_WIDTHS[0] - 1)))


def _family_order(cases: tuple[Case, ...], supplies: dict[str, BindingSupply]) -> tuple[str, ...]:
    """Order items as the takes name them, so that one take's items share a word."""
    order: dict[str, None] = {}
    for case in cases:
        for construct in case.constructs:
            for take in construct.takes:
                named = {item for entry in take.entries for item, _ in entry or ()}
                fresh = sorted(named & supplies.keys() - order.keys())
                order.update(dict.fromkeys(fresh))
    return tuple(order)


def _width(supply: BindingSupply) -> int:
    most = max(*supply.bounds, sum(each.quantity for each in supply.classes))
    if supply.out is not None:
        most += 1  # A gain adds a copy, and that copy comes back.
        if _can_owe(supply):
            most = max(most, sum(supply.bounds))
    return next(width for width in _WIDTHS if most < 1 << (width - 1))


def _changes(supply: BindingSupply, taker: int) -> list[tuple[int, bool]]:
    """List the cases before which what a case took of a set comes back, or goes again."""
    if supply.out is None or not supply.bounds[taker]:
        return []
    changes, away = [], True
    for j in range(taker + 1, len(supply.bounds)):
        if supply.out[taker][j] != away:
            away = not away
            changes.append((j, not away))
    return changes


def _can_owe(supply: BindingSupply) -> bool:
    """Tell whether what a case took, or what came, goes again, so that a copy can be away twice."""
    if supply.out is None:
        return False
    if any(was and not now for each in supply.classes for was, now in pairwise(each.pattern)):
        return True
    return any(len(_changes(supply, taker)) > 1 for taker in range(len(supply.bounds)))


def _is_dated(supply: BindingSupply) -> bool:
    return supply.out is None and any(not all(each.pattern) for each in supply.classes)


def _place(
    order: tuple[str, ...], supplies: dict[str, BindingSupply], nevers: int
) -> tuple[dict[str, ItemField], tuple[int, ...]]:
    bits = [_WIDTHS[0]]
    filled = [nevers]
    fields = {}
    for width in _WIDTHS:
        row = 0 if width == bits[0] else -1
        for item in order:
            if _width(supplies[item]) != width:
                continue
            if row < 0 or filled[row] == WORD_BITS // width:
                bits.append(width)
                filled.append(0)
                row = len(bits) - 1
            fields[item] = ItemField(row, filled[row] * width, width)
            filled[row] += 1
    return fields, tuple(bits)


@dataclass(frozen=True, slots=True)
class _SetsAwayRow:
    """A row that keeps what one case took of the sets in one word, until they return."""

    row: int
    word: int
    mask: int


@dataclass(frozen=True, slots=True)
class _ParcelRow:
    """A row that holds what is left of one class of parcels, or how many copies come."""

    item: str
    row: int
    units: UnitClass


@dataclass(slots=True)
class _RowAllotment:
    """Allots the rows behind the words and writes down what each case does to them."""

    part: ListPart
    supplies: dict[str, BindingSupply]
    fields: dict[str, ItemField]
    bits: tuple[int, ...]
    guards: Words

    def build(self, order: tuple[str, ...]) -> StateLayout:
        changes = {
            (taker, item): _changes(supply, taker)
            for item, supply in self.supplies.items()
            if supply.out is not None
            for taker in range(len(self.part.cases))
        }
        changes = {key: listed for key, listed in changes.items() if listed}
        kept = self._kept_rows(changes)
        parcels = self._parcel_rows(len(self.guards) + len(kept))
        fresh = self._fresh()
        left = [parcel.units.quantity for parcel in parcels]
        start = np.array([*fresh[0].tolist(), *([0] * len(kept)), *left], dtype=np.uint64)
        returns = self._returns(changes, kept)
        relevant = self._relevant(changes, kept, parcels)
        cases = tuple(
            CaseRows(
                moves=tuple(returns[k]) + self._windows(k, parcels),
                kept=tuple((r.row, r.word, r.mask) for (c, _), r in kept.items() if c == k),
                dated=self._dated(k, parcels),
                caps=self._caps(k),
                relevant=relevant[k],
                fresh=fresh[k],
            )
            for k in range(len(self.part.cases))
        )
        owing = tuple(self.fields[item] for item in order if _can_owe(self.supplies[item]))
        arrivals = tuple(
            PackedArrival(one.probability, self._missing(one.name, parcels, len(start)))
            for one in self.part.arrivals
        )
        return StateLayout(
            self.fields, order, self.bits, self.guards, start, cases, owing, arrivals
        )

    def _missing(self, arrival: str, parcels: list[_ParcelRow], rows: int) -> Words:
        """Return what the start lacks without an arrival: in the words what counts from there."""
        missing = [0] * rows
        for item, field in self.fields.items():
            for each in self.supplies[item].classes:
                if each.arrival == arrival and each.pattern[0]:
                    missing[field.row] += each.quantity << field.shift
        for parcel in parcels:
            if parcel.units.arrival == arrival:
                missing[parcel.row] = parcel.units.quantity
        return np.array(missing, dtype=np.uint64)

    def _fresh(self) -> list[Words]:
        steady = self.guards.copy()
        dated = []
        for item, field in self.fields.items():
            if any(not all(each.pattern) for each in self.supplies[item].classes):
                dated.append((field, self.supplies[item]))
            else:
                count = self.supplies[item].usable_by(0)
                steady[field.row] += np.uint64(count << field.shift)
        found = []
        for position in range(len(self.part.cases)):
            words = steady.copy()
            for field, supply in dated:
                words[field.row] += np.uint64(supply.usable_by(position) << field.shift)
            found.append(words)
        return found

    def _kept_rows(
        self, changes: dict[tuple[int, str], list[tuple[int, bool]]]
    ) -> dict[tuple[int, int], _SetsAwayRow]:
        masks: dict[tuple[int, int], int] = {}
        for taker, item in changes:
            field = self.fields[item]
            masks[taker, field.row] = masks.get((taker, field.row), 0) | field.mask
        first = len(self.guards)
        rows = enumerate(masks.items(), start=first)
        return {key: _SetsAwayRow(row, key[1], mask) for row, (key, mask) in rows}

    def _parcel_rows(self, first: int) -> list[_ParcelRow]:
        rows: list[_ParcelRow] = []
        for item in self.fields:
            supply = self.supplies[item]
            for each in supply.classes:
                # Copies of a set that are always there need no row: they only go and come back.
                if _is_dated(supply) or not all(each.pattern):
                    rows.append(_ParcelRow(item, first + len(rows), each))
        return rows

    def _returns(
        self,
        changes: dict[tuple[int, str], list[tuple[int, bool]]],
        kept: dict[tuple[int, int], _SetsAwayRow],
    ) -> list[list[RowMove]]:
        masks: dict[tuple[int, int, int, bool], int] = {}
        for (taker, item), listed in changes.items():
            field = self.fields[item]
            for position, back in listed:
                key = (position, field.row, kept[taker, field.row].row, back)
                masks[key] = masks.get(key, 0) | field.mask
        moves: list[list[RowMove]] = [[] for _ in self.part.cases]
        for (position, target, source, back), mask in masks.items():
            moves[position].append(RowMove(target, source, mask, 0, back))
        return moves

    def _windows(self, position: int, parcels: list[_ParcelRow]) -> tuple[RowMove, ...]:
        moves = []
        for parcel in parcels:
            now = parcel.units.pattern[position]
            if position and now != parcel.units.pattern[position - 1]:
                field = self.fields[parcel.item]
                moves.append(RowMove(field.row, parcel.row, 0, field.shift, now))
        return tuple(moves)

    def _dated(
        self, position: int, parcels: list[_ParcelRow]
    ) -> tuple[tuple[ItemField, tuple[int, ...]], ...]:
        rows: dict[str, list[int]] = {}
        for parcel in parcels:
            supply = self.supplies[parcel.item]
            drawn = supply.out is None and supply.bounds[position]
            if drawn and parcel.units.pattern[position]:
                rows.setdefault(parcel.item, []).append(parcel.row)
        return tuple((self.fields[item], tuple(listed)) for item, listed in rows.items())

    def _caps(self, position: int) -> tuple[FieldCap, ...]:
        caps = []
        for item, field in self.fields.items():
            supply = self.supplies[item]
            if supply.out is None and supply.bounds[position] and not _is_dated(supply):
                later = sum(supply.bounds[position + 1 :])
                if later:
                    caps.append(FieldCap(field, later))
        return tuple(caps)

    def _relevant(
        self,
        changes: dict[tuple[int, str], list[tuple[int, bool]]],
        kept: dict[tuple[int, int], _SetsAwayRow],
        parcels: list[_ParcelRow],
    ) -> list[Words]:
        count = len(self.part.cases)
        width = len(self.guards) + len(kept) + len(parcels)
        bits = [[0] * width for _ in range(count)]
        last = {
            item: max(k for k, bound in enumerate(self.supplies[item].bounds) if bound)
            for item in self.fields
        }
        for item, field in self.fields.items():
            for position in range(last[item] + 1):
                bits[position][field.row] |= field.mask
        for (taker, item), listed in changes.items():
            field = self.fields[item]
            for position in range(taker + 1, min(listed[-1][0], last[item]) + 1):
                bits[position][kept[taker, field.row].row] |= field.mask
        for parcel in parcels:
            for position in range(last[parcel.item] + 1):
                if any(parcel.units.pattern[max(position - 1, 0) :]):
                    bits[position][parcel.row] = (1 << WORD_BITS) - 1
        return [np.array(row, dtype=np.uint64) for row in bits]


WORD_BITS = 64


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
