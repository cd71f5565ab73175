"""Pack the residual stock of a part into 64-bit words, one field per item.

A field of b bits holds the number usable now plus 2^(b-1), its guard bit. Subtracting a demand
word leaves every guard bit set exactly where the whole demand is usable, so that a case is
checked against many items in a few word operations, for many samples or states at once.
Field 0 of word 0 stands for what is never there: a size that is not made asks for it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint64]
WORD_BITS = 64


@dataclass(frozen=True, slots=True)
class Field:
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
class Move:
    """Before a case: add to or take from a word what another row holds of it."""

    target: int
    source: int
    mask: int
    shift: int
    back: bool


@dataclass(frozen=True, slots=True)
class Cap:
    """After a case: no more than `most` of a field can matter to the cases that follow."""

    field: Field
    most: int


@dataclass(frozen=True, slots=True)
class CaseRows:
    """What a case does to the rows beside checking and subtracting.

    Attributes
    ----------
    moves : tuple of Move
        Returns of sets, arrivals and expiries since the case before.
    kept : tuple of (int, int, int)
        Row that keeps what the case takes of a word under a mask, until the sets return.
    dated : tuple of (Field, tuple of int)
        Fields drawn from several parcels, and the rows of those usable, first expired first.
    caps : tuple of Cap
        What can be forgotten afterwards.
    relevant : Words
        Bits that still matter before the case's moves, per row.
    fresh : Words
        The words at this case if nothing was taken before it.
    """

    moves: tuple[Move, ...]
    kept: tuple[tuple[int, int, int], ...]
    dated: tuple[tuple[Field, tuple[int, ...]], ...]
    caps: tuple[Cap, ...]
    relevant: Words
    fresh: Words


@dataclass(frozen=True, slots=True)
class Layout:
    """Fields of a part's items, the rows of its state, and what each case does to them.

    `overdrawn` lists the fields that can fall below zero before a case: sets that one copy can
    owe twice because cases run backwards in time.
    """

    fields: dict[str, Field]
    items: tuple[str, ...]
    bits: tuple[int, ...]
    guards: Words
    start: Words
    cases: tuple[CaseRows, ...]
    overdrawn: tuple[Field, ...]

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
