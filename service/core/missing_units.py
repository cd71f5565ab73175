"""Units that must not be used and went missing: they are not fit when they turn up elsewhere."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ComingOrGoing:
    """A line of the ledger by which units came from nowhere to a place, or went to nowhere.

    Parameters
    ----------
    seq
        Its place in the ledger.
    change
        Units that came, or below 0 that went.
    corrects
        The line it takes back, ``None`` when it takes none back.
    """

    seq: int
    change: int
    corrects: int | None = None


def missing_units(lines: Iterable[ComingOrGoing]) -> int:
    """Count the units that went from places where they must not be used and did not turn up there.

    Parameters
    ----------
    lines
        Of one pack's name, at places of one kind, such as the quarantine.

    Returns
    -------
    int
        What went less what came after it. What came before nothing was missing is other units: it
        makes up for nothing that goes later. A line that was taken back is as if it had never been.

    Notes
    -----
    That a pack keeps its state wherever it is until somebody lets it out is common practice, no
    source.

    Examples
    --------
    >>> counted_in, counted_away = ComingOrGoing(1, 1), ComingOrGoing(2, -1)
    >>> missing_units([counted_in, counted_away])
    1
    >>> missing_units([counted_in, counted_away, ComingOrGoing(3, 1)])
    0
    >>> missing_units([counted_in, counted_away, ComingOrGoing(3, 1, corrects=2)])
    0
    """
    known = sorted(lines, key=lambda line: line.seq)
    taken_back = {line.corrects for line in known if line.corrects is not None}
    missing = 0
    for line in known:
        if line.corrects is None and line.seq not in taken_back:
            missing = max(0, missing - line.change)
    return missing
