"""Allot the words and rows of a part's state and write down what each case does to them."""

from dataclasses import dataclass

import numpy as np

from service.core.readiness.layout import (
    WORD_BITS,
    Cap,
    CaseRows,
    Field,
    Layout,
    Move,
    Words,
)
from service.core.readiness.problem import Case
from service.core.readiness.reduce import Part, Supply

_WIDTHS = (2, 3, 4, 6, 8, 16, 32)


def layout_of(part: Part) -> Layout:
    """Lay out the state of a part.

    Parameters
    ----------
    part : Part
        Cases and their binding supplies.

    Returns
    -------
    Layout
        Words first, then rows for sets that are away, then rows for dated parcels.

    Examples
    --------
    >>> from service.core.readiness.problem import Construct, Take
    >>> supply = Supply("x", (((True,), 1),), None, (2,))
    >>> take = Take((), ((("x", 2),),))
    >>> case = Case("K1", None, None, (), (), (Construct("c", (take,)),))
    >>> layout = layout_of(Part((0,), (case,), (supply,)))
    >>> layout.fields["x"], layout.words
    (Field(row=1, shift=0, bits=3), 2)
    """
    supplies = {supply.item: supply for supply in part.supplies}
    order = _family_order(part.cases, supplies)
    fields, bits = _place(order, supplies, _never_fields(part.cases))
    guards = np.array([_comb(width) for width in bits], dtype=np.uint64)
    return _Rows(part, supplies, fields, bits, guards).build(order)


def _comb(width: int) -> int:
    return sum(1 << shift for shift in range(width - 1, WORD_BITS // width * width, width))


def _never_fields(cases: tuple[Case, ...]) -> int:
    most_groups = 1 + max(len(case.factors) for case in cases)
    return -(-most_groups // (1 << (_WIDTHS[0] - 1)))


def _family_order(cases: tuple[Case, ...], supplies: dict[str, Supply]) -> tuple[str, ...]:
    """Order items as the takes name them, so that one take's items share a word."""
    order: dict[str, None] = {}
    for case in cases:
        for construct in case.constructs:
            for take in construct.takes:
                named = {item for entry in take.entries for item, _ in entry or ()}
                fresh = sorted(named & supplies.keys() - order.keys())
                order.update(dict.fromkeys(fresh))
    return tuple(order)


def _width(supply: Supply) -> int:
    most = max(*supply.bounds, sum(quantity for _, quantity in supply.classes))
    if supply.out is not None:
        most += 1  # A gain adds a copy, and that copy comes back.
        if _can_owe(supply):
            most = max(most, sum(supply.bounds))
    return next(width for width in _WIDTHS if most < 1 << (width - 1))


def _changes(supply: Supply, taker: int) -> list[tuple[int, bool]]:
    """List the cases before which what a case took of a set comes back, or goes again."""
    if supply.out is None or not supply.bounds[taker]:
        return []
    changes, away = [], True
    for j in range(taker + 1, len(supply.bounds)):
        if supply.out[taker][j] != away:
            away = not away
            changes.append((j, not away))
    return changes


def _can_owe(supply: Supply) -> bool:
    """Tell whether what a case took comes back and goes again, so that a copy can be away twice."""
    if supply.out is None:
        return False
    return any(len(_changes(supply, taker)) > 1 for taker in range(len(supply.bounds)))


def _is_dated(supply: Supply) -> bool:
    return supply.out is None and any(not all(pattern) for pattern, _ in supply.classes)


def _place(
    order: tuple[str, ...], supplies: dict[str, Supply], nevers: int
) -> tuple[dict[str, Field], tuple[int, ...]]:
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
            fields[item] = Field(row, filled[row] * width, width)
            filled[row] += 1
    return fields, tuple(bits)


@dataclass(frozen=True, slots=True)
class _Kept:
    """A row that keeps what one case took of the sets in one word, until they return."""

    row: int
    word: int
    mask: int


@dataclass(frozen=True, slots=True)
class _ParcelRow:
    """A row that holds what is left of one class of parcels of a dated item."""

    item: str
    row: int
    pattern: tuple[bool, ...]
    quantity: int


@dataclass(slots=True)
class _Rows:
    """Allots the rows behind the words and writes down what each case does to them."""

    part: Part
    supplies: dict[str, Supply]
    fields: dict[str, Field]
    bits: tuple[int, ...]
    guards: Words

    def build(self, order: tuple[str, ...]) -> Layout:
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
        left = [parcel.quantity for parcel in parcels]
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
        return Layout(self.fields, order, self.bits, self.guards, start, cases, owing)

    def _fresh(self) -> list[Words]:
        steady = self.guards.copy()
        dated = []
        for item, field in self.fields.items():
            if _is_dated(self.supplies[item]):
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
    ) -> dict[tuple[int, int], _Kept]:
        masks: dict[tuple[int, int], int] = {}
        for taker, item in changes:
            field = self.fields[item]
            masks[taker, field.row] = masks.get((taker, field.row), 0) | field.mask
        first = len(self.guards)
        rows = enumerate(masks.items(), start=first)
        return {key: _Kept(row, key[1], mask) for row, (key, mask) in rows}

    def _parcel_rows(self, first: int) -> list[_ParcelRow]:
        rows: list[_ParcelRow] = []
        for item in self.fields:
            if _is_dated(self.supplies[item]):
                for pattern, quantity in self.supplies[item].classes:
                    rows.append(_ParcelRow(item, first + len(rows), pattern, quantity))
        return rows

    def _returns(
        self,
        changes: dict[tuple[int, str], list[tuple[int, bool]]],
        kept: dict[tuple[int, int], _Kept],
    ) -> list[list[Move]]:
        masks: dict[tuple[int, int, int, bool], int] = {}
        for (taker, item), listed in changes.items():
            field = self.fields[item]
            for position, back in listed:
                key = (position, field.row, kept[taker, field.row].row, back)
                masks[key] = masks.get(key, 0) | field.mask
        moves: list[list[Move]] = [[] for _ in self.part.cases]
        for (position, target, source, back), mask in masks.items():
            moves[position].append(Move(target, source, mask, 0, back))
        return moves

    def _windows(self, position: int, parcels: list[_ParcelRow]) -> tuple[Move, ...]:
        moves = []
        for parcel in parcels:
            now = parcel.pattern[position]
            if position and now != parcel.pattern[position - 1]:
                field = self.fields[parcel.item]
                moves.append(Move(field.row, parcel.row, 0, field.shift, now))
        return tuple(moves)

    def _dated(
        self, position: int, parcels: list[_ParcelRow]
    ) -> tuple[tuple[Field, tuple[int, ...]], ...]:
        rows: dict[str, list[int]] = {}
        for parcel in parcels:
            if self.supplies[parcel.item].bounds[position] and parcel.pattern[position]:
                rows.setdefault(parcel.item, []).append(parcel.row)
        return tuple((self.fields[item], tuple(listed)) for item, listed in rows.items())

    def _caps(self, position: int) -> tuple[Cap, ...]:
        caps = []
        for item, field in self.fields.items():
            supply = self.supplies[item]
            if supply.out is None and supply.bounds[position] and not _is_dated(supply):
                later = sum(supply.bounds[position + 1 :])
                if later:
                    caps.append(Cap(field, later))
        return tuple(caps)

    def _relevant(
        self,
        changes: dict[tuple[int, str], list[tuple[int, bool]]],
        kept: dict[tuple[int, int], _Kept],
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
                if any(parcel.pattern[max(position - 1, 0) :]):
                    bits[position][parcel.row] = (1 << WORD_BITS) - 1
        return [np.array(row, dtype=np.uint64) for row in bits]
