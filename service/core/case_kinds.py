"""What kind of case it was, by what it used: the frame of a construct tells it apart."""

from collections.abc import Iterable

from service.core.items import IMPLANT_KINDS, LONG_NAIL_FROM_MM, NAIL_KINDS, ItemFacts

__all__ = ["case_kind"]

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
