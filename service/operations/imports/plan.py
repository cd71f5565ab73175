"""What an import is going to do, worked out in full before anything is written."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, TypeVar

from service.exchange.sheets.tables import RowFault
from service.operations.long_work import Report
from service.operations.planning.item_edits import ItemEdit

Step = Callable[[], None]


@dataclass(slots=True)
class ImportPlan:
    """Rows against what is there: what is new, what differs, what is the same, what is wrong.

    Parameters
    ----------
    write
        Carries the good rows out; called once, in the same transaction.
    notes
        Sentences a person should read, such as shelves that will be made.
    edits
        Changes to catalogue lines that cases or units may rest on.
    """

    faults: list[RowFault] = field(default_factory=list)
    added: int = 0
    changed: int = 0
    unchanged: int = 0
    notes: list[str] = field(default_factory=list)
    write: list[Step] = field(default_factory=list)
    edits: list[ItemEdit] = field(default_factory=list)

    def fault(self, row: int, column: str, reason: str) -> None:
        """Note a wrong row; it will not be written."""
        self.faults.append(RowFault(row, column, reason))

    def later(self, step: Callable[..., object], *args: Any) -> None:  # noqa: ANN401 - passed on as they are
        """Carry something out when the plan is."""
        self.write.append(lambda: _drop(step(*args)))


def _drop(_value: object) -> None:
    return None


Entry = TypeVar("Entry")


#: Entries between two reports: often enough to be watched, seldom enough to cost nothing.
_STEP = 100


class CountedRows(list[Entry]):
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
        """Return the entries, and report each hundred of them and the end."""
        total = len(self)
        for done, entry in enumerate(super().__iter__()):
            if done % _STEP == 0:
                self.report(self.stage, done, total)
            yield entry
        self.report(self.stage, total, total)
