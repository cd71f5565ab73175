"""What an import is going to do, worked out in full before anything is written."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from service.exchange.rows import RowFault

__all__ = ["ImportPlan", "Step"]

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
    """

    faults: list[RowFault] = field(default_factory=list)
    added: int = 0
    changed: int = 0
    unchanged: int = 0
    notes: list[str] = field(default_factory=list)
    write: list[Step] = field(default_factory=list)

    def fault(self, row: int, column: str, reason: str) -> None:
        """Note a wrong row; it will not be written."""
        self.faults.append(RowFault(row, column, reason))

    def later(self, step: Callable[..., object], *args: Any) -> None:  # noqa: ANN401 - passed on as they are
        """Carry something out when the plan is."""
        self.write.append(lambda: _drop(step(*args)))


def _drop(_value: object) -> None:
    return None
