"""Samples that one more unit of an item sends another way, followed beside their originals."""

import numpy as np

from service.core.readiness.layout import Words
from service.core.readiness.sampling import Sampler
from service.core.readiness.step import Branch, run_case, run_moves
from service.core.readiness.words import Flags, Indices, Reals

_FIRST_CAPACITY = 256


class Pool:
    """Branches of one chunk of samples.

    Parameters
    ----------
    rows : int
        Rows of the state.

    Attributes
    ----------
    size : int
        Number of branches.
    columns, items, begun : Indices
        Sample each comes from, item of which one more was there, case where it began.
    more : Reals
        Cases served more than in the sample, so far.
    """

    def __init__(self, rows: int) -> None:
        self.size = 0
        self.columns: Indices = np.empty(0, dtype=np.intp)
        self.items: Indices = np.empty(0, dtype=np.intp)
        self.begun: Indices = np.empty(0, dtype=np.intp)
        self.more: Reals = np.empty(0)
        self._state: Words = np.empty((rows, _FIRST_CAPACITY), dtype=np.uint64)

    def follow(self, sampler: Sampler, needs: Indices, picks: list[Indices], served: Flags) -> None:
        """Run a case on the branches, with the draws of the samples they come from."""
        if not self.size:
            return
        state = self._state[:, : self.size]
        run_moves(sampler.turn, state)
        mine = [pick[self.columns] for pick in picks]
        self.more += run_case(sampler.turn, state, sampler.fold(needs[self.columns], mine))
        self.more -= served[self.columns]

    def grow(self, branches: list[Branch], position: int, served: Flags) -> None:
        """Add the branches that began at a case, which serves them whether their sample or not."""
        for branch in branches:
            count = len(branch.columns)
            self._reserve(self.size + count)
            self._state[:, self.size : self.size + count] = branch.state
            self.size += count
            self.columns = np.concatenate([self.columns, branch.columns])
            self.items = np.concatenate([self.items, branch.items])
            self.begun = np.concatenate([self.begun, np.full(count, position, dtype=np.intp)])
            self.more = np.concatenate([self.more, 1.0 - served[branch.columns]])

    def _reserve(self, size: int) -> None:
        rows, capacity = self._state.shape
        if size > capacity:
            wider = np.empty((rows, max(size, 2 * capacity)), dtype=np.uint64)
            wider[:, : self.size] = self._state[:, : self.size]
            self._state = wider
