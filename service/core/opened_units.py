"""Units in quarantine that were opened before they came, and have not been reprocessed since."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

#: The other end of a line: where sets are reprocessed; nowhere, of what is not found or is found
#: again; anywhere else, such as a shelf, a supplier or a lender.
OtherEnd = Literal["reprocessing", "nowhere", "elsewhere"]


@dataclass(frozen=True, slots=True)
class QuarantineLine:
    """A line of the ledger by which units of a lot came into quarantine, or left it.

    Parameters
    ----------
    seq
        Its place in the ledger.
    change
        Units that came, or below 0 that left.
    other_end
        Where they came from, or went to.
    corrects
        The line it takes back, ``None`` when it takes none back.
    """

    seq: int
    change: int
    other_end: OtherEnd = "elsewhere"
    corrects: int | None = None


def opened_units(lines: Iterable[QuarantineLine]) -> int:
    """Count the units of a lot that lie in quarantine now and came there opened.

    Parameters
    ----------
    lines
        Of one lot, in the quarantine of one site.

    Returns
    -------
    int
        What came opened and is still there. To be reprocessed go the opened ones first; by any
        other way they go last, for nobody knows which went. What was counted or written off is
        opened still when a count finds it. A line that was taken back is as if it had never been.

    Notes
    -----
    That what was opened stays so until it has been reprocessed is common practice, no source.

    Examples
    --------
    >>> came_opened = QuarantineLine(1, 1, "reprocessing")
    >>> opened_units([came_opened])
    1
    >>> opened_units([came_opened, QuarantineLine(2, -1)])
    0
    >>> opened_units([came_opened, QuarantineLine(2, -1), QuarantineLine(3, 1)])
    0
    >>> opened_units([came_opened, QuarantineLine(2, -1), QuarantineLine(3, 1, corrects=2)])
    1
    """
    known = sorted(lines, key=lambda line: line.seq)
    taken_back = {line.corrects for line in known if line.corrects is not None}
    there = opened = lost = 0
    for line in known:
        if line.corrects is not None or line.seq in taken_back:
            continue
        there += line.change
        if line.change > 0 and line.other_end == "reprocessing":
            opened += line.change
        elif line.change > 0 and line.other_end == "nowhere":
            found = min(lost, line.change)
            opened, lost = opened + found, lost - found
        elif line.other_end == "reprocessing":
            opened = max(opened + line.change, 0)
        elif line.change < 0:
            if line.other_end == "nowhere":
                lost += min(opened, -line.change)
            opened = min(opened, there)
    return opened
