"""What a choice of levels is judged by: a readiness to reach or money to make the best use of."""

from dataclasses import dataclass

__all__ = ["Goal"]

SLACK = 1e-12
"""Readiness differences below this are rounding."""


@dataclass(frozen=True, slots=True)
class Goal:
    """A target readiness to reach at least cost, or a budget to spend for most readiness.

    Parameters
    ----------
    target
        Readiness to reach, 0 to 1, or None.
    budget_minor
        Money in minor units, or None; exactly one of the two is given.

    Examples
    --------
    >>> Goal(0.9, None).meets(0.95, 1_000_000), Goal(None, 500).meets(0.95, 501)
    (True, False)
    """

    target: float | None
    budget_minor: int | None

    def meets(self, readiness: float, cost_minor: int) -> bool:
        """Tell whether the goal's condition holds."""
        if self.target is not None:
            return readiness >= self.target - SLACK
        return self.budget_minor is None or cost_minor <= self.budget_minor

    def rank(self, readiness: float, cost_minor: int) -> tuple[float, float]:
        """Return a pair that is smaller for the better of two choices that meet the goal."""
        if self.target is not None:
            return (cost_minor, -readiness)
        return (-round(readiness, 12), cost_minor)
