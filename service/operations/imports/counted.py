"""A list that tells how far somebody has read it."""

from collections.abc import Iterable, Iterator
from typing import TypeVar

from service.operations.long_work import Report

__all__ = ["Counted"]

Entry = TypeVar("Entry")

#: Entries between two reports: often enough to be watched, seldom enough to cost nothing.
_STEP = 100


class Counted(list[Entry]):
    """A list that reports its place while it is gone through.

    Parameters
    ----------
    entries
        What is in it.
    stage
        What is being done with them, in words.
    report
        Is told. A list that is gone through twice reports twice.
    """

    def __init__(self, entries: Iterable[Entry], stage: str, report: Report) -> None:
        super().__init__(entries)
        self.stage = stage
        self.report = report

    def __iter__(self) -> Iterator[Entry]:
        """Give the entries, and report each hundred of them and the end."""
        total = len(self)
        for done, entry in enumerate(super().__iter__()):
            if done % _STEP == 0:
                self.report(self.stage, done, total)
            yield entry
        self.report(self.stage, total, total)
