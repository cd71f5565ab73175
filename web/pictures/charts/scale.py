"""What the charts share: a linear scale, ticks at round numbers, days and hours in words."""

import math
from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class Scale:
    """Where values lie on the page.

    Parameters
    ----------
    low, high
        Values at the two ends; they differ.
    start, end
        Coordinates of the two ends.
    """

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return a value's coordinate; a value beyond an end lies on that end."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(max(share, 0.0), 1.0) * (self.end - self.start)


def round_ticks(low: float, high: float, most: int) -> tuple[float, ...]:
    """List round numbers from ``low`` to ``high``, at most ``most`` of them, 1, 2 or 5 apart."""
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    wide = next(step * by for by in (1, 2, 5, 10, 20) if (high - low) / (step * by) <= most - 1)
    first = math.ceil(low / wide - 1e-9)
    last = math.floor(high / wide + 1e-9)
    return tuple(place * wide for place in range(first, last + 1))


def day_words(day: date) -> str:
    """Write a day as ``4 Mar``."""
    return f"{day.day} {day:%b}"


def clock(moment: datetime) -> str:
    """Write a time of day."""
    return f"{moment:%H:%M}"
