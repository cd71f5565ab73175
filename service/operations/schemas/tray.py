"""Scanning packs to the tray of a case, and what is said aloud before one is opened."""

from datetime import date

from service.operations.schemas.base import Out
from service.operations.schemas.ledger import PackBody, TrayOut
from service.operations.schemas.scans import ScanOut

__all__ = ["AloudOut", "BroughtOut", "SettledOut"]


class AloudOut(Out):
    """What is said aloud before a pack is opened, and how many of it lie on the tray."""

    ref: str
    kind: str
    description: str
    size: str
    side: str
    system: str
    lot: str
    serial: str
    use_by: date | None
    sterility: str
    ownership: str
    home_store: str
    home_shelf: str
    reusable: bool
    open: int
    implanted: int
    wasted: int
    returned: int


class BroughtOut(Out):
    """What a scan said, and the pack that is on the tray now; ``None`` when none was brought."""

    scan: ScanOut
    pack: PackBody | None


class SettledOut(Out):
    """The tray, and how many units went back to their shelves."""

    tray: TrayOut
    went_back: int
