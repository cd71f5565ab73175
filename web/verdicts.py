"""What the answer to a scan is called, how serious it is, and what can be done next."""

from collections.abc import Mapping
from dataclasses import dataclass

from service.errors import ServiceError
from service.operations.schemas.scans import ScanOut
from service.operations.tray_scans import CAN_BE_OVERRULED

__all__ = ["TITLES", "Said", "said_of", "said_of_error"]

#: Heading by verdict, each its own: it is read at arm's length, before the sentence.
TITLES = {
    "unreadable": "Code not readable",
    "needs_primary": "Scan the other code too",
    "unknown": "Unknown code",
    "recalled": "Recalled: do not use",
    "label_differs": "Label and record differ",
    "expired": "Expired: do not use",
    "quarantined": "In quarantine: do not use",
    "not_sterile": "Not sterile: do not use",
    "expires_before_list_day": "Use by ends before the list day",
    "goes_back": "Loan that goes back by the list day",
    "no_pick_list": "No pick list yet",
    "wrong_side": "Wrong side",
    "wrong_system": "Wrong system",
    "wrong_size": "Wrong size",
    "wrong_item": "Not on the pick list",
    "needs_lot": "Lot not in this code",
    "already_scanned": "Scanned already",
    "held_for_another_case": "Promised to another case",
    "not_in_stock": "Not on record here",
    "right": "Right pack",
    "known": "Known pack",
}
#: Not refused: something more is asked, or nothing is to be done.
_ASKS = frozenset({"unreadable", "needs_primary", "unknown", "needs_lot", "already_scanned"})


@dataclass(frozen=True, slots=True)
class Said:
    """The answer to a scan as the page shows it.

    Parameters
    ----------
    kind
        ``well``, ``part`` (something more is asked) or ``gap`` (refused); shape and colour.
    next_step
        ``learn``, ``second``, ``lot`` or ``although``: the form that goes on; empty when none does.
    code, second, ref, lot, serial
        What that form carries on.
    """

    verdict: str
    kind: str
    title: str
    says: str
    what_to_do: str
    next_step: str = ""
    code: str = ""
    second: str = ""
    ref: str = ""
    lot: str = ""
    serial: str = ""


def said_of(scan: ScanOut, values: Mapping[str, str]) -> Said:
    """Say what a scan answered, with what was sent so that a next step can go on from it."""
    return Said(
        verdict=scan.verdict,
        kind="part" if scan.verdict in _ASKS else "gap",
        title=TITLES[scan.verdict],
        says=scan.says,
        what_to_do=scan.what_to_do,
        next_step=_next_step(scan),
        code=values.get("code", ""),
        second=values.get("second", ""),
        ref=scan.item.ref if scan.item else values.get("ref", ""),
        lot=scan.lot,
        serial=scan.serial,
    )


def _next_step(scan: ScanOut) -> str:
    if scan.verdict in CAN_BE_OVERRULED and (scan.lot or scan.serial):
        return "although"
    return {"unknown": "learn", "needs_primary": "second", "needs_lot": "lot"}.get(scan.verdict, "")


def said_of_error(error: ServiceError, values: Mapping[str, str]) -> Said:
    """Say why the right pack could not be brought all the same."""
    reasons = "; ".join(fault.reason for fault in error.faults)
    return Said(
        verdict="refused",
        kind="gap",
        title="Not brought: nothing was saved",
        says=f"{reasons[:1].upper()}{reasons[1:]}." if reasons else error.detail,
        what_to_do="Put the pack back, or have what is wrong with it set right first.",
        code=values.get("code", ""),
    )
