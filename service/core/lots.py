"""Lots: what units of one lot cannot be without, and what cannot stand under one."""

from datetime import date


def use_by_fault(
    *, supplied_sterile: bool, reusable: bool, sterility: str, use_by: date | None
) -> str | None:
    """Say why a pack without a use-by date is refused, or ``None`` when it is in order.

    A sterile pack keeps its sterility until its use-by date; without one it would be counted as
    cover for ever. An instrument set is sterilised here again and again, and what is unsterile
    covers nothing: both may be without. Source: common practice.

    Parameters
    ----------
    supplied_sterile, reusable
        As the catalogue has the item.
    sterility
        ``sterile`` or ``unsterile``, as the pack is.
    use_by
        The date on the label, if it is known.
    """
    if use_by is not None or reusable or not supplied_sterile or sterility != "sterile":
        return None
    return "this item is supplied sterile, so its pack has a use-by date; enter it from the label"


def copies_fault(*, reusable: bool, serial: str, sterility: str, copies: int) -> str | None:
    """Say why units cannot stand under one lot and serial, or ``None`` when they can.

    A serial names one unit. What makes one copy of a set sterile must not make another so. Source:
    common practice.

    Parameters
    ----------
    reusable
        As the catalogue has the item.
    serial
        Of the lot; empty when it has none.
    sterility
        ``sterile`` or ``unsterile``, as the lot is.
    copies
        How many there would be under the lot, wherever they lie.
    """
    if serial and copies > 1:
        return (
            f"serial {serial} is one unit that is already in the stock records; move it, or count "
            "it there"
        )
    if not reusable or sterility == "sterile" or copies <= 1:
        return None
    return "give each non-sterile copy its own serial or copy number, one at a time"
