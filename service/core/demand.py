"""Rates of use of items from what the ledger shows, each leaning on its family."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from service.core.gamma_poisson import JEFFREYS_SHAPE, GammaRate, family_prior, updated

__all__ = ["ItemRate", "ItemUsage", "days_in_stock", "item_rates"]


@dataclass(frozen=True, slots=True)
class ItemUsage:
    """What was seen of one item.

    Parameters
    ----------
    item
        Its name.
    family
        Items used for the same purpose at rates of the same order, such as the lengths of one
        screw; a new item starts from its family.
    uses
        Times it was used, 0 or more.
    days_in_stock
        Days on which it was there to be used, 0 or more.
    """

    item: str
    family: str
    uses: int
    days_in_stock: float


@dataclass(frozen=True, slots=True)
class ItemRate:
    """Uses a day of one item: mean and interval, or None where nothing is known."""

    item: str
    mean_per_day: float | None
    lower_per_day: float | None
    upper_per_day: float | None


def days_in_stock(first: date, last: date, out_of_stock: Iterable[tuple[date, date]]) -> int:
    """Return the days on which an item was there, of those watched.

    Parameters
    ----------
    first, last
        The days watched, both included.
    out_of_stock
        Pairs of the first and the last day without stock, both included; they may overlap and
        reach beyond the days watched.

    Returns
    -------
    int
        Days, 0 or more.

    Raises
    ------
    ValueError
        When a period ends before it begins.

    Examples
    --------
    >>> days_in_stock(date(2031, 1, 1), date(2031, 1, 31), [(date(2031, 1, 10), date(2031, 1, 19))])
    21
    """
    periods = sorted(out_of_stock)
    if last < first or any(end < begin for begin, end in periods):
        raise ValueError("a period does not end before it begins")
    begin, end = first.toordinal(), last.toordinal()
    without, reached = 0, begin - 1
    for out, back in periods:
        start = max(out.toordinal(), reached + 1)
        stop = min(back.toordinal(), end)
        without += max(0, stop - start + 1)
        reached = max(reached, stop)
    return end - begin + 1 - without


def item_rates(usage: Sequence[ItemUsage], coverage: float = 0.95) -> tuple[ItemRate, ...]:
    """Return the rate of each item, drawn towards its family's as far as its own days are few.

    The prior comes from the family (:func:`service.core.gamma_poisson.family_prior`), or from all
    the items where fewer than two of the family were ever in stock. Days out of stock are not
    exposure, so a stock-out is not read as no demand; this assumes that demand does not depend
    on whether the item is there.

    Parameters
    ----------
    usage
        What was seen, one entry for each item.
    coverage
        Chance that the interval holds, between 0 and 1.

    Returns
    -------
    tuple of ItemRate
        In the order given. An item never in stock has its family's rate; where there is nothing
        to lean on either, its rate is unknown (None). The only item ever watched leans on half a
        use in no time (Jeffreys' prior).

    Raises
    ------
    ValueError
        When an item was used without a day in stock, or a number is negative.

    Examples
    --------
    >>> seen = [ItemUsage("lag-90", "lag", 2, 100.0), ItemUsage("lag-95", "lag", 18, 100.0),
    ...         ItemUsage("lag-100", "lag", 0, 0.0)]
    >>> [round(rate.mean_per_day, 3) for rate in item_rates(seen)]
    [0.026, 0.174, 0.1]
    """
    everything = family_prior([u.uses for u in usage], [u.days_in_stock for u in usage])
    priors = {family: _prior(usage, family) or everything for family in {u.family for u in usage}}
    return tuple(_rate(seen, priors[seen.family], coverage) for seen in usage)


def _prior(usage: Sequence[ItemUsage], family: str) -> GammaRate | None:
    members = [seen for seen in usage if seen.family == family]
    return family_prior([m.uses for m in members], [m.days_in_stock for m in members])


def _rate(seen: ItemUsage, prior: GammaRate | None, coverage: float) -> ItemRate:
    if prior is not None:
        known = updated(prior, seen.uses, seen.days_in_stock)
    elif seen.days_in_stock > 0.0:
        known = GammaRate(JEFFREYS_SHAPE + seen.uses, seen.days_in_stock)
    else:
        return ItemRate(seen.item, None, None, None)
    low, high = known.interval_per_day(coverage)
    return ItemRate(seen.item, known.mean_per_day, low, high)
