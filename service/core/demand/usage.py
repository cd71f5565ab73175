"""What was used: records from before the ledger and lines of the ledger, no use counted twice."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from service.core.catalogue import IMPLANT_KINDS, LONG_NAIL_FROM_MM, NAIL_KINDS, ItemFacts
from service.core.demand.rates import days_in_stock


@dataclass(frozen=True, slots=True)
class Use:
    """Units of one item that a case used, or wasted.

    Parameters
    ----------
    item
        Its reference.
    day
        The day at the site.
    quantity
        Units, 1 or more.
    lot
        Lot number or serial; empty where it is not known.
    case
        The case's local reference; empty where it is not known.
    wasted
        True for a pack that was opened and not implanted.
    """

    item: str
    day: date
    quantity: int
    lot: str = ""
    case: str = ""
    wasted: bool = False


@dataclass(frozen=True, slots=True)
class LotLife:
    """What happened to one lot of an item where it can be used from.

    Parameters
    ----------
    changes
        Days with the units that came (positive) or went (negative), oldest first.
    left
        Units there after the last change.
    use_by
        Last day on which it may be used, or None.
    """

    changes: tuple[tuple[date, int], ...]
    left: int
    use_by: date | None = None


def merged_uses(before: Iterable[Use], ledger: Iterable[Use]) -> tuple[tuple[Use, ...], int]:
    """Put records from before the ledger and the ledger's own lines together.

    A record and a line are the same use where item and fate are the same, lot and case differ in
    nothing both of them name, and they name the same case or fall on the same day. The record then
    counts only with the units the ledger has not.

    Parameters
    ----------
    before
        Uses on record from before the ledger, or imported beside it.
    ledger
        Uses the ledger has.

    Returns
    -------
    tuple of Use, int
        All uses, the ledger's first; and how many units were on record in both.

    Examples
    --------
    >>> day = date(2031, 3, 3)
    >>> written = [Use("A", day, 2, "L1", "K1"), Use("A", day, 1, "L2")]
    >>> uses, twice = merged_uses(written, [Use("A", day, 1, "L1", "K1")])
    >>> [(use.lot, use.quantity) for use in uses], twice
    ([('L1', 1), ('L1', 1), ('L2', 1)], 1)
    """
    kept = list(ledger)
    free = [use.quantity for use in kept]
    places: dict[tuple[str, bool], list[int]] = {}
    for number, use in enumerate(kept):
        places.setdefault((use.item, use.wasted), []).append(number)
    twice = 0
    for record in before:
        left = record.quantity
        for number in places.get((record.item, record.wasted), ()):
            if left and free[number] and _same(record, kept[number]):
                both = min(left, free[number])
                left, free[number], twice = left - both, free[number] - both, twice + both
        if left:
            kept.append(replace(record, quantity=left))
    return tuple(kept), twice


def _same(record: Use, line: Use) -> bool:
    if record.lot and line.lot and record.lot != line.lot:
        return False
    if record.case and line.case:
        return record.case == line.case
    return record.day == line.day


def days_present(lots: Sequence[LotLife], first: date, last: date) -> int:
    """Return the days on which some lot was there to be used.

    A day counts when a unit in date was there at any moment of it, so the day on which the last
    unit was used counts, and the day on which the next one came counts too.

    Parameters
    ----------
    lots
        The lots of one item.
    first, last
        The days watched, both included; `first` is not after `last`.

    Returns
    -------
    int
        Days, 0 or more.

    Examples
    --------
    >>> life = LotLife(((date(2031, 1, 5), -1), (date(2031, 1, 8), 2)), left=2)
    >>> days_present([life], date(2031, 1, 1), date(2031, 1, 10))
    8
    """
    periods = [period for lot in lots for period in _present(lot, first, last)]
    return (last - first).days + 1 - days_in_stock(first, last, periods)


def _present(lot: LotLife, first: date, last: date) -> list[tuple[date, date]]:
    """Walk back from what is left; give the periods with units there and in date."""
    quantity, end = lot.left, last
    periods: list[tuple[date, date]] = []
    for day, change in reversed(lot.changes):
        if quantity > 0:
            periods.append((day, end))
        quantity -= change
        end = day
    if quantity > 0:
        periods.append((first, end))
    last_day = last if lot.use_by is None else min(last, lot.use_by)
    return [(begin, min(end, last_day)) for begin, end in periods if begin <= last_day]


_FRAMES = NAIL_KINDS | {"side_plate", "buttress_plate", "cerclage_wire", "cerclage_cable"}


def case_kind(items: Iterable[ItemFacts]) -> str | None:
    """Name the kind of a case after the nails, plates, wires and cables among its implants.

    Parameters
    ----------
    items
        What was implanted, or what a planned construct takes; one side of a long nail is as good
        as the other.

    Returns
    -------
    str or None
        Words joined by plus signs, the same for the same frame; where there is no frame, the kinds
        of the other implants; None where nothing was an implant.

    Notes
    -----
    Source: common practice, no source: nails and plates name a fixation, their screws do not.

    Examples
    --------
    >>> nail = ItemFacts("N", "single_lag_screw_nail", system="Demo", length_mm=380)
    >>> case_kind([nail, ItemFacts("W", "cerclage_wire"), ItemFacts("L", "lag_screw")])
    'cerclage wire + long single lag screw nail, Demo'
    """
    implants = [item for item in items if item.kind in IMPLANT_KINDS]
    frames = [item for item in implants if item.kind in _FRAMES]
    words = {_frame(item) for item in frames or implants}
    return " + ".join(sorted(words)) if words else None


def _frame(item: ItemFacts) -> str:
    words = item.kind.replace("_", " ")
    if item.kind in NAIL_KINDS and item.length_mm is not None:
        words = f"{'long' if item.length_mm >= LONG_NAIL_FROM_MM else 'short'} {words}"
    return words if item.system is None else f"{words}, {item.system}"
