"""Pages on paper: A4, numbered, few, and what must stand on a sheet of its own."""

import csv
import shutil
import subprocess
from collections.abc import Callable
from contextlib import closing
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from playwright.sync_api import Browser

from service.exchange.labels.read import read_scan
from tests.browser.live import sign_in_with_cookie

#: A4 in PostScript points (ISO 216: 210 x 297 mm; 72 points to 25.4 mm).
A4_POINTS = (595.3, 841.9)


DAY = date(2031, 3, 4)


PICK_LIST = "/cases/HAR-0712/pick-list"


SEED = Path(__file__).parents[2] / "seed_data"


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.fail(f"{name} is not installed; 'bash tests/run' installs poppler-utils")
    return found


def _read(tool: str, pdf: Path, *after: str) -> str:
    command = [_tool(tool), *(("-layout",) if tool == "pdftotext" else ()), str(pdf), *after]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout  # noqa: S603 - both are ours


@pytest.fixture(scope="module")
def printed(
    browser: Browser, demo_site: str, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], Path]:
    """Print a page once for all tests that look at its sheets."""
    folder = tmp_path_factory.mktemp("printed")

    def sheets_of(path: str) -> Path:
        target = folder / f"{path.replace('/', '-')}.pdf"
        if not target.exists():
            with closing(browser.new_context()) as context:
                sign_in_with_cookie(context, demo_site)
                page = context.new_page()
                page.goto(demo_site + path)
                page.pdf(path=target, prefer_css_page_size=True)
        return target

    return sheets_of


Printed = Callable[[str], Path]


def _sheets(pdf: Path) -> list[str]:
    return _read("pdftotext", pdf, "-").rstrip("\f").split("\f")


@pytest.mark.parametrize(
    ("path", "most"),
    [
        # A list day of four cases and a case are two sheets each; a pick list of 64 packs is four.
        ("/lists/2031-03-04", 2),
        ("/cases/HAR-0711", 2),
        ("/cases/HAR-0712", 2),
        ("/cases/HAR-0738", 2),
        (PICK_LIST, 4),
    ],
)
def test_the_sheets_are_a4_few_and_numbered(printed: Printed, path: str, most: int) -> None:
    lines = _read("pdfinfo", printed(path)).splitlines()
    facts = dict(line.split(":", 1) for line in lines if ":" in line)
    width, _, height = facts["Page size"].split()[:3]
    assert (float(width), float(height)) == pytest.approx(A4_POINTS, abs=1)
    assert int(facts["Pages"]) <= most
    sheets = _sheets(printed(path))
    for number, sheet in enumerate(sheets, 1):
        assert f"page {number} of {len(sheets)}" in sheet


def test_every_sheet_with_packs_names_case_side_and_revision(printed: Printed) -> None:
    with_packs = [sheet for sheet in _sheets(printed(PICK_LIST)) if "Shelf" in sheet]
    assert with_packs
    for sheet in with_packs:
        assert "Case HAR-0712, left, plan revision 1" in sheet


@pytest.mark.parametrize("path", ["/lists/2031-03-04", "/cases/HAR-0712", PICK_LIST])
def test_the_print_says_when_it_was_made_and_what_it_is(printed: Printed, path: str) -> None:
    text = " ".join(_read("pdftotext", printed(path), "-").split())
    assert "Printed Mon 3 Mar 2031, 07:00" in text
    assert text.count("film sizes are estimates, confirmed in theatre") == 1
    assert "The surgeon decides" in text
    for on_screen_only in ("Change plan", "Cancel this case", "Try a change", "Scan to tray"):
        assert on_screen_only not in text


def test_the_day_sheet_has_every_case_with_what_to_bring_and_boxes(printed: Printed) -> None:
    text = " ".join(_read("pdftotext", printed("/lists/2031-03-04"), "-").split())
    for case in ("HAR-0711", "HAR-0712", "HAR-0713", "HAR-0738"):
        assert case in text
    assert text.count("to open first") == 4
    assert text.count("picked") == 4
    assert "Short for this day: 2 items" in text


def test_a_code_on_the_printed_pick_list_is_read_back_as_the_label_of_its_pack(
    printed: Printed, tmp_path: Path
) -> None:
    # 300 dpi is what an office printer does; the reader is a library that is not ours.
    command = [_tool("pdftoppm"), "-r", "300", "-gray", "-f", "1", "-l", "1"]
    subprocess.run([*command, str(printed(PICK_LIST)), str(tmp_path / "sheet")], check=True)  # noqa: S603 - both are ours
    found = zxingcpp.read_barcodes(_grey(next(tmp_path.glob("sheet*.pgm"))))
    said = {
        scan.gtin: (scan.lot, scan.use_by)
        for scan in (read_scan(one.text, today=DAY) for one in found)
    }
    # The catalogue and the stock take of the demo hospital: seed_data/catalogue.csv, stock.csv.
    assert said[_gtin("FAL-L-110")] == ("F27Z0030", date(2032, 12, 4))


def _gtin(ref: str) -> str:
    with (SEED / "catalogue.csv").open(newline="") as file:
        return next(row["gtin"] for row in csv.DictReader(file) if row["ref"] == ref)


def _grey(path: Path) -> "np.ndarray[tuple[int, int], np.dtype[np.uint8]]":
    """Read a binary PGM picture (netpbm's P5: magic, width, height, maximum, bytes)."""
    magic, size, _, data = path.read_bytes().split(b"\n", 3)
    assert magic == b"P5"
    width, height = map(int, size.split())
    return np.frombuffer(data, np.uint8, width * height).reshape(height, width)
