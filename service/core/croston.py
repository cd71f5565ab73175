"""Croston's forecast for an item that is used now and then, with nothing in between."""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["IntermittentRate", "croston"]


@dataclass(frozen=True, slots=True)
class IntermittentRate:
    """What Croston's method says after the last period.

    Parameters
    ----------
    units_when_used
        Smoothed units in a period with any use.
    periods_between
        Smoothed periods from one use to the next, 1 or more.
    """

    units_when_used: float
    periods_between: float

    @property
    def units_per_period(self) -> float:
        """Forecast units a period."""
        return self.units_when_used / self.periods_between


def croston(
    units: Sequence[float], alpha: float = 0.1, in_stock: Sequence[bool] | None = None
) -> IntermittentRate | None:
    """Return the forecast of an intermittent series.

    The units of the periods with use and the gaps between those periods are smoothed apart, each
    by simple exponential smoothing that starts from its first value; the first gap is counted
    from the start of the series. The forecast is their ratio. A period in which the item was out
    of stock says nothing about demand: it is left out of the gaps unless something was used in it.

    Parameters
    ----------
    units
        Units used in each period, 0 or more, oldest first.
    alpha
        Weight of the newest value, above 0 and at most 1.
    in_stock
        Whether the item was there in each period; None means always.

    Returns
    -------
    IntermittentRate or None
        None where nothing was used yet, since the rate is then unknown.

    Raises
    ------
    ValueError
        When alpha is out of range, a period is negative, or the lengths differ.

    Notes
    -----
    Source: J. D. Croston 1972, "Forecasting and stock control for intermittent demands"; starting
    values as in Hyndman and Athanasopoulos, "Forecasting: Principles and Practice" (2nd ed.). The
    ratio is known to be biased upwards by about alpha / (2 - alpha) of itself at most (Syntetos
    and Boylan 2001; from memory).

    Examples
    --------
    >>> forecast = croston([0, 2, 0, 0, 4], alpha=0.5)
    >>> forecast.units_when_used, forecast.periods_between, forecast.units_per_period
    (3.0, 2.5, 1.2)
    """
    if not 0.0 < alpha <= 1.0:
        raise ValueError(f"alpha must be above 0 and at most 1, not {alpha:g}")
    if any(used < 0 for used in units):
        raise ValueError("units used are not negative")
    present = [True] * len(units) if in_stock is None else list(in_stock)
    smoothed: IntermittentRate | None = None
    gap = 0
    for used, there in zip(units, present, strict=True):
        gap += bool(there or used)
        if used:
            smoothed = _smoothed(smoothed, float(used), float(gap), alpha)
            gap = 0
    return smoothed


def _smoothed(
    before: IntermittentRate | None, used: float, gap: float, alpha: float
) -> IntermittentRate:
    if before is None:
        return IntermittentRate(used, gap)
    return IntermittentRate(
        before.units_when_used + alpha * (used - before.units_when_used),
        before.periods_between + alpha * (gap - before.periods_between),
    )
