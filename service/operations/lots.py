"""What must be known of a pack before it may lie on a shelf, however it came there."""

from datetime import date

__all__ = ["use_by_fault"]


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
    return "this item comes sterile, so its pack carries a use-by date; copy it from the label"
