"""A scanner that types like a keyboard, and labels of the demo's packs as it types them."""

import csv
from functools import cache
from pathlib import Path

from playwright.sync_api import Page

SEED = Path(__file__).parents[2] / "seed_data"


SEPARATOR = "\x1d"


@cache
def _gtins() -> dict[str, str]:
    with (SEED / "catalogue.csv").open(newline="", encoding="utf-8") as file:
        return {row["ref"]: row["gtin"] for row in csv.DictReader(file)}


def label(ref: str, use_by: str, lot: str, serial: str = "") -> str:
    """Write a GS1 label: 01, 17 and 10, and a serial behind the separator that ends the lot."""
    end = f"{SEPARATOR}21{serial}" if serial else ""
    return f"01{_gtins()[ref]}17{use_by}10{lot}{end}"


def scan(page: Page, code: str, end: str = "Enter") -> None:
    """Type a code as a scanner does: no pause, the separator as Ctrl+], a key at the end."""
    for number, part in enumerate(code.split(SEPARATOR)):
        if number:
            page.keyboard.press("Control+]")
        page.keyboard.type(part)
    if end:
        page.keyboard.press(end)
